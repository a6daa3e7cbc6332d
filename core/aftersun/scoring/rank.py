"""One run: every retrofit on every site, ranked per site, with the call list, stored in one transaction."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime
from functools import lru_cache
from importlib.metadata import version
from multiprocessing import get_context
from pathlib import Path

import pandas as pd

from aftersun.host.registry import Failure, Registry, find_plugins
from aftersun.inventory import runs
from aftersun.inventory.store import Inventory
from aftersun.model.errors import AftersunError
from aftersun.model.weather import WeatherYear
from aftersun.money.company import Company, load_company
from aftersun.scoring.acceptance import Beta, chance_of_yes
from aftersun.scoring.calls import contact_rule, exclusions
from aftersun.scoring.catalogue import catalogue, check_names, hashes
from aftersun.scoring.cohorts import (
    Chunk,
    GridCell,
    Portfolio,
    StationYear,
    Weather,
    cohort_of,
    read_portfolio,
    year_of,
)
from aftersun.scoring.month import Plan, plan_month
from aftersun.scoring.single import Scored, score
from aftersun.scoring.spool import Spool

Progress = Callable[[int, int], None]

_PARALLEL_FROM_CHUNKS = 3  # below that, starting processes costs more than they save


@dataclass(frozen=True)
class Settings:
    """What a run is made with; sent to every worker. ``off`` adds to what the company file switches off."""

    company_file: Path
    as_of: date
    plugin_folder: Path | None = None
    workers: int = 1
    ranges: bool = True


def rank(inventory_file: Path, settings: Settings, progress: Progress = lambda _done, _total: None) -> runs.RunRecord:
    """Evaluate and store a run; the inventory is held only while it is read and while the result is written.

    Raises
    ------
    AftersunError
        If the company file, the inventory or its weather cannot be used, or no site can be valued.
    """
    started = datetime.now(UTC)
    company = load_company(settings.company_file)
    registry = find_plugins(company.retrofits.off, settings.plugin_folder)
    check_names(registry, company)
    with Inventory.open(inventory_file, read_only=True) as inventory:
        portfolio = read_portfolio(inventory, settings.as_of)
    if not portfolio.chunks:
        raise AftersunError(
            "No site of the inventory can be valued.",
            "Load sites, their arrays and a tariff in force, then rank again; nothing was changed.",
        )
    if not registry.retrofits:
        raise AftersunError(
            "There is no retrofit to evaluate.",
            "Switch one on in the company file, or install a plugin; 'aftersun retrofits' lists them.",
        )
    with Spool() as spool:
        done = 0
        for chunk, result in _scored(portfolio, settings):
            spool.add(result)
            done += len(chunk.sites)
            progress(done, portfolio.sites)
        record = _record(started, settings, company, registry, portfolio, [*registry.failures, *spool.failures])
        with Inventory.open(inventory_file) as inventory:
            runs.write_run(inventory, record, _tables(spool, portfolio, registry, company))
    return record


def _tables(spool: Spool, portfolio: Portfolio, registry: Registry, company: Company) -> dict[str, runs.Rows]:
    """Return all that is stored of a run by table: what is large as files, one a chunk."""
    broken = {failure.plugin for failure in spool.failures}
    places = portfolio.places.rename(columns={"weather_id": "station_id", "basis": "weather_basis"})
    places = places.drop(columns=["cell_latitude", "cell_longitude"])
    files = spool.tables(broken)
    plan = _plan(spool, portfolio, company, broken)
    energy = spool.whole("site_energy").join(places, on="site_id")
    return {
        **catalogue(registry, company),
        **files,
        "site_energy": energy,
        "call": plan.calls,
        "run_capacity": plan.capacities,
        "run_plan": plan.outcome,
        "run_value": spool.value_range(broken),
    }


def _plan(spool: Spool, portfolio: Portfolio, company: Company, broken: Collection[str]) -> Plan:
    """Choose the calls of the month: contact rules first, then what the crews can do."""
    calls = company.calls
    rules = contact_rule(portfolio.customers, portfolio.log, portfolio.as_of, int(calls.quiet_days))
    prior = Beta(calls.yes_prior, calls.no_prior)
    chances = chance_of_yes(portfolio.log, prior=prior)
    told = spool.candidates(broken)
    keys = zip(told["site_id"].astype(str), told["retrofit"].astype(str), strict=True)
    return plan_month(
        spool.whole("offer"),
        spool.whole("offer_hours"),
        dict(zip(keys, told["reason"].astype(str), strict=True)),
        pd.concat([chunk.sites[["latitude", "longitude"]] for chunk in portfolio.chunks]),
        portfolio.owners,
        exclusions(portfolio.owners, rules, portfolio.left_out),
        company,
        dict(zip(chances.index.astype(str), chances["chance"], strict=True)),
    )


def _record(
    started: datetime,
    settings: Settings,
    company: Company,
    registry: Registry,
    portfolio: Portfolio,
    failures: Sequence[Failure],
) -> runs.RunRecord:
    return runs.RunRecord(
        run_id=started.strftime("%Y%m%dT%H%M%S%fZ"),
        started_at=started,
        finished_at=datetime.now(UTC),
        program_version=version("aftersun"),
        plugin_versions=registry.versions(),
        input_hashes=hashes(settings.company_file, portfolio),
        settings={
            "company_file": str(settings.company_file),
            "plugin_folder": None if settings.plugin_folder is None else str(settings.plugin_folder),
            "company": company.model_dump(mode="json", by_alias=True),
        },
        seed=0,
        as_of=settings.as_of,
        sites=portfolio.sites,
        failures=[asdict(failure) for failure in failures],
    )


def score_chunk(chunk: Chunk, weather: Weather, settings: Settings) -> Scored:
    """Evaluate one chunk. Takes plain data, returns rows, touches nothing else, so any process may run it."""
    company = load_company(settings.company_file)
    registry = find_plugins(company.retrofits.off, settings.plugin_folder)
    cohort = cohort_of(chunk, _year(weather), settings.as_of, company)
    return score(cohort, chunk.fitted, registry, company, chunk.readings, settings.ranges)


@lru_cache(maxsize=4)
def _cell_year(cell: GridCell) -> WeatherYear:
    return year_of(cell)


class _StationKey:
    """A station's year as a cache key: the same file content is the same year."""

    def __init__(self, weather: StationYear) -> None:
        self.weather = weather
        self._key = (weather.station.station_id, weather.sha256)

    def __hash__(self) -> int:
        return hash(self._key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _StationKey) and self._key == other._key


@lru_cache(maxsize=4)
def _station_year(key: _StationKey) -> WeatherYear:
    return year_of(key.weather)


def _year(weather: Weather) -> WeatherYear:
    """Return the year, kept with its planes while a process works on chunks of the same weather."""
    return _cell_year(weather) if isinstance(weather, GridCell) else _station_year(_StationKey(weather))


def _scored(portfolio: Portfolio, settings: Settings) -> Iterator[tuple[Chunk, Scored]]:
    """Yield the chunks in order with their results, from this process or from workers."""
    chunks = portfolio.chunks
    inputs = [portfolio.weather[chunk.weather_id] for chunk in chunks]
    if settings.workers <= 1 or len(chunks) < _PARALLEL_FROM_CHUNKS:
        for chunk, weather in zip(chunks, inputs, strict=True):
            yield chunk, score_chunk(chunk, weather, settings)
        return
    # "spawn" starts clean processes on every system; a forked one would inherit locks and open files.
    with ProcessPoolExecutor(settings.workers, mp_context=get_context("spawn")) as pool:
        results = pool.map(score_chunk, chunks, inputs, [settings] * len(chunks))
        yield from zip(chunks, results, strict=True)
