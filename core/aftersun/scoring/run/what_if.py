"""What if: the run again with other prices, assumptions or facts, beside the stored one. Nothing is stored."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import pandas as pd
from pydantic import ValidationError

from aftersun.host.asking import Failure
from aftersun.inventory.runs.stored_runs import RunRecord
from aftersun.inventory.store import rules
from aftersun.inventory.store.dictionary import columns
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.private import scratch
from aftersun.model.codes import OFFERED, Status
from aftersun.model.errors import AftersunError
from aftersun.model.price_times import PRICES
from aftersun.money.company import Company
from aftersun.money.complaints import complaints
from aftersun.scoring.run.catalogue import check_names
from aftersun.scoring.run.engine import Progress, engine_for, work_off
from aftersun.scoring.run.finished_chunks import FinishedChunks
from aftersun.scoring.run.work import stored_request
from aftersun.scoring.value.cohorts import Chunk, Portfolio, read_portfolio

FACT_TABLES = ("site", "tariff", "array")  # their columns can be supposed
_PERIODS = "tariff_period"  # so can those of a period, by its name
_NOTE = ["note_id", "severity", "text", "who"]
_COMPARED = ["status", "npv", "npv_p90", "chance_npv_positive", "upfront", "first_year_saving", "energy_gain_kwh"]


@dataclass(frozen=True)
class Changes:
    """What is to be different: settings of the company file by their place, and facts by table and column."""

    settings: Mapping[tuple[str, ...], Any] = field(default_factory=dict)
    facts: Mapping[tuple[str, str], Any] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Comparison:
    """One row a site and retrofit that was valued before or is now: each measure as ``_stored`` and ``_supposed``."""

    rows: pd.DataFrame
    notes: pd.DataFrame  # safety notes of one site, or of what would be offered or is a safety matter, each once
    failures: tuple[Failure, ...]

    def offered(self, which: str) -> dict[str, tuple[int, float]]:
        """Return by retrofit how many sites are offered it and what they come to; ``which`` = stored or supposed."""
        sold = self.rows[self.rows[f"status_{which}"].isin(OFFERED)]
        offered = {str(name): (0, 0.0) for name in self.rows["retrofit"].unique()}
        sums = {str(name): (len(group), float(group[f"npv_{which}"].sum())) for name, group in sold.groupby("retrofit")}
        return offered | sums

    def turned(self) -> pd.DataFrame:
        """Return the rows that are offered in one case only, the greatest difference first."""
        rows = self.rows[self.rows["status_stored"].isin(OFFERED) != self.rows["status_supposed"].isin(OFFERED)]
        apart = (rows["npv_supposed"].fillna(0) - rows["npv_stored"].fillna(0)).abs()
        return rows.loc[apart.sort_values(ascending=False, kind="stable").index].reset_index(drop=True)


def parse_changes(changes: Sequence[str], retrofits: Sequence[str]) -> Changes:
    """Read changes written as ``place=value``.

    A place is ``site.COLUMN``, ``tariff.COLUMN`` or ``array.COLUMN``, ``tariff_period.PERIOD.COLUMN``,
    ``RETROFIT.ASSUMPTION``, or a line of the company file by its sections, such as ``money.real_discount_rate`` or
    ``materials.bird_mesh``. A price of ``tariff`` holds in every hour.

    Raises
    ------
    AftersunError
        If one cannot be read; the text says how to write it.
    """
    settings: dict[tuple[str, ...], Any] = {}
    facts: dict[tuple[str, str], Any] = {}
    for change in changes:
        place, equals, value = change.partition("=")
        parts = tuple(part.strip() for part in place.split("."))
        if not equals or len(parts) < 2 or not all(parts) or not value.strip():
            raise AftersunError(
                f"'{change}' is not a change.",
                "Write place=value, for example site.birds_seen=yes, tariff.export_price=0.12, "
                "bird_mesh.life_years=10, money.real_discount_rate=0.05, materials.bird_mesh=5.",
            )
        if parts[0] == _PERIODS and len(parts) > 2:
            facts[".".join(parts[:-1]), parts[-1]] = _fact((_PERIODS, parts[-1]), value.strip())
        elif parts[0] in FACT_TABLES:
            facts[parts[0], parts[1]] = _fact(parts, value.strip())
        elif parts[0] in retrofits:
            settings["assumptions", *parts] = {"value": _number(change, value), "who": "", "why": "supposed"}
        elif parts[0] in ("facts", "system", "assumptions"):
            settings[parts] = {"value": _number(change, value), "who": "", "why": "supposed"}
        else:
            settings[parts] = _number(change, value)
    return Changes(settings, facts)


def run_with_changes(
    portfolio: Portfolio,
    run: RunRecord,
    before: pd.DataFrame,
    changes: Sequence[str],
    progress: Progress = lambda _done, _total: None,
    workers: int = 1,
) -> Comparison:
    """Value all sites, or one, as the run did but for the changes, and set both side by side.

    It is computed as a run is, in ``workers`` processes where there is much to do. ``portfolio`` holds these sites as
    read for the day of the run; ``before`` is what the run stored of them in the table ``ranking``.

    Raises
    ------
    AftersunError
        If a change cannot be understood or cannot be, or no site can be valued.
    """
    request = stored_request(run)
    registry = request.registry
    parsed = parse_changes(changes, [loaded.id for loaded in registry.retrofits])
    company = _company(run.settings["company"], parsed.settings)
    check_names(registry, company)
    if not portfolio.chunks:
        raise AftersunError(
            "No site can be valued.", "Check the site's number, its arrays and its tariff; 'aftersun inventory check'."
        )
    _check_periods(portfolio, parsed.facts)
    portfolio = replace(portfolio, chunks=tuple(_chunk(chunk, parsed.facts) for chunk in portfolio.chunks))
    request = replace(request, company=company)
    with scratch() as folder:
        finished = FinishedChunks(folder, len(portfolio.chunks), only=("ranking", "safety_note"))
        with engine_for(len(portfolio.chunks), registry, request, workers, None) as engine:
            work_off(engine, portfolio, request, finished, progress)
        rows = _side_by_side(before, finished.whole("ranking"))
        advised = (*OFFERED, Status.SAFETY_REMEDIAL)
        shown = rows[rows["status_supposed"].isin(advised)] if portfolio.sites > 1 else rows
        parts = [pd.DataFrame(columns=_NOTE), *(_notes_of(shown, part) for part in finished.parts("safety_note"))]
        notes = pd.concat(parts).drop_duplicates(ignore_index=True)
        failures = (*registry.failures, *finished.failures)
    return Comparison(rows, notes, failures)


def suppose(
    inventory: Inventory,
    run: RunRecord,
    before: pd.DataFrame,
    changes: Sequence[str],
    site_id: str | None = None,
    progress: Progress = lambda _done, _total: None,
    workers: int = 1,
) -> Comparison:
    """Do what :func:`run_with_changes` does with the sites of an inventory, which stays open meanwhile."""
    return run_with_changes(
        read_portfolio(inventory, run.as_of, site_id=site_id), run, before, changes, progress, workers
    )


def _notes_of(shown: pd.DataFrame, notes: pd.DataFrame) -> pd.DataFrame:
    """Return the safety notes of what is shown, each once."""
    pairs = shown[["site_id", "retrofit"]].drop_duplicates()
    mine = notes.astype({"site_id": "str", "retrofit": "str"}).merge(pairs, on=["site_id", "retrofit"])
    return mine[_NOTE].drop_duplicates()


def _side_by_side(before: pd.DataFrame, after: pd.DataFrame) -> pd.DataFrame:
    keys = ["site_id", "retrofit"]
    both = before.reindex(columns=keys + _COMPARED).merge(
        after.reindex(columns=keys + _COMPARED), on=keys, how="outer", suffixes=("_stored", "_supposed")
    )
    valued = both["npv_stored"].notna() | both["npv_supposed"].notna()
    return both[valued].sort_values(keys, ignore_index=True)


def _company(stored: Mapping[str, Any], settings: Mapping[tuple[str, ...], Any]) -> Company:
    raw = json.loads(json.dumps(stored))
    for place, value in settings.items():
        section = raw
        for name in place[:-1]:
            if not isinstance(section.get(name), dict):
                if place[0] != "assumptions":
                    raise _no_such_place(place)
                section[name] = {}
            section = section[name]
        if place[0] not in ("assumptions", "facts", "system") and place[-1] not in section:
            raise _no_such_place(place)
        section[place[-1]] = value
    try:
        return Company.model_validate_json(json.dumps(raw))
    except ValidationError as error:
        raise AftersunError("The company file cannot be like that.", "\n".join(complaints(error, Company))) from error


def _no_such_place(place: Sequence[str]) -> AftersunError:
    return AftersunError(
        f"The company file has no line '{'.'.join(place)}'.",
        "Write its sections and the line with dots between, for example materials.bird_mesh or travel.cost_per_km; an "
        "assumption as RETROFIT.NAME.",
    )


def _chunk(chunk: Chunk, facts: Mapping[tuple[str, str], Any]) -> Chunk:
    """Return the chunk as if all its sites, tariffs and arrays had these facts."""
    sites, arrays, prices = chunk.sites, chunk.arrays, chunk.prices
    for (table, name), value in facts.items():
        if table.startswith(_PERIODS):
            named = prices.periods["period"] == table.partition(".")[2] if len(prices.periods) else None
            if named is not None:
                column = prices.periods[name].mask(named, value)
                prices = replace(prices, periods=prices.periods.assign(**{name: column}))
            continue
        if table == "tariff":
            prices = prices.without(name)
        if table == "array":
            arrays = arrays.assign(**{name: pd.Series(value, arrays.index).astype(arrays[name].dtype)})
        else:
            sites = sites.assign(**{name: pd.Series(value, sites.index).astype(sites[name].dtype)})
    return replace(chunk, sites=sites, arrays=arrays, prices=prices)


def _check_periods(portfolio: Portfolio, facts: Mapping[tuple[str, str], Any]) -> None:
    """Refuse a period that no tariff has."""
    frames = [chunk.prices.periods for chunk in portfolio.chunks if len(chunk.prices.periods)]
    known = sorted({str(name) for frame in frames for name in frame["period"]})
    for table, _ in facts:
        name = table.partition(".")[2]
        if table.startswith(_PERIODS) and name not in known:
            there = f"There are: {', '.join(known)}." if known else "No tariff has rows in table tariff_period."
            raise AftersunError(f"No tariff in force has a period '{name}'.", there)


def _fact(parts: Sequence[str], text: str) -> Any:
    """Return the value of a fact as a loaded table would have it."""
    known = {column.name: column for column in columns(parts[0]) if not column.key and not column.personal}
    column = known.get(parts[1]) if len(parts) == 2 else None
    if parts[0] == _PERIODS and column is not None and column.name not in PRICES:
        column = None
    if column is None or column.name in ("customer_id", "site_id", "tariff_id"):
        raise AftersunError(
            f"There is no fact '{'.'.join(parts)}' that could be supposed.",
            f"The columns of table {parts[0]} are: {', '.join(PRICES if parts[0] == _PERIODS else known)}.",
        )
    values, problems = rules.parse(column, rules.clean(column, pd.Series([text], dtype="str"), decimal_comma=False))
    for problem in rules.gather(problems).to_dict("records"):
        raise AftersunError(f"{'.'.join(parts)}: {problem['reason']}.", str(problem["what_to_do"]))
    return values.iloc[0]


def _number(change: str, value: str) -> float:
    try:
        return float(value)
    except ValueError:
        raise AftersunError(
            f"'{change}' needs a number after the equals sign.", "Write it with a decimal point."
        ) from None
