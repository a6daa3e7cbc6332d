"""The work on one chunk: plain data in, finished tables out, nothing else touched: any process may do it, anywhere."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from aftersun.host import memory, watch
from aftersun.host.failure import Failure, remarks
from aftersun.host.memory import meter
from aftersun.host.registry import Registry, load_plugins
from aftersun.host.sources import Source, program_hash, versions
from aftersun.host.stand_in import with_stand_ins
from aftersun.host.workers import Retire
from aftersun.model.weather import WeatherYear
from aftersun.money.company import Company
from aftersun.scoring.offers.chunk import Scored, failed_ranking, score
from aftersun.scoring.run.spool import SAFETY, Packed, ranked
from aftersun.scoring.value import words
from aftersun.scoring.value.cohorts import Chunk, GridCell, StationYear, Weather, cohort_of, year_of

RANKING = "ranking"


@dataclass(frozen=True, eq=False)
class Order:
    """What is the same for all chunks of a run, as data: no file of this machine is needed to fulfil it."""

    company: Company
    as_of: date
    ranges: bool = True
    plugins: tuple[Source, ...] = ()
    plugin_seconds: float = watch.LIMIT_S  # that a plugin may take for one answer
    memory_mb: float = memory.LIMIT_MB  # that a process may grow by

    @property
    def registry(self) -> Registry:
        """The plugins, loaded once a process."""
        return _registry(tuple(self.company.retrofits.off), self.plugins)


@dataclass(frozen=True, eq=False)
class Job:
    """One chunk to compute, and which retrofits failed before: by id, whether they are asked for their safety notes."""

    number: int  # from 0
    chunks: int  # of the run
    chunk: Chunk
    weather: Weather
    order: Order
    broken: Mapping[str, bool] = field(default_factory=dict)


@lru_cache(maxsize=1)
def _registry(off: tuple[str, ...], plugins: tuple[Source, ...]) -> Registry:
    return load_plugins(off, plugins)


def forget_plugins() -> None:
    """Load plugins anew the next time, for installed ones may have changed."""
    _registry.cache_clear()


def compute(job: Job) -> Packed:
    """Evaluate a chunk: the tables that are stored of it, as Parquet files in memory.

    A retrofit that failed before is as good as not there: only its rows that say so, and its safety notes, remain.
    """
    order = job.order
    registry = with_stand_ins(order.registry, job.broken)
    remarks.take()  # of loading: told by the one who gave the order
    meter.begin()
    cohort = cohort_of(job.chunk, _year(job.weather), order.as_of, order.company)
    result = score(cohort, job.chunk.fitted, registry, order.company, job.chunk.readings, order.ranges)
    failures = tuple(one for one in result.failures if job.broken.get(one.plugin, True))
    packed = pack(result, failures, job.broken)
    broken = {**job.broken, **_as_if_not_there(result, registry, failures)}
    del cohort, result
    leak = meter.end(order.memory_mb)
    if leak is not None:
        remarks.add(leak[0], "all steps", leak[1])
    return Packed(packed, broken, failures, remarks.take(), leak is not None)


def compute_in_worker(job: Job) -> Packed:
    """Compute a chunk in a process that can be replaced when it has grown too much."""
    done = compute(job)
    if done.leaks:
        raise Retire(done)
    return done


def _as_if_not_there(result: Scored, registry: Registry, failures: tuple[Failure, ...]) -> dict[str, bool]:
    """Return those that failed before they left a trace: the chunk need not be computed again without them.

    They were valued on no site, so they are in no set of several; and they brought no fact to draw of their own.
    """
    ranking = result.frames[RANKING]
    valued = set(ranking.loc[ranking["status"] != words.FAILED, "retrofit"])
    facts = {one.id: set(one.retrofit.facts) for one in registry.retrofits}
    failed = {one.plugin for one in failures}
    known = set().union(*(found for name, found in facts.items() if name not in failed))
    return {
        one.plugin: one.during != SAFETY
        for one in failures
        if one.plugin not in valued and facts.get(one.plugin, set()) <= known
    }


def pack(result: Scored, failures: tuple[Failure, ...], broken: Mapping[str, bool]) -> dict[str, bytes]:
    """Return the tables of a chunk as Parquet, the ranking with the rank within each site."""
    frames = dict(result.frames)
    gone = {*broken, *(one.plugin for one in failures)}
    frames[RANKING] = ranked(without(frames[RANKING], gone))
    packed = {}
    for table, frame in frames.items():
        rows = pa.Table.from_pandas(frame, preserve_index=False).replace_schema_metadata()  # pandas trips over lists
        sink = pa.BufferOutputStream()
        pq.write_table(rows, sink)
        packed[table] = sink.getvalue().to_pybytes()
    return packed


def without(ranking: pd.DataFrame, broken: set[str]) -> pd.DataFrame:
    """Return a ranking in which these retrofits have failed on every site."""
    lost = ranking["retrofit"].isin(broken)
    parts = [ranking[~lost]]
    for name, rows in ranking[lost].groupby("retrofit"):
        parts.append(failed_ranking(pd.Index(rows["site_id"]), str(name)))
    ranking = pd.concat(parts, ignore_index=True)
    return ranking if "npv" in ranking else ranking.assign(npv=float("nan"))


def versions_of(order: Order) -> dict[str, str]:
    """Return what the results depend on besides the order: versions and hashes of program, plugins and libraries."""
    registry = order.registry
    found = {**versions(), "code of aftersun": program_hash()}
    for loaded in registry.retrofits:
        found[f"plugin {loaded.id}"] = loaded.retrofit.about.version
        found[f"code of plugin {loaded.id}"] = loaded.code
    return found


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
