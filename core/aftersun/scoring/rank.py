"""One run: every retrofit on every site, ranked per site, with the call list, stored in one transaction."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime
from functools import lru_cache
from importlib.metadata import version
from multiprocessing import get_context
from pathlib import Path

import pandas as pd

from aftersun.energy.assumptions import system_values
from aftersun.host.assumed import assumed
from aftersun.host.registry import Failure, Registry, find_plugins
from aftersun.inventory import runs
from aftersun.inventory.store import Inventory
from aftersun.model.errors import AftersunError
from aftersun.model.weather import Station, WeatherYear
from aftersun.money.company import Company, load_company
from aftersun.scoring import words
from aftersun.scoring.calls import call_list
from aftersun.scoring.cohorts import Chunk, Portfolio, cohort_of, read_portfolio, year_of
from aftersun.scoring.single import Scored, failed_ranking, score

Progress = Callable[[int, int], None]

_PARALLEL_FROM_CHUNKS = 4  # below that, starting processes costs more than they save


@dataclass(frozen=True)
class Settings:
    """What a run is made with; sent to every worker. ``off`` adds to what the company file switches off."""

    company_file: Path
    as_of: date
    plugin_folder: Path | None = None
    workers: int = 1


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
    _check_overrides(registry, company)
    with Inventory.open(inventory_file, read_only=True) as inventory:
        portfolio = read_portfolio(inventory, settings.as_of)
    if not portfolio.chunks:
        raise AftersunError(
            "No site of the inventory can be valued.",
            "Load sites, their arrays and a tariff in force, then rank again; nothing was changed.",
        )
    results = []
    done = 0
    for chunk, result in _scored(portfolio, settings):
        results.append(result)
        done += len(chunk.sites)
        progress(done, portfolio.sites)
    failures = _merge_failures(registry, results)
    frames = _merge(results, failures)
    frames["ranking"] = ranked(frames["ranking"])
    places = portfolio.places.reset_index(names="site_id")[["site_id", "station_id", "distance_km", "remark"]]
    frames["site_energy"] = frames["site_energy"].merge(places, on="site_id", how="left")
    frames["call"] = call_list(frames["ranking"], portfolio.owners, portfolio.customers, portfolio.left_out)
    frames.update(_catalogue(registry, company))
    record = runs.RunRecord(
        run_id=started.strftime("%Y%m%dT%H%M%S%fZ"),
        started_at=started,
        finished_at=datetime.now(UTC),
        program_version=version("aftersun"),
        plugin_versions=registry.versions(),
        input_hashes=_hashes(settings, portfolio),
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
    with Inventory.open(inventory_file) as inventory:
        runs.write_run(inventory, record, frames)
    return record


def score_chunk(chunk: Chunk, weather: tuple[Station, pd.DataFrame], settings: Settings) -> Scored:
    """Evaluate one chunk. Takes plain data, returns rows, touches nothing else, so any process may run it."""
    company = load_company(settings.company_file)
    registry = find_plugins(company.retrofits.off, settings.plugin_folder)
    cohort = cohort_of(chunk, _year(_Weather(weather)), settings.as_of, company)
    return score(cohort, chunk.fitted, registry, company)


def ranked(ranking: pd.DataFrame) -> pd.DataFrame:
    """Give each evaluated retrofit its rank within the site by net present value; the rest have none."""
    order = ranking.sort_values(
        ["site_id", "npv", "retrofit"], ascending=[True, False, True], kind="stable", na_position="last"
    )
    place = order.groupby("site_id", sort=False).cumcount() + 1
    position = place.where(order["npv"].notna())
    return order.assign(rank=position.astype("Int64")).reset_index(drop=True)


class _Weather:
    """A station's year as a cache key: the same file content is the same year."""

    def __init__(self, weather: tuple[Station, pd.DataFrame]) -> None:
        self.weather = weather
        self._key = (weather[0].station_id, weather[0].sha256)

    def __hash__(self) -> int:
        return hash(self._key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Weather) and self._key == other._key


@lru_cache(maxsize=4)
def _year(weather: _Weather) -> WeatherYear:
    return year_of(weather.weather)


