"""One run: every retrofit on every site, ranked per site, with the call list, stored in one transaction."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, datetime
from importlib.metadata import version
from pathlib import Path
from statistics import median

import duckdb
import pandas as pd

from aftersun.host.asking import LIMIT_S, Failure
from aftersun.host.registry import Registry
from aftersun.host.sources import program_hash, read_sources, versions
from aftersun.inventory.runs import stored_runs
from aftersun.inventory.store.file import Inventory, is_still
from aftersun.model import tables
from aftersun.model.codes import Obstacle
from aftersun.model.errors import AftersunError
from aftersun.money.company import Company, load_company
from aftersun.scoring.calls.acceptance import chance_of_offers
from aftersun.scoring.calls.contact_rules import contact_rule, exclusions
from aftersun.scoring.calls.month import plan_month
from aftersun.scoring.calls.urgency import urgency
from aftersun.scoring.offers.chunk import VALUE_DRAW
from aftersun.scoring.offers.singles import known_dangers
from aftersun.scoring.ranges.draws import portfolio_range
from aftersun.scoring.run.catalogue import catalogue, check_names, chunk_hashes, hashes
from aftersun.scoring.run.engine import Progress, engine_for, work_off
from aftersun.scoring.run.finished_chunks import FinishedChunks
from aftersun.scoring.run.run_folder import RunFolder, Stopped, digest, held_run_folder
from aftersun.scoring.run.work import RunRequest, forget_plugins, versions_of
from aftersun.scoring.value.cohorts import CHUNK_SITES, Portfolio, cohort_of, left_out_chunk, read_portfolio, year_of

Say = Callable[[str], None]

_NOTE = ["site_id", "retrofit", "note_id", "severity", "text", "who", "tell_owner"]
_GO_ON = "What is finished is kept; rank again to go on."


@dataclass(frozen=True)
class Settings:
    """What a run is made with, and who computes it. What the second half says changes no result."""

    company_file: Path
    as_of: date
    plugin_folder: Path | None = None
    workers: int = 1
    ranges: bool = True
    # the second half
    scheduler: str | None = None  # address of a Dask scheduler; None = this machine
    afresh: bool = False  # throw away what a run that was stopped has left
    chunk_sites: int = CHUNK_SITES
    plugin_seconds: float = LIMIT_S  # that a plugin may take for one answer


def rank(
    inventory_file: Path,
    settings: Settings,
    progress: Progress = lambda _done, _total: None,
    say: Say = lambda _text: None,
) -> stored_runs.RunRecord:
    """Evaluate and store a run; the inventory is held only while it is read and while the result is written.

    Chunks that a run of the same was stopped at are taken over; ``say`` is told so.

    Raises
    ------
    AftersunError
        If the company file, the inventory or its weather cannot be used, no site can be valued, another process ranks
        this inventory, or the run is interrupted by Ctrl-C.
    """
    started = datetime.now(UTC)
    finished, chunks = None, 0
    try:
        request = _request(settings)
        check_names(request.registry, request.company)
        # brought up to date, and there at all, before anything is put beside it
        Inventory.open(inventory_file, read_only=True).close()
        # held, so that the file system gives its number to no other file meanwhile
        with Path(inventory_file).open("rb") as file_read, held_run_folder(inventory_file) as folder:
            with Inventory.open(inventory_file, read_only=True) as inventory:
                portfolio = read_portfolio(inventory, settings.as_of, chunk_sites=settings.chunk_sites)
            _check_there_is_work(portfolio, request.registry)
            finished, chunks = _finished_chunks(folder, request, portfolio, settings, say), len(portfolio.chunks)
            left_out = _dangers_left_out(portfolio, request)
            with engine_for(chunks, request.registry, request, settings.workers, settings.scheduler) as engine:
                work_off(engine, portfolio, request, finished, progress, _GO_ON)
            record = _record(started, settings, request, portfolio, finished.failures)
            rows = _tables(finished, portfolio, request, left_out, folder.path)
            with Inventory.open(inventory_file, may_use=[folder.path]) as inventory:
                if not is_still(file_read, inventory_file):
                    raise AftersunError(
                        f"The inventory {inventory_file} was replaced while it was ranked (say, restored or pruned).",
                        "Rank again; nothing was stored.",
                    )
                stored_runs.write_run(inventory, record, rows)
            folder.clear()
    except (KeyboardInterrupt, duckdb.InterruptException):
        raise Stopped(chunks - len(finished.todo()) if finished else 0, chunks) from None
    return record


def company_figures(company_file: Path) -> dict[str, float]:
    """Return what loading asks of a company file: base_latitude, base_longitude in degrees, hour_price if it has any.

    Raises AftersunError if it cannot be used.
    """
    known = load_company(company_file)
    base = {"base_latitude": known.travel.base_latitude, "base_longitude": known.travel.base_longitude}
    hours = [cost for cost in known.work.values() if cost > 0]
    return {**base, "hour_price": median(hours)} if hours else base


def _request(settings: Settings) -> RunRequest:
    """Return what is asked for, its plugins loaded anew."""
    company, plugins = load_company(settings.company_file), read_sources(settings.plugin_folder)
    forget_plugins()
    return RunRequest(company, settings.as_of, settings.ranges, plugins, settings.plugin_seconds)


def _check_there_is_work(portfolio: Portfolio, registry: Registry) -> None:
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


def _finished_chunks(
    folder: RunFolder, request: RunRequest, portfolio: Portfolio, settings: Settings, say: Say
) -> FinishedChunks:
    """Return the chunks that are there from a run of the very same, and say so."""
    made_from = {
        **chunk_hashes(portfolio),
        **versions_of(request),
        "company file": digest(request.company.model_dump(mode="json", by_alias=True)),
        "day": str(request.as_of),
        "ranges": str(request.ranges),
        "sites a chunk": str(settings.chunk_sites),
        "retrofits": digest([loaded.id for loaded in request.registry.retrofits]),
    }
    chunks = len(portfolio.chunks)
    finished, changed = folder.finished_chunks(made_from, chunks, settings.afresh)
    kept = chunks - len(finished.todo())
    if kept:
        say(f"{kept} of {chunks} chunks were done before; going on")
    elif changed:
        say(f"chunks of an earlier run are of no use any more ({', '.join(changed[:5])} changed); beginning anew")
    return finished


def _dangers_left_out(portfolio: Portfolio, request: RunRequest) -> pd.DataFrame:
    """Return the notes of dangers known at sites that cannot be valued: their owners are told all the same."""
    facts = sorted({row.fact for row in tables.danger_urgency()})
    known = portfolio.left_out[facts].eq(True).fillna(False).any(axis=1)
    if not known.any():
        return pd.DataFrame(columns=_NOTE)
    chunk = left_out_chunk(replace(portfolio, left_out=portfolio.left_out[known]), request.company)
    cohort = cohort_of(chunk, year_of(portfolio.weather[chunk.weather_id]), request.as_of, request.company)
    return known_dangers(cohort, request.registry, request.company)


def _tables(
    finished: FinishedChunks, portfolio: Portfolio, request: RunRequest, left_out: pd.DataFrame, folder: Path
) -> dict[str, stored_runs.Rows]:
    """Return all that is stored of a run by table: what is large as files, one a chunk.

    ``left_out`` are the notes of sites that were not valued; they go through a file in ``folder`` like the others.
    """
    places = portfolio.places.rename(columns={"weather_id": "station_id", "basis": "weather_basis"})
    places = places.drop(columns=["cell_latitude", "cell_longitude"])
    stored: dict[str, list[Path]] = finished.tables()
    if len(left_out):
        left_out.to_parquet(folder / "left_out_notes.parquet", index=False)
        stored["safety_note"] = [*stored.get("safety_note", []), folder / "left_out_notes.parquet"]
    return {
        **catalogue(request.registry, request.company),
        **stored,
        "site_energy": finished.whole("site_energy").join(places, on="site_id"),
        **_calls_of_month(finished, portfolio, request.company, left_out),
        "run_value": portfolio_range(finished.whole(VALUE_DRAW)),
    }


def _calls_of_month(
    finished: FinishedChunks, portfolio: Portfolio, company: Company, left_out: pd.DataFrame
) -> dict[str, pd.DataFrame]:
    """Choose the calls of the month: contact rules first, then what the crews can do."""
    calls = company.calls
    rules = contact_rule(portfolio.customers, portfolio.log, portfolio.as_of, int(calls.quiet_days))
    offers = finished.whole("offer")
    chances = chance_of_offers(offers, finished.whole("offer_member"), portfolio.log, calls)
    dangers = finished.rows("safety_note", ["site_id", "note_id"], "tell_owner", True)
    dangers = pd.concat([dangers, left_out[["site_id", "note_id"]].astype("str")], ignore_index=True)
    far = finished.rows("ranking", ["site_id"], "obstacle", Obstacle.TOO_FAR)
    evidence = finished.whole("site_evidence")
    standing = evidence[evidence["idle_since"].notna()].sort_values(
        ["idle_cost_a_month", "site_id"], ascending=[False, True]
    )
    sites = pd.concat([chunk.sites for chunk in portfolio.chunks])
    return plan_month(
        offers.assign(chance_of_yes=chances),
        finished.whole("offer_hours"),
        sites[["latitude", "longitude"]],
        portfolio.owners,
        exclusions(portfolio.owners, rules, portfolio.left_out),
        company,
        urgency(dangers, pd.concat([sites, portfolio.left_out]), portfolio.dangers_found),
        pd.Index(far["site_id"].unique()),
        pd.Index(standing["site_id"]),
    )


def _record(
    started: datetime,
    settings: Settings,
    request: RunRequest,
    portfolio: Portfolio,
    failures: Sequence[Failure],
) -> stored_runs.RunRecord:
    registry = request.registry
    return stored_runs.RunRecord(
        run_id=started.strftime("%Y%m%dT%H%M%S%fZ"),
        started_at=started,
        finished_at=datetime.now(UTC),
        program_version=version("aftersun"),
        plugin_versions=registry.versions(),
        input_hashes={
            **hashes(settings.company_file, portfolio),
            "code of aftersun": program_hash(),
            **{f"code of plugin {name}": code for name, code in registry.codes().items()},
        },
        settings={
            "company_file": str(settings.company_file),
            "plugin_folder": None if settings.plugin_folder is None else str(settings.plugin_folder),
            "company": request.company.model_dump(mode="json", by_alias=True),
            "ranges": settings.ranges,
            "libraries": versions(),
            "computed_by": {  # what changes no result
                **{name: getattr(settings, name) for name in ("chunk_sites", "workers", "plugin_seconds")},
                "cores": os.cpu_count(),
                "scheduler": settings.scheduler is not None,
            },
        },
        seed=0,
        as_of=settings.as_of,
        sites=portfolio.sites,
        failures=[asdict(failure) for failure in (*registry.failures, *failures)],
    )
