"""What stored runs cost in size, in reading the newest ranking and in storing one more, and what pruning gives back.

    python tests/benchmarks/bench_runs.py [--sites 1000] [--runs 50]

All figures are ratios to one stored run within this run of the benchmark.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd

from aftersun.inventory.runs.prune import prune
from aftersun.inventory.runs.stored_runs import RunRecord, read_run_table, stored_run, write_run
from aftersun.inventory.store.file import Inventory

RETROFITS = [f"retrofit_{n}" for n in range(7)]
START = datetime(2026, 1, 1, 8, 0, tzinfo=UTC)


def tables(sites: int, seed: int) -> dict[str, pd.DataFrame]:
    """Rankings of seven retrofits a site, cash flows of two of them over 20 years: figures that do not compress."""
    some = np.random.default_rng(seed)
    names = np.repeat([f"S{n:06d}" for n in range(sites)], len(RETROFITS))
    ranking = pd.DataFrame({"site_id": names, "retrofit": np.tile(RETROFITS, sites), "status": "recommended"})
    for column in ("npv", "npv_p10", "npv_p50", "npv_p90", "upfront", "first_year_saving", "energy_gain_kwh"):
        ranking[column] = some.normal(size=len(ranking))
    flow = pd.DataFrame({"site_id": np.repeat([f"S{n:06d}" for n in range(sites)], 40)})
    flow["retrofit"] = np.tile(np.repeat(RETROFITS[:2], 20), sites)
    flow["year"] = np.tile(range(20), 2 * sites)
    for column in ("saving", "net", "discounted"):
        flow[column] = some.normal(size=len(flow))
    return {"ranking": ranking, "cash_flow": flow}


def store(path: Path, number: int, sites: int) -> None:
    """Store one run."""
    at = START + timedelta(days=number)
    run = RunRecord(f"r{number}", at, at, "0", date(2026, 1, 1), sites, 0)
    with Inventory.open(path) as inventory:
        write_run(inventory, run, tables(sites, number))


def read_newest(path: Path) -> None:
    """Read the newest ranking as a command does, with opening and closing."""
    with Inventory.open(path, read_only=True) as inventory:
        run = stored_run(inventory)
        assert run is not None
        assert len(read_run_table(inventory, "ranking", run.run_id))


def best_of(what: Callable[[], None], times: int = 5) -> float:
    """Return the shortest of several durations in seconds."""
    taken = []
    for _ in range(times):
        began = time.perf_counter()
        what()
        taken.append(time.perf_counter() - began)
    return min(taken)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, default=1000)
    parser.add_argument("--runs", type=int, default=50)
    given = parser.parse_args()
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.duckdb"
        Inventory.create(path).close()
        empty = path.stat().st_size
        store_first = best_of(lambda: store(path, 0, given.sites), 1)
        size, read = path.stat().st_size, best_of(lambda: read_newest(path))
        for number in range(1, given.runs - 1):
            store(path, number, given.sites)
        store_last = best_of(lambda: store(path, given.runs - 1, given.sites), 1)
        grown, slower = path.stat().st_size, best_of(lambda: read_newest(path))
        began = time.perf_counter()
        prune(path, 1)
        took = time.perf_counter() - began
        left, again = path.stat().st_size, best_of(lambda: read_newest(path))
    one = size - empty
    print(f"{given.sites} sites; one run takes {one / 1e6:.1f} MB beyond the empty file of {empty / 1e6:.1f} MB")
    print(f"{given.runs} runs: {(grown - empty) / one:.1f} times the space of one")
    print(f"newest ranking: read in {slower / read:.2f} times the time it took with one run ({read * 1000:.0f} ms)")
    print(f"storing the last run: {store_last / store_first:.2f} times the time of the first ({store_first:.1f} s)")
    print(
        f"pruned to one run in {took / store_first:.2f} times the time of storing one: {(left - empty) / one:.2f} times"
    )
    print(f"its space, read in {again / read:.2f} times the time")


if __name__ == "__main__":
    main()
