"""What several upgrades need: facts as numbers, the way up, and the notes that belong to work at the array."""

from __future__ import annotations

import numpy as np
import pandas as pd

from aftersun import api

HEIGHT = api.Note(
    "upgrade_height",
    api.DANGER,
    "A fall kills. Work at height only with edge protection or a platform; nobody stands on modules or a wet roof.",
    "people trained for work at height",
    "Directive 2001/45/EC; local rules come first",
)
LIVE = api.Note(
    "upgrade_live_dc",
    api.DANGER,
    "Daylight keeps cables and plugs live. Open no plug under load; switch off, lock and prove dead first.",
    "a licensed electrician",
    "IEC 60364-7-712; EN 50110-1; local codes come first",
)
GLASS = api.Note(
    "upgrade_broken_glass",
    api.CAUTION,
    "Look for broken glass and bare cables before water comes near; wash cold glass with soft tools and pure water.",
    "the crew on site",
    "common practice, no source",
)
MODULE = api.PriceItem(
    "module",
    api.MATERIAL,
    api.Range(190, 120, 320, "per kW", "common practice, no source; EUR of 2026", "modules with clamps"),
)
REACHES_ROOF = ("roof_kind",)  # columns that `access` and `fragile` look at


def numbers(frame: pd.DataFrame, column: str, if_unknown: float = np.nan) -> api.Floats:
    """Return a column as numbers."""
    return np.asarray(frame[column].to_numpy(dtype=np.float64, na_value=if_unknown))


def equals(frame: pd.DataFrame, column: str, *choices: str | bool) -> api.Bools:
    """Tell where a column is known to hold one of the choices."""
    return np.asarray(frame[column].isin(choices).fillna(False).to_numpy(dtype=bool))


def access(cohort: api.Cohort, where: api.Floats | float = 1.0) -> tuple[api.CostLine, ...]:
    """Return one way to the array, up to the roof or along the ground, ``where`` 1 and not where 0."""
    ground = equals(cohort.sites, "roof_kind", "ground")
    return (
        api.CostLine(api.ACCESS, "roof", np.where(ground, 0.0, where), "visit"),
        api.CostLine(api.ACCESS, "ground", np.where(ground, where, 0.0), "visit"),
    )


def at_sites(cohort: api.Cohort, per_site: api.Floats) -> api.Floats:
    """Return at each array (A,) what holds at its site (S,)."""
    return np.asarray(per_site[cohort.arrays["site"].to_numpy(dtype=np.intp)])


def at_any_array(cohort: api.Cohort, per_array: api.Bools) -> api.Bools:
    """Tell per site (S,) whether it holds at one of its arrays (A,)."""
    return np.asarray(cohort.sum_by_site(per_array.astype(np.float64)) > 0)


def years_of(about: api.About) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    """Return 1, 2, ... to the most years that the retrofit may last."""
    return np.arange(1, int(np.ceil(about.life.high)) + 1)