def _scored(portfolio: Portfolio, settings: Settings) -> Iterator[tuple[Chunk, Scored]]:
    """Yield the chunks in order with their results, from this process or from workers."""
    chunks = portfolio.chunks
    inputs = [portfolio.weather[chunk.station_id] for chunk in chunks]
    if settings.workers <= 1 or len(chunks) < _PARALLEL_FROM_CHUNKS:
        for chunk, weather in zip(chunks, inputs, strict=True):
            yield chunk, score_chunk(chunk, weather, settings)
        return
    # "spawn" starts clean processes on every system; a forked one would inherit locks and open files.
    with ProcessPoolExecutor(settings.workers, mp_context=get_context("spawn")) as pool:
        results = pool.map(score_chunk, chunks, inputs, [settings] * len(chunks))
        yield from zip(chunks, results, strict=True)


def _merge_failures(registry: Registry, results: Sequence[Scored]) -> list[Failure]:
    """Return what failed anywhere, each failure once."""
    found = [*registry.failures, *(failure for result in results for failure in result.failures)]
    return list(dict.fromkeys(found))


def _merge(results: Sequence[Scored], failures: Sequence[Failure]) -> dict[str, pd.DataFrame]:
    """Put the chunks together. A retrofit that failed in one chunk failed in the run: none of its results count."""
    broken = {failure.plugin for failure in failures}
    frames = {}
    for table in results[0].frames:
        frame = pd.concat([result.frames[table] for result in results if table in result.frames], ignore_index=True)
        if table == "ranking":
            parts = [frame[~frame["retrofit"].isin(broken)]]
            for name in sorted(broken & set(frame["retrofit"])):
                parts.append(failed_ranking(pd.Index(frame.loc[frame["retrofit"] == name, "site_id"]), name))
            frame = pd.concat(parts, ignore_index=True)
        elif "retrofit" in frame and table != "safety_note":
            frame = frame[~frame["retrofit"].isin(broken)].reset_index(drop=True)
        frames[table] = frame
    return frames


def _check_overrides(registry: Registry, company: Company) -> None:
    """Refuse overrides of things nobody assumes, before anything is computed."""
    known = {loaded.id: loaded.retrofit for loaded in registry.retrofits}
    for name in company.assumptions:
        if name not in known and name not in registry.off:
            raise AftersunError(
                f"The company file overrides assumptions of '{name}', which is not installed.",
                f"Installed: {', '.join(sorted(known))}.",
            )
    for name, retrofit in known.items():
        assumed(retrofit, company.overrides(name), company.priors)
    system_values(company.system_overrides)


def _hashes(settings: Settings, portfolio: Portfolio) -> dict[str, str]:
    """Return what the run was made from: company file, tables and weather years, by SHA-256."""
    hashes = {"company_file": hashlib.sha256(settings.company_file.read_bytes()).hexdigest()}
    hashes.update({f"weather {name}": station.sha256 for name, (station, _) in sorted(portfolio.weather.items())})
    for table in ("sites", "arrays", "fitted"):
        digest = hashlib.sha256()
        for chunk in portfolio.chunks:
            digest.update(pd.util.hash_pandas_object(getattr(chunk, table)).to_numpy().tobytes())
        hashes[table] = digest.hexdigest()
    return hashes


def _catalogue(registry: Registry, company: Company) -> dict[str, pd.DataFrame]:
    """Return what the run's retrofits are, assume and are claimed to do, so that a stored run explains itself."""
    retrofits: list[dict[str, object]] = []
    assumptions: list[dict[str, object]] = []
    claims: list[dict[str, object]] = []
    for loaded in registry.retrofits:
        about = loaded.retrofit.about
        retrofits.append(
            {
                "retrofit": about.id,
                "title": about.title,
                "summary": about.summary,
                "version": about.version,
                "origin": loaded.origin,
                "life_years": about.life.mode,
                "sources": "; ".join(about.sources),
            }
        )
        overrides = company.assumptions.get(about.id, {})
        for name, given in loaded.retrofit.assumptions.items():
            override = overrides.get(name)
            assumptions.append(
                {
                    "retrofit": about.id,
                    "name": name,
                    "used": override.value if override else given.mode,
                    "low": given.low,
                    "mode": given.mode,
                    "high": given.high,
                    "unit": given.unit,
                    "source": given.source,
                    "meaning": given.meaning,
                    "overridden": words.join(f"by {override.who}" if override.who else "by the company", override.why)
                    if override
                    else "",
                }
            )
        claims.extend({"retrofit": about.id, "text": c.text, "source": c.source} for c in loaded.retrofit.claims)
    return {
        "run_retrofit": pd.DataFrame(retrofits),
        "run_assumption": pd.DataFrame(assumptions),
        "run_claim": pd.DataFrame(claims),
    }
