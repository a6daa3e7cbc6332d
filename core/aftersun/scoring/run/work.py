"""The work on one chunk: plain data in, finished tables out, nothing else touched: any process may do it, anywhere."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from aftersun.host.asking import LIMIT_S, Failure, plugin_limit
from aftersun.host.registry import Registry, load_plugins
from aftersun.host.sources import Source, program_hash, read_sources, versions
from aftersun.host.stand_in import with_stand_ins
from aftersun.inventory.runs.stored_runs import RunRecord
from aftersun.model.weather import WeatherYear
from aftersun.money.company import Company
from aftersun.scoring.offers.chunk import Scored, score
from aftersun.scoring.offers.ranking_rule import ranked
from aftersun.scoring.offers.singles import failed_ranking
from aftersun.scoring.run.finished_chunks import ChunkResult, Failed
from aftersun.scoring.value.cohorts import Chunk, Weather, cohort_of, year_of

RANKING = "ranking"


@dataclass(frozen=True, eq=False)
class RunRequest:
    """What is the same for all chunks of a run, as data: no file of this machine is needed to fulfil it."""

    company: Company
    as_of: date
    ranges: bool = True
    plugins: tuple[Source, ...] = ()
    plugin_seconds: float = LIMIT_S  # that a plugin may take for one answer
    unusable: tuple[Failure, ...] | None = None  # plugins to leave out, None = as loading them shows

    @property
    def registry(self) -> Registry:
        """The plugins, loaded once a process."""
        with plugin_limit(self.plugin_seconds):
            return _registry(tuple(self.company.retrofits.off), self.plugins, self.unusable)

    @property
    def tried(self) -> RunRequest:
        """The same for other processes, which leave out what could not be loaded in this one."""
        return replace(self, unusable=self.registry.unusable)


@dataclass(frozen=True, eq=False)
class ChunkTask:
    """One chunk to compute, and which retrofits failed before."""

    number: int  # from 0
    chunk: Chunk
    weather: Weather
    request: RunRequest
    failed: Failed = field(default_factory=dict)


@lru_cache(maxsize=2)  # of what is asked for, and of what was tried
def _registry(off: tuple[str, ...], plugins: tuple[Source, ...], unusable: tuple[Failure, ...] | None) -> Registry:
    return load_plugins(off, plugins, unusable)


def forget_plugins() -> None:
    """Load plugins anew the next time, for installed ones may have changed."""
    _registry.cache_clear()


def stored_request(run: RunRecord) -> RunRequest:
    """Return what a stored run was asked for, its plugins loaded anew."""
    company = Company.model_validate_json(json.dumps(run.settings["company"]))
    folder = run.settings.get("plugin_folder")
    forget_plugins()
    plugins = read_sources(None if folder is None else Path(folder))
    return RunRequest(company, run.as_of, bool(run.settings.get("ranges", True)), plugins)


def compute(task: ChunkTask) -> ChunkResult:
    """Evaluate a chunk: the tables that are stored of it, as Parquet files in memory.

    A retrofit that failed before is as good as not there: only its rows that say so, and its safety notes, remain.
    """
    request, chunk = task.request, task.chunk
    registry = with_stand_ins(request.registry, task.failed)
    cohort = cohort_of(chunk, _year(task.weather), request.as_of, request.company)
    with plugin_limit(request.plugin_seconds):
        scored = score(cohort, chunk.fitted, registry, request.company, chunk.readings, request.ranges)
    failures = tuple(failure for failure in scored.failures if task.failed.get(failure.plugin, True))
    return ChunkResult(pack(scored, task.failed), failures)


def pack(scored: Scored, failed: Failed) -> dict[str, bytes]:
    """Return the tables of a chunk as Parquet, the ranking with the rank within each site."""
    frames = {**scored.frames, RANKING: ranked(with_failed(scored.frames[RANKING], failed))}
    packed = {}
    for table, frame in frames.items():
        rows = pa.Table.from_pandas(frame, preserve_index=False).replace_schema_metadata()  # pandas trips over lists
        sink = pa.BufferOutputStream()
        pq.write_table(rows, sink)
        packed[table] = sink.getvalue().to_pybytes()
    return packed


def with_failed(ranking: pd.DataFrame, failed: Failed) -> pd.DataFrame:
    """Return a ranking in which these retrofits have failed on every site."""
    lost = ranking[ranking["retrofit"].isin(failed)]
    parts = [ranking.drop(lost.index), failed_ranking(lost["site_id"], lost["retrofit"])]
    ranking = pd.concat(parts, ignore_index=True)
    return ranking if "npv" in ranking else ranking.assign(npv=float("nan"))


def versions_of(request: RunRequest) -> dict[str, str]:
    """Return what the results depend on besides the request: versions and hashes of program, plugins and libraries."""
    by_name = {**versions(), "code of aftersun": program_hash()}
    for loaded in request.registry.retrofits:
        by_name[f"plugin {loaded.id}"] = loaded.retrofit.about.version
        by_name[f"code of plugin {loaded.id}"] = loaded.code
    return by_name


@lru_cache(maxsize=4)
def _year(weather: Weather) -> WeatherYear:
    """Return the year, kept with its planes while a process works on chunks of the same weather."""
    return year_of(weather)
