"""What choosing whom to call costs as the candidates grow.

    python tests/benchmarks/bench_programme.py [--offers 1000 10000] [--seconds 40]

Invented offers, three for every two sites, in a region of some 60 km, with capacity for a part of the expected hours.
Printed are the gap that was reached, the list against the greedy one, and processor time an offer as a ratio to the
first size within this run; a search that the time limit ends takes that limit.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pandas as pd

from aftersun.money.company import Month
from aftersun.scoring.calls.programme import Limits, choose_offers
from aftersun.scoring.calls.visits import round_trips, rounds_of
from aftersun.testing.builders import sample_company


def invented(count: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return candidates, and sites with their positions and hours."""
    rng = np.random.default_rng(1)
    hours, chance = rng.uniform(1, 8, count), rng.beta(3, 17, count)
    table = pd.DataFrame(
        {
            "offer_id": [f"o{k:06}" for k in range(count)],
            "site_id": [f"s{k:06}" for k in rng.integers(0, count * 2 // 3, count)],
            "value": chance * rng.lognormal(5.5, 0.7, count) - 6,
            "chance_of_yes": chance,
            "hours_electrician": np.where(rng.random(count) < 0.5, hours, 0.0),
            "hours_roofer": np.where(rng.random(count) < 0.6, hours, 0.0),
            "hours_helper": hours,
            "equipment": rng.choice(["", "tower", "scaffold"], count),
            "materials": rng.uniform(20, 400, count),
            "must_call": rng.random(count) < 0.01,
        }
    )
    sites = table.groupby("site_id", as_index=False).agg(work_hours=("hours_helper", "mean"))
    sites["latitude"] = 40 + rng.normal(0, 0.25, len(sites))
    sites["longitude"] = rng.normal(0, 0.3, len(sites))
    return table, sites


def main() -> None:
    """Choose from each size and print the ratios."""
    arguments = argparse.ArgumentParser(description="Cost of choosing whom to call, as ratios within one run.")
    arguments.add_argument("--offers", type=int, nargs="+", default=[1000, 10_000])
    arguments.add_argument("--seconds", type=float, default=Limits().seconds)
    given = arguments.parse_args()
    company, first = sample_company(), 0.0
    for count in given.offers:
        table, sites = invented(count)
        size = count / 1000
        month = Month(
            hours={"electrician": 70 * size, "roofer": 100 * size, "helper": 250 * size},
            equipment_visits={"tower": 25 * size, "scaffold": 12 * size},
            materials_cash=8000 * size,
            slack_share=0.1,
            day_hours=company.month.day_hours,
        )
        begun, used = time.perf_counter(), time.process_time()
        rounds = rounds_of(sites, company.month.visit_km)
        trips = round_trips(sites, rounds, company)
        table["round"] = table["site_id"].map(rounds)
        found = choose_offers(table, month, trips, limits=Limits(seconds=given.seconds))
        cost = (time.process_time() - used) / count
        first = first or cost
        print(
            f"{count} offers: cost an offer {cost / first:.2f} of the first size's; {found.status}, "
            f"gap {found.gap:.2%}, {found.value / found.greedy_value:.3f} of the greedy list's value; "
            f"{found.offers['chosen'].sum()} calls in {len(trips)} rounds; here {time.perf_counter() - begun:.0f} s",
            flush=True,
        )


if __name__ == "__main__":
    main()
