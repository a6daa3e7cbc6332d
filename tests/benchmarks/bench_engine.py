"""What it costs to have chunks computed elsewhere: by a pool of this machine, by workers of a Dask scheduler.

    python tests/benchmarks/bench_engine.py [--sites 600] [--chunk-sites 100] [--workers 2] [--no-ranges]

Printed are ratios within this run: time on the clock, and processor time of the main process a chunk, which is what
limits how many workers one main process can feed; and the size of what travels for a chunk there and back. The
portfolio is that of bench_rank.py.
"""

from __future__ import annotations

import argparse
import pickle
import resource
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from bench_rank import prepare

from aftersun.host.workers import Workers
from aftersun.inventory.store.file import Inventory
from aftersun.money.company import load_company
from aftersun.scoring.run.demo import AS_OF
from aftersun.scoring.run.engine import Engine, ThisProcess
from aftersun.scoring.run.work import ChunkTask, RunRequest, compute
from aftersun.scoring.value.cohorts import Portfolio, read_portfolio


def tasks(portfolio: Portfolio, request: RunRequest, count: int | None = None) -> Iterator[ChunkTask]:
    """Make the tasks of a portfolio, or the first few."""
    chunks = portfolio.chunks[:count]
    for number, chunk in enumerate(chunks):
        yield ChunkTask(number, chunk, portfolio.weather[chunk.weather_id], request)


def timed(engine: Engine, portfolio: Portfolio, request: RunRequest, warm: int) -> dict[str, float]:
    """Compute all chunks once everything is started and loaded; return seconds, also of the main process."""
    with engine:
        for _ in engine.run(tasks(portfolio, request, warm)):
            pass
        began, used = time.perf_counter(), _main_seconds()
        size = sum(sum(map(len, result.tables.values())) for _, result in engine.run(tasks(portfolio, request)))
        return {"seconds": time.perf_counter() - began, "main": _main_seconds() - used, "size": size}


def _main_seconds() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


@contextmanager
def cluster(workers: int, request: RunRequest) -> Iterator[Engine]:
    """Start a scheduler and workers on this machine, each a process of its own."""
    from distributed import LocalCluster

    from aftersun.scoring.run.cluster import Cluster

    with LocalCluster(
        n_workers=workers, threads_per_worker=1, processes=True, dashboard_address="127.0.0.1:0", silence_logs=50
    ) as started:
        yield Cluster(started.scheduler_address, request)


def main() -> None:
    """Measure the three ways and print the ratios."""
    arguments = argparse.ArgumentParser(description="Overhead of computing chunks elsewhere, as ratios.")
    arguments.add_argument("--sites", type=int, default=600)
    arguments.add_argument("--chunk-sites", type=int, default=100)
    arguments.add_argument("--workers", type=int, default=2)
    arguments.add_argument("--no-ranges", action="store_true")
    given = arguments.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        prepare(given.sites, folder)
        request = RunRequest(load_company(folder / "demo" / "company.toml"), AS_OF, not given.no_ranges)
        with Inventory.open(folder / "many.duckdb", read_only=True) as inventory:
            portfolio = read_portfolio(inventory, AS_OF, chunk_sites=given.chunk_sites)
    count = len(portfolio.chunks)
    sent = sum(len(pickle.dumps(task)) for task in tasks(portfolio, request)) / count
    here = timed(ThisProcess(), portfolio, request, 1)
    pool = timed(Workers(compute, given.workers, 300.0), portfolio, request, given.workers)
    print(f"{count} chunks of {given.chunk_sites} sites, {given.workers} workers")
    print(
        f"a chunk: {here['seconds'] / count:.2f} s here; {sent / 1024:,.0f} KB there, "
        f"{here['size'] / count / 1024:,.0f} KB back"
    )
    _told("pool", pool, here, count)
    with cluster(given.workers, request) as engine:
        found = timed(engine, portfolio, request, 2 * given.workers)
    _told("cluster", found, here, count)
    print(
        f"cluster against pool: time {found['seconds'] / pool['seconds']:.2f}, "
        f"main process {found['main'] / pool['main']:.2f}"
    )


def _told(name: str, found: dict[str, float], here: dict[str, float], count: int) -> None:
    print(
        f"{name}: time {found['seconds'] / here['seconds']:.2f} of this process alone; main process "
        f"{found['main'] / count * 1000:.0f} ms a chunk, {found['main'] / here['main']:.4f} of what computing takes"
    )


if __name__ == "__main__":
    main()
