"""What ranking a portfolio costs: today's state and every retrofit on each site, stored in the inventory.

    python tests/benchmarks/bench_rank.py [--sites 1000 10000] [--prices flat periods hours] [--workers 2] [--no-ranges]

The portfolio is the demo's, multiplied: each copy has its own tilt, azimuth, rating, demand and position, in whole
degrees and tenths as records have them. With ``periods`` every tariff has twelve of them by season, kind of day and
hour, with ``hours`` a price for each hour of a year. Each size runs in a process of its own. Printed are ratios to the
first one within this run: processor time a site, which a busy machine changes less than the clock's, and peak memory of
the main process plus that of its largest worker for each worker.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

from aftersun.inventory.loading.load import load_file
from aftersun.inventory.store import read
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.weather_store import put_weather, stations, weather_hours
from aftersun.scoring.run.demo import AS_OF, Demo, make_demo
from aftersun.scoring.run.rank import Settings, rank

IN_FOLDER = "--folder"


PRICES = ("flat", "periods", "hours")


def by_time(tariffs: pd.DataFrame, prices: str) -> dict[str, pd.DataFrame]:
    """Return further tables that price the hours of tariffs: none, twelve periods, or each hour of a year."""
    keys = tariffs[["tariff_id", "valid_from", "import_price"]]
    if prices == "periods":
        slots = [
            (f"{season} {days} {begins}", first, last, days, begins, ends, 0.8 + 0.03 * begins)
            for season, first, last in (("summer", 4, 9), ("winter", 10, 3))
            for days in ("weekday", "weekend or holiday")
            for begins, ends in ((23, 7), (7, 17), (17, 23))
        ]
        names = ["period", "from_month", "until_month", "days", "from_hour", "until_hour", "factor"]
        rows = keys.merge(pd.DataFrame(slots, columns=names), how="cross")
        rows["import_price"] = (rows["import_price"] * rows.pop("factor")).round(4)
        return {"tariff_period": rows}
    if prices == "hours":
        starts = pd.date_range("2025-01-01", periods=8760, freq="h")
        factor = 1 + np.random.default_rng(1).normal(0, 0.2, 8760)
        rows = keys.merge(pd.DataFrame({"starts_at": starts, "factor": factor}), how="cross")
        rows["import_price"] = (rows["import_price"] * rows.pop("factor")).round(4)
        return {"tariff_hour": rows}
    return {}


def multiplied(demo: Demo, count: int, folder: Path, prices: str = "flat") -> dict[str, Path]:
    """Write tables of ``count`` sites made from what the demo's inventory holds, and return them in loading order."""
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        tables = {
            "customer": read.customers(inventory),
            "tariff": read.tariffs_in_force(inventory, AS_OF),
            "site": read.sites(inventory),
            "array": read.arrays(inventory),
            "fitted": read.fitted(inventory),
        }
    rng = np.random.default_rng(1)
    names = tables["site"]["site_id"]
    copies = [(turn, names[: count - turn * len(names)]) for turn in range(-(-count // len(names)))]
    for table in ("site", "array", "fitted"):
        of_copies = []
        for turn, kept in copies:
            rows = tables[table][tables[table]["site_id"].isin(kept)].copy()
            for key in {"site_id", "array_id"} & set(rows):
                rows[key] = rows[key] + f"-{turn}"
            of_copies.append(rows)
        tables[table] = pd.concat(of_copies, ignore_index=True)
    site, array = tables["site"], tables["array"]
    for column in ("latitude", "longitude"):
        site[column] = (site[column] + rng.uniform(-0.03, 0.03, len(site))).round(2)
    site["annual_demand_kwh"] = (site["annual_demand_kwh"] * rng.uniform(0.7, 1.4, len(site))).round()
    array["tilt_deg"] = (array["tilt_deg"] + rng.uniform(-8, 8, len(array))).clip(0, 60).round()
    array["azimuth_deg"] = (array["azimuth_deg"] + rng.uniform(-25, 25, len(array))).clip(0, 359).round()
    array["dc_rating_kw"] = (array["dc_rating_kw"] * rng.uniform(0.8, 1.2, len(array))).round(2).clip(0.1)
    tables |= by_time(tables["tariff"], prices)
    paths = {table: folder / f"{table}.csv" for table in tables}
    for table, path in paths.items():
        tables[table].to_csv(path, index=False)
    return paths


def prepare(count: int, folder: Path, prices: str = "flat") -> None:
    """Make a demo and an inventory of ``count`` sites in the folder."""
    demo = make_demo(folder / "demo")
    with Inventory.create(folder / "many.duckdb") as inventory:
        for table, path in multiplied(demo, count, folder, prices).items():
            report = load_file(inventory, table, path)
            assert report.rejected == 0, report.problems
        with Inventory.open(demo.inventory, read_only=True) as source:
            for station in stations(source):
                put_weather(inventory, station, weather_hours(source, station.station_id))


def measure(folder: Path, workers: int, ranges: bool) -> dict[str, float]:
    """Rank the sites in this process; return seconds, also of processors, and peak memory in MB."""
    started = time.perf_counter()
    record = rank(
        folder / "many.duckdb", Settings(folder / "demo" / "company.toml", AS_OF, workers=workers, ranges=ranges)
    )
    seconds = time.perf_counter() - started
    assert not record.failures, record.failures
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return {
        "sites": record.sites,
        "seconds": seconds,
        "main_s": used[0].ru_utime + used[0].ru_stime,
        "workers_s": used[1].ru_utime + used[1].ru_stime,
        "main_mb": used[0].ru_maxrss / 1024,
        "worker_mb": used[1].ru_maxrss / 1024,
        "file_mb": (folder / "many.duckdb").stat().st_size / 1024**2,
    }


def main() -> None:
    """Measure each size in a process of its own and print the ratios."""
    arguments = argparse.ArgumentParser(description="Cost and memory of ranking, as ratios within one run.")
    arguments.add_argument("--sites", type=int, nargs="+", default=[1000, 10_000])
    arguments.add_argument("--prices", nargs="+", choices=PRICES, default=["flat"])
    arguments.add_argument("--workers", type=int, default=2)
    arguments.add_argument("--no-ranges", action="store_true", help="baseline and retrofits only")
    arguments.add_argument(IN_FOLDER, type=Path, help=argparse.SUPPRESS)
    given = arguments.parse_args()
    if given.folder:
        print(json.dumps(measure(given.folder, given.workers, not given.no_ranges)))
        return
    first: dict[str, float] | None = None
    for count, prices in product(given.sites, given.prices):
        with tempfile.TemporaryDirectory() as name:
            prepare(count, Path(name), prices)
            command = [sys.executable, __file__, IN_FOLDER, name, "--workers", str(given.workers)]
            command += ["--no-ranges"] if given.no_ranges else []
            printed = subprocess.run(command, check=True, capture_output=True, text=True).stdout
        found = json.loads(printed.splitlines()[-1])
        memory = found["main_mb"] + given.workers * found["worker_mb"]
        cost = (found["main_s"] + found["workers_s"]) / found["sites"]
        first = first or {"cost": cost, "memory": memory}
        print(
            f"{found['sites']:.0f} sites, prices {prices}: cost a site {cost / first['cost']:.2f}, "
            f"memory {memory / first['memory']:.2f} of the first one's; here {found['seconds']:.0f} s, "
            f"{cost * 1000:.1f} ms of a processor a site ({found['main_s'] / found['sites'] * 1000:.1f} in the main "
            f"process), {memory:.0f} MB (main {found['main_mb']:.0f}, worker {found['worker_mb']:.0f}), "
            f"file {found['file_mb']:.0f} MB",
            flush=True,
        )


if __name__ == "__main__":
    main()
