"""What a portfolio costs from its tables to the call sheet and the page: every step by its command.

    python tests/benchmarks/bench_end_to_end.py [--sites 1000 10000 100000] [--most-gb 4]

The portfolio is that of ``bench_rank.py``; the weather is stored before the clock starts. Printed of each step are
seconds, the peak memory of all its processes together (sampled four times a second, memory that they share counted
once), and its time a site as a ratio to that of the first size in this run. Linux only, for the memory. ``--most-gb``
holds each step to that much memory where this user may make a control group (version 1); what needs more is killed,
and said so.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from bench_rank import multiplied

from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.weather_store import put_weather, stations, weather_hours
from aftersun.scoring.run.demo import make_demo

TABLES = ("customer", "tariff", "site", "array", "fitted")
GROUP = Path("/sys/fs/cgroup/memory/aftersun_benchmark")


@dataclass(frozen=True)
class Cost:
    """Of one step."""

    seconds: float
    peak_mb: float


def steps(folder: Path) -> Mapping[str, Sequence[str]]:
    """Return the command of each step, in order."""
    inventory = str(folder / "many.duckdb")
    write = ("write", inventory, "--letters", "0", "--to")
    return {
        "load": ("inventory", "load", inventory, *(str(folder / f"{table}.csv") for table in TABLES)),
        "rank": ("rank", inventory, "--company", str(folder / "demo" / "company.toml"), "--as-of", "2026-06-01"),
        "calls": ("calls", inventory),
        "ask": ("ask", inventory),
        "call sheet": (*write, str(folder / "sheet"), "--only", "call_sheet"),
        "page": (*write, str(folder / "page"), "--only", "portfolio_page"),
    }


def prepare(count: int, folder: Path) -> None:
    """Write tables of so many sites, and an inventory that holds the weather alone."""
    demo = make_demo(folder / "demo")
    multiplied(demo, count, folder)
    with (
        Inventory.create(folder / "many.duckdb") as inventory,
        Inventory.open(demo.inventory, read_only=True) as source,
    ):
        for station in stations(source):
            put_weather(inventory, station, weather_hours(source, station.station_id))


def cost_of(command: Sequence[str], held: bool) -> Cost | None:
    """Run a command of the program; None if it was killed."""
    program = [str(Path(sys.executable).with_name("aftersun")), *command]
    if held:
        program = ["sh", "-c", f'echo $$ > {GROUP}/cgroup.procs; exec "$@"', "sh", *program]
    started, peak = time.perf_counter(), 0.0
    with subprocess.Popen(program, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as running:
        while running.poll() is None:
            peak = max(peak, sum(_mb(one) for one in _family(running.pid)))
            time.sleep(0.25)
        seconds = time.perf_counter() - started
        said = running.stderr.read().decode() if running.stderr else ""
    if running.returncode < 0:
        return None
    assert running.returncode == 0, said
    return Cost(seconds, peak)


@contextmanager
def limit(most_gb: float | None) -> Iterator[bool]:
    """Make a control group of so much memory; tell whether there is one."""
    if most_gb is None:
        yield False
        return
    GROUP.mkdir(exist_ok=True)
    try:
        (GROUP / "memory.limit_in_bytes").write_text(str(int(most_gb * 2**30)))
        yield True
    finally:
        GROUP.rmdir()


def _family(pid: int) -> list[int]:
    found = [pid]
    try:
        for thread in os.listdir(f"/proc/{pid}/task"):
            children = Path(f"/proc/{pid}/task/{thread}/children").read_text(encoding="ascii").split()
            found += [member for child in children for member in _family(int(child))]
    except OSError:  # it has just ended
        pass
    return found


def _mb(pid: int) -> float:
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text(encoding="ascii").splitlines()
    except OSError:
        return 0.0
    return next((int(line.split()[1]) / 1024 for line in lines if line.startswith("Pss:")), 0.0)


def main() -> None:
    """Measure each size and print the ratios."""
    arguments = argparse.ArgumentParser(description="Time and memory from the tables to the page.")
    arguments.add_argument("--sites", type=int, nargs="+", default=[1000, 10_000])
    arguments.add_argument("--most-gb", type=float, help="memory that each step may use")
    given = arguments.parse_args()
    first: dict[str, float] = {}
    with limit(given.most_gb) as held:
        for count in given.sites:
            with tempfile.TemporaryDirectory() as name:
                folder = Path(name)
                prepare(count, folder)
                for step, command in steps(folder).items():
                    cost = cost_of(command, held)
                    if cost is None:
                        print(f"{count} sites, {step}: killed; it needs more memory", flush=True)
                        return
                    ratio = cost.seconds / count / first.setdefault(step, cost.seconds / count)
                    print(
                        f"{count} sites, {step}: {ratio:.2f} of the first size's time a site; here "
                        f"{cost.seconds:.1f} s, {cost.peak_mb:.0f} MB",
                        flush=True,
                    )
                files = [folder / "many.duckdb", *folder.glob("sheet/*.xlsx"), *folder.glob("page/*.html")]
                print(", ".join(f"{one.name} {one.stat().st_size / 2**20:.0f} MB" for one in files), flush=True)


if __name__ == "__main__":
    main()
