"""How long one site of a stored run takes to be explained, as a command from start to end.

    python tests/benchmarks/bench_explain.py [--sites 12] [--inventory FILE]

Without an inventory the demo is made and ranked. Printed are seconds of a core, which other work on the machine hardly
changes, and their ratio to a command that only says its version. The aim is 3 s. Sites beyond the drive limit are among
those explained, where there are any.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb
import numpy as np

AFTERSUN = [sys.executable, "-c", "from aftersun.cli import main; main()"]
AIM_S = 3.0


def core_seconds(*words: object) -> float:
    """Return the processor time of a command and of what it started."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([*AFTERSUN, *map(str, words)], check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime


def sites_of(inventory: Path, count: int) -> tuple[list[str], list[str]]:
    """Return sites spread over the newest run, and sites that lie too far."""
    with duckdb.connect(str(inventory), read_only=True) as stored:
        ranked = stored.sql("SELECT DISTINCT site_id FROM latest_ranking ORDER BY site_id").fetchall()
        far = stored.sql("SELECT DISTINCT site_id FROM latest_ranking WHERE obstacle = 'too_far' ORDER BY 1").fetchall()
    names = [row[0] for row in ranked]
    return names[:: max(len(names) // count, 1)][:count], [row[0] for row in far][:2]


def measure(inventory: Path, count: int) -> None:
    """Explain the sites, shortly and in full, and print how long that took."""
    start = min(core_seconds("--version") for _ in range(3))
    chosen, far = sites_of(inventory, count)
    for words in ([], ["--all"]):
        took = np.array([core_seconds("explain", inventory, site, *words) for site in [*chosen, *far]])
        name = " ".join(["explain", *words])
        print(f"{name:13} {len(took)} sites, {len(far)} of them too far: median {np.median(took):.2f} s of a core, "
              f"longest {took.max():.2f} s, {np.median(took) / start:.1f} times --version; "
              f"within {AIM_S:.0f} s: {(took <= AIM_S).sum()}")  # fmt: skip


def main() -> None:
    """Make a demo where no inventory is given, and measure."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--sites", type=int, default=12)
    arguments.add_argument("--inventory", type=Path)
    given = arguments.parse_args()
    with TemporaryDirectory() as folder:
        if given.inventory is None:
            core_seconds("demo", Path(folder) / "demo")
        measure(given.inventory or Path(folder) / "demo" / "demo.duckdb", given.sites)


if __name__ == "__main__":
    main()
