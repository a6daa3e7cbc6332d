"""What the retrofits on the array itself share: module counts, the way up, and the notes for that way."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from functools import wraps
from importlib.resources import files
from typing import Any, TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun import api

Number = TypeVar("Number", bound=np.generic)
Value = TypeVar("Value")

DATA = "aftersun_datasets"
DAYS_PER_YEAR = 365.0

FLUSH = "flush roof"
IN_ROOF = "in roof"
FLAT_FRAME = "flat roof frame"
GROUND_FRAME = "ground frame"

GROUND = "ground"
FRAGILE = "fragile sheet"


FromData: TypeAlias = tuple[
    api.About, dict[str, api.Range], dict[str, api.Fact], tuple[api.Claim, ...], dict[str, api.Note]
]


def from_data(retrofit: str) -> FromData:
    """Return who a retrofit is, its assumptions, facts, claims of the trade and safety notes.

    ``assumptions_of`` of its entry names assumptions that it shares with another retrofit.
    """
    everything = tomllib.loads(files(DATA).joinpath("retrofits.toml").read_text(encoding="utf-8"))
    entry = everything[retrofit]
    of_visit = everything["array_visit_notes"] if entry.pop("array_visit", False) else ()
    facts, notes = entry.pop("facts", ()), (*of_visit, *entry.pop("notes"))
    assumptions = api.read_ranges(DATA, f"assumptions/{retrofit}.csv")
    for other, names in entry.pop("assumptions_of", {}).items():
        shared = api.read_ranges(DATA, f"assumptions/{other}.csv")
        assumptions |= {name: shared[name] for name in names}
    texts: dict[str, Any] = {name: tuple(value) if isinstance(value, list) else value for name, value in entry.items()}
    return (
        api.About(id=retrofit, life=assumptions["life_years"], **texts),
        assumptions,
        api.read_facts(DATA, "facts.csv", facts),
        api.read_claims(DATA, "claims.csv", retrofit),
        api.read_notes(DATA, "safety_notes.csv", notes),
    )


def of_facts(compute: Callable[[api.Cohort], Value]) -> Callable[[api.Cohort], Value]:
    """Work out once for a cohort what its facts alone decide: a run asks for a change with hundreds of assumptions."""

    @wraps(compute)
    def known(cohort: api.Cohort) -> Value:
        return cohort.once(("aftersun_retrofits", compute.__module__, compute.__name__), lambda: compute(cohort))

    return known


def numbers(frame: pd.DataFrame, column: str, if_unknown: api.Floats | float = np.nan) -> api.Floats:
    """Return a numeric column as floats, ``if_unknown`` where it holds nothing."""
    values = frame[column].to_numpy(dtype=np.float64, na_value=np.nan)
    return np.where(np.isnan(values), if_unknown, values)


def years_since(cohort: api.Cohort, column: str, if_unknown: api.Floats | float) -> api.Floats:
    """Return the years since a date of the sites, ``if_unknown`` where it is not known, (S,)."""
    years = cohort.years_since(cohort.sites[column])
    return np.where(np.isnan(years), if_unknown, years)


def equals(frame: pd.DataFrame, column: str, *choices: str | bool) -> api.Bools:
    """Tell where a column is known to hold one of ``choices``; unknown is False."""
    return frame[column].isin(choices).to_numpy(dtype=bool)


def unknown(frame: pd.DataFrame, column: str) -> api.Bools:
    """Tell where a column holds nothing."""
    return frame[column].isna().to_numpy(dtype=bool)


def fragile(cohort: api.Cohort) -> api.Bools:
    """Tell per site (S,) whether the roof is known to break under a step."""
    return equals(cohort.sites, "roof_kind", FRAGILE)


def of_site(cohort: api.Cohort, per_site: npt.NDArray[Number]) -> npt.NDArray[Number]:
    """Spread a value per site (S,) over its arrays (A,)."""
    spread: npt.NDArray[Number] = per_site[cohort.arrays["site"].to_numpy(dtype=np.intp)]
    return spread


def at_any_array(cohort: api.Cohort, per_array: api.Bools) -> api.Bools:
    """Tell per site (S,) whether it holds for one of its arrays (A,)."""
    return cohort.sum_by_site(per_array) > 0


def exchanged(plant: api.Plant, where: api.Bools, **columns: npt.ArrayLike) -> api.Plant:
    """Return the plant with these columns per array exchanged ``where`` it holds (A,)."""
    return plant.replace(**{name: np.where(where, new, getattr(plant, name)) for name, new in columns.items()})


def module_count(cohort: api.Cohort, module_rating_kw: float) -> api.Floats:
    """Return modules per array (A,): counted, else rows x columns, else rating over ``module_rating_kw``."""
    count = counted_modules(cohort)
    by_rating = np.maximum(np.round(numbers(cohort.arrays, "dc_rating_kw") / module_rating_kw), 1.0)
    return np.where(np.isnan(count), by_rating, count)


def string_count(cohort: api.Cohort, string_rating_kw: float, string_modules: float = np.nan) -> api.Floats:
    """Return strings per array (A,): counted, else modules over ``string_modules``, else rating over its own."""
    by_modules = np.round(counted_modules(cohort) / string_modules)
    by_rating = np.ceil(numbers(cohort.arrays, "dc_rating_kw") / string_rating_kw)
    reckoned = np.where(np.isnan(by_modules), by_rating, by_modules)
    return numbers(cohort.arrays, "strings", np.maximum(reckoned, 1.0))


@of_facts
def counted_modules(cohort: api.Cohort) -> api.Floats:
    """Return modules per array (A,): counted, else rows x columns, else NaN."""
    arrays = cohort.arrays
    return numbers(arrays, "module_count", numbers(arrays, "module_rows") * numbers(arrays, "module_columns"))


@of_facts
def stands_on_ground(cohort: api.Cohort) -> api.Bools:
    """Tell per array (A,) whether it is known to stand on the ground."""
    ground = of_site(cohort, equals(cohort.sites, "roof_kind", GROUND)) & unknown(cohort.arrays, "mounting")
    return equals(cohort.arrays, "mounting", GROUND_FRAME) | ground


@of_facts
def on_ground(cohort: api.Cohort) -> api.Bools:
    """Tell per site (S,) whether no array needs a roof to be climbed. Unknown counts as a roof."""
    return ~at_any_array(cohort, ~stands_on_ground(cohort))


def years_of_effect(about: api.About, assume: api.Assumed) -> int:
    """Return for how many years a fade has to be given: the longest life that is assumed or usual."""
    return int(np.ceil(max(about.life.high, assume["life_years"])))


def mean_decay_by_year(days: api.Floats | float, years: int) -> api.Floats:
    """Return the mean of ``exp(-t / days)`` over year 1, 2, ..., (years,) or (S, years); ``days`` above 0."""
    tau = np.asarray(days, dtype=np.float64)[..., np.newaxis] / DAYS_PER_YEAR
    edges = np.exp(-np.arange(years + 1) / tau)
    mean: api.Floats = tau * (edges[..., :-1] - edges[..., 1:])
    return mean


def access(cohort: api.Cohort, to: str = "roof") -> tuple[api.CostLine, api.CostLine]:
    """Return one way up to the roof or its edge, or to the ground array, per site."""
    ground = on_ground(cohort).astype(np.float64)
    return (
        api.CostLine(api.ACCESS, to, 1.0 - ground, "visit"),
        api.CostLine(api.ACCESS, "ground", ground, "visit"),
    )


def notes_for(
    cohort: api.Cohort, notes: Mapping[str, api.Note], only: Mapping[str, api.Bools] | None = None
) -> api.Notes:
    """Return the notes per site: those of the way up and ``only`` where they hold, all others everywhere."""
    noted = api.Notes.of(cohort)
    for name, note in notes.items():
        where = (only or {}).get(name)
        if where is None and name in _WHERE:
            where = _WHERE[name](cohort)
        noted = noted.add(note, where)
    return noted


def _roof(cohort: api.Cohort) -> api.Bools:
    return ~on_ground(cohort)


def _may_break(cohort: api.Cohort) -> api.Bools:
    return _roof(cohort) & (fragile(cohort) | unknown(cohort.sites, "roof_kind"))


# Where a shared note holds; one that is not here holds everywhere.
_WHERE: Mapping[str, Callable[[api.Cohort], api.Bools]] = {
    "work_at_height": _roof,
    "weather_limits": _roof,
    "wet_glass_slippery": _roof,
    "fragile_roof": _may_break,
    "asbestos_sheets": _may_break,
    "ground_array": on_ground,
    "listed_building": lambda cohort: ~equals(cohort.sites, "listed_building", False),  # unknown counts as listed
}
