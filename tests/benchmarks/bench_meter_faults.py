"""How often sound meters raise an alarm, and how often faults planted in them are found.

    python tests/benchmarks/bench_meter_faults.py [--series 100] [--seed 1]

Weather, facts and days are not the program's own: ``tests/meter_years.py``. Printed for each kind of series, in
percent: a step, a trend, a shortfall, an outage, facts doubted, anything of these; and the median of factor and trend.
"""

from __future__ import annotations

import argparse
import lzma
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

TESTS = Path(__file__).parents[1]
sys.path.insert(0, str(TESTS))
import meter_years as made  # noqa: E402

UNTIL = date(2025, 7, 1)
CASES = [
    *((f"sound, {years} years", years, "MS", made.step("2030-01-01", 1.0)) for years in (1, 2, 3, 5, 8)),
    ("sound, 3 years of days", 3, "D", made.step("2030-01-01", 1.0)),
    *((f"half gone for six months, {years} years", years, "D", made.step("2025-01-01", 0.5)) for years in (2, 3, 5)),
    *(
        (f"38 % left since 13 November, {years} years", years, "D", made.step("2024-11-13", 0.38))
        for years in (2, 3, 5)
    ),
    ("three quarters left for 15 months, 3 years", 3, "MS", made.step("2024-04-01", 0.75)),
    ("30 days of nothing in May and June", 2, "D", made.outage("2024-05-17", 30)),
    *((f"-2 % a year in all, {years} years", years, "MS", made.slope(-0.015)) for years in (5, 8, 10)),
    ("-4 % a year in all, 8 years", 8, "MS", made.slope(-0.035)),
    ("everything times 0.4", 3, "MS", made.by_factor(0.4)),
    ("everything times 1.5", 3, "MS", made.by_factor(1.5)),
]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--series", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    rng = np.random.default_rng(asked.seed)
    with tempfile.TemporaryDirectory() as folder:
        for packed in (TESTS / "data" / "weather").glob("*.xz"):
            (Path(folder) / packed.stem).write_bytes(lzma.decompress(packed.read_bytes()))
        spots = [made.place(Path(folder), name, rng, UNTIL) for name in made.FILES for _ in range(3)]
    print(f"{'':48}{'step':>6}{'trend':>6}{'short':>6}{'out':>6}{'facts':>6}{'any':>6}{'factor':>8}{'%/a':>7}{'ms':>7}")
    for name, years, freq, fault in CASES:
        begun = time.process_time()
        rows = pd.DataFrame(
            made.evidence(
                spots[n % len(spots)], fault(made.daily_output(spots[n % len(spots)], years, UNTIL, rng)), freq
            )
            for n in range(asked.series)
        )
        spent = 1000 * (time.process_time() - begun) / asked.series
        told = {
            "step": rows["change"].notna(),
            "trend": (rows["trend_low"] > 0) | (rows["trend_high"] < 0),
            "short": rows["shortfall"] > 0,
            "out": rows["outages"] > 0,
            "facts": rows["factor_read"].notna(),
        }
        told["any"] = pd.DataFrame(told).any(axis=1)
        shares = "".join(f"{100 * column.mean():6.0f}" for column in told.values())
        middle = rows["factor"].median(), 100 * rows["trend_per_year"].median(), spent
        print(f"{name:48}{shares}{middle[0]:8.2f}{middle[1]:7.1f}{middle[2]:7.0f}", flush=True)


if __name__ == "__main__":
    main()
