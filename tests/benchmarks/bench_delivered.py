"""An invented company whose hidden effects are known: what is measured and learnt of them, and how long it takes.

``python tests/benchmarks/bench_delivered.py --works 300 --seeds 1 2 3`` follows each from loaded tables to lessons;
``--works 10000`` tells the time. Meters are made apart from the program: a season of their own, months that are dull or
bright for all, noise of each site and a level that wanders. Roofs are chosen by promises of which luck is a part.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

import aftersun_datasets
from aftersun.delivered.learning import lessons
from aftersun.delivered.measure import measure, store
from aftersun.delivered.pooling import random_effects
from aftersun.delivered.report import delivered_by_retrofit
from aftersun.host.registry import find_plugins
from aftersun.inventory.loading.load import load_file
from aftersun.inventory.log.call_table import read_calls, store_table
from aftersun.inventory.runs.stored_runs import RunRecord, write_run
from aftersun.inventory.store.file import Inventory
from aftersun.money.company import load_company

AS_OF = date(2026, 6, 1)
RETROFITS = {"anti_soiling_coating": 0.05, "bird_mesh": 0.08, "degradation_mitigation": 0.12}  # mean gain, share
MONTH_NOISE, DRIFT_A_YEAR, COMMON = 0.03, 0.01, 0.10
TRUTH_SPREAD, LUCK = 0.35, 0.35  # of true gains, and of promises about them, shares
POPULATION = 4  # roofs that each work was chosen from, the best ones


@dataclass(frozen=True)
class Company:
    """Works with their hidden truth, the mean promise of all roofs, and the hidden factor of each retrofit."""

    works: pd.DataFrame
    usual: dict[str, float]  # over all roofs, as a share of their year
    spread: dict[str, float]  # standard deviation of its logarithm
    factor: dict[str, float]


def invent(count: int, rng: np.random.Generator) -> Company:
    """Return ``count`` works: kWh a year promised and true, chosen by promise; factors from today's range."""
    parts, usual, spread, factor = [], {}, {}, {}
    for retrofit, share in RETROFITS.items():
        number = count // len(RETROFITS)
        roofs = number * POPULATION
        year = rng.uniform(2500.0, 9000.0, roofs)
        physics = year * share * np.exp(rng.normal(-(TRUTH_SPREAD**2) / 2, TRUTH_SPREAD, roofs))
        promised = physics * np.exp(rng.normal(-(LUCK**2) / 2, LUCK, roofs))
        factor[retrofit] = float(stats.triang(0.5, 0.6, 0.55).rvs(random_state=rng))
        best = np.argsort(-promised / year)[:number]
        frame = pd.DataFrame({"retrofit": retrofit, "year": year[best], "promised": promised[best]})
        frame["true"] = factor[retrofit] * physics[best] * np.exp(rng.normal(0, 0.1, number))
        usual[retrofit] = float(promised.sum() / year.sum())
        spread[retrofit] = float(np.std(np.log(promised / year)))
        parts.append(frame)
    works = pd.concat(parts, ignore_index=True)
    works["site_id"] = [f"W{at:05d}" for at in range(len(works))]
    works["done_on"] = pd.Timestamp("2024-04-10") + pd.to_timedelta(rng.integers(0, 700, len(works)), "D")
    return Company(works, usual, spread, factor)


def write_tables(company: Company, neighbours: int, folder: Path, rng: np.random.Generator) -> None:
    """Write customers, sites, arrays, readings and work as tables to load."""
    months = pd.date_range("2022-05-01", "2026-06-01", freq="MS")
    middle = months[:-1] + pd.Timedelta(days=15)
    season = 1.0 + 0.7 * np.sin((middle.month.to_numpy() - 4) / 12 * 2 * np.pi)
    common = season / 12.0 * np.exp(rng.normal(0.0, COMMON, len(middle)))
    quiet = pd.DataFrame({"site_id": [f"N{at:05d}" for at in range(neighbours)]})
    quiet["year"], quiet["true"], quiet["done_on"] = (
        rng.uniform(2500, 9000, neighbours),
        0.0,
        pd.Timestamp("2100-01-01"),
    )
    sites = pd.concat([company.works, quiet], ignore_index=True)
    wander = np.cumsum(rng.normal(0.0, DRIFT_A_YEAR / np.sqrt(12.0), (len(sites), len(middle))), axis=1)
    noise = rng.normal(0.0, MONTH_NOISE, (len(sites), len(middle)))
    since = sites["done_on"].to_numpy()[:, np.newaxis] <= middle.to_numpy()
    gain = np.where(since, (sites["true"] / sites["year"]).to_numpy()[:, np.newaxis], 0.0)
    kwh = sites["year"].to_numpy()[:, np.newaxis] * common * np.exp(wander + noise) * (1.0 + gain)
    names = sites["site_id"].to_numpy()
    readings = {
        "site_id": np.repeat(names, len(middle)),
        "meter": "production",
        "starts_at": np.tile(months[:-1].strftime("%Y-%m-%d"), len(names)),
        "ends_at": np.tile(months[1:].strftime("%Y-%m-%d"), len(names)),
        "kwh": kwh.ravel().round(1),
    }
    tables = {
        "customer": {"customer_id": names},
        "tariff": {"tariff_id": ["T"], "valid_from": ["2022-01-01"], "import_price": [0.3], "export_price": [0.1]},
        "site": {
            "site_id": names,
            "customer_id": names,
            "latitude": 48.0,
            "longitude": 11.0,
            "tariff_id": "T",
            "commissioned_on": "2016-01-01",
        },
        "array": {
            "array_id": names,
            "site_id": names,
            "tilt_deg": 30,
            "azimuth_deg": 180,
            "dc_rating_kw": (sites["year"] / 1000.0).round(2),
        },
        "reading": readings,
    }
    for table, columns in tables.items():
        pd.DataFrame(columns).to_csv(folder / f"{table}.csv", index=False)
    works = company.works
    jobs = works[["site_id", "retrofit"]].assign(
        done_on=works["done_on"].dt.strftime("%Y-%m-%d"),
        promised_kwh=works["promised"].round(2),
        promised_p90_kwh=(works["promised"] * 0.6).round(2),
        promised_p10_kwh=(works["promised"] * 1.4).round(2),
    )
    jobs.to_csv(folder / "jobs.csv", index=False)


def follow(works: int, seed: int) -> dict[str, object]:
    """Take one company from its tables to lessons; return what was found against the truth, and the seconds it took."""
    rng = np.random.default_rng(seed)
    invented = invent(works, rng)
    own = load_company(aftersun_datasets.path("demo/company.toml"))
    took = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_tables(invented, 60, folder, rng)
        with Inventory.create(folder / "company.duckdb") as inventory:
            started = time.perf_counter()
            for table in ("customer", "tariff", "site", "array", "reading"):
                report = load_file(inventory, table, folder / f"{table}.csv")
                assert report.rejected == 0, report.problems
            took["load"] = time.perf_counter() - started
            started = time.perf_counter()
            done = store_table(inventory, read_calls(folder / "jobs.csv", of_work=True))
            assert done.rejected == 0, done.problems
            took["jobs"] = time.perf_counter() - started
            _keep_usual(inventory, invented)
            started = time.perf_counter()
            found = measure(inventory, own, AS_OF)
            store(inventory, found)
            took["measure"] = time.perf_counter() - started
            started = time.perf_counter()
            pooled = {one.retrofit: one for one in delivered_by_retrofit(inventory)}
            took["pool"] = time.perf_counter() - started
            retrofits = {loaded.id: loaded.retrofit for loaded in find_plugins(()).retrofits}
            started = time.perf_counter()
            learnt = {one.retrofit: one for one in lessons(inventory, own, retrofits)}
            took["lessons"] = time.perf_counter() - started
    truth = found.merge(invented.works[["site_id", "true"]], on="site_id")
    measured = truth[truth["obstacle"].isna()]
    inside = measured["true"].between(measured["gain_low_kwh"], measured["gain_high_kwh"])
    rows = []
    for retrofit, one in pooled.items():
        promised, gain, error = (one.works[c].to_numpy(float) for c in ("promised_kwh", "gain_kwh", "gain_se_kwh"))
        low, high = one.share.interval
        lesson = learnt.get(retrofit)
        rows.append(
            {
                "retrofit": retrofit,
                "works": len(promised),
                "truth": invented.factor[retrofit],
                "naive": random_effects(gain / promised, error / promised).mean,
                "ours": one.share.mean,
                "inside": low <= invented.factor[retrofit] <= high,
                "width": high - low,
                "lesson": None if lesson is None else lesson.factor,
                "lesson_inside": None
                if lesson is None
                else lesson.factor_low <= invented.factor[retrofit] <= lesson.factor_high,
            }
        )
    bias = float((measured["gain_kwh"] - measured["true"]).mean() / measured["true"].mean())
    return {
        "measured": len(measured),
        "inside": float(inside.mean()),
        "bias": bias,
        "pooled": pd.DataFrame(rows),
        "took": took,
        **ranges_before_and_after(invented, pooled, rng),
    }


def _keep_usual(inventory: Inventory, invented: Company) -> None:
    """Store a run that valued every retrofit with the mean promise of all roofs, as a share of what they generate."""
    at = pd.Timestamp("2026-05-01", tz="UTC")
    rows, sites = [], ("W00000", "W00001")
    for name, share in invented.usual.items():
        apart = invented.spread[name]
        gains = 1e5 * share * np.exp([apart, -apart]) / np.cosh(apart)  # two roofs with that mean and spread
        rows += [
            {"site_id": site, "retrofit": name, "status": "recommended", "energy_gain_kwh": gain}
            for site, gain in zip(sites, gains, strict=True)
        ]
    run = RunRecord("usual", at, at, "0", AS_OF, 2, 0)
    year = pd.DataFrame([{"site_id": site, "generated_kwh": 1e5} for site in sites])
    write_run(inventory, run, {"ranking": pd.DataFrame(rows), "site_energy": year})


def ranges_before_and_after(invented: Company, pooled: dict[str, object], rng: np.random.Generator) -> dict[str, float]:
    """Return for works to come, chosen in the same way, bias and the share of truths between P90 and P10: as promised
    (60 to 140 % of it), and once two years of work are learnt from."""
    before, after, bias_before, bias_after = [], [], [], []
    for retrofit, share in RETROFITS.items():
        roofs = 4000
        year = rng.uniform(2500.0, 9000.0, roofs)
        physics = year * share * np.exp(rng.normal(-(TRUTH_SPREAD**2) / 2, TRUTH_SPREAD, roofs))
        promised = physics * np.exp(rng.normal(-(LUCK**2) / 2, LUCK, roofs))
        best = np.argsort(-promised / year)[: roofs // POPULATION]
        true = invented.factor[retrofit] * physics[best] * np.exp(rng.normal(0, 0.1, len(best)))
        known = pooled[retrofit].share  # type: ignore[attr-defined]
        middle = known.expected(promised[best], year[best] * promised.sum() / year.sum())
        reach = stats.norm.ppf(0.9) * known.sd_of_one * middle
        before += list((true > 0.6 * promised[best]) & (true < 1.4 * promised[best]))
        after += list(np.abs(true - middle) < reach)
        bias_before.append(promised[best].mean() / true.mean() - 1.0)
        bias_after.append(middle.mean() / true.mean() - 1.0)
    means = (before, after, bias_before, bias_after)
    names = ("held_before", "held_after", "bias_before", "bias_after")
    return {name: float(np.mean(values)) for name, values in zip(names, means, strict=True)}


def main() -> None:
    """Print what is found for each number of works and seed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--works", type=int, nargs="+", default=[300])
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    given = parser.parse_args()
    for works in given.works:
        results = [follow(works, seed) for seed in given.seeds]
        pooled = pd.concat([result["pooled"] for result in results])
        print(f"{works} works, {len(results)} companies; measured {np.mean([r['measured'] for r in results]):.0f}")
        print(f"  one site: truth in its 90 % interval {np.mean([r['inside'] for r in results]):.0%}, "
              f"bias {np.mean([r['bias'] for r in results]):+.1%}")  # fmt: skip
        naive, ours, lesson = (
            pooled[name].astype(float) / pooled["truth"] - 1.0 for name in ("naive", "ours", "lesson")
        )
        print(f"  share of promises: naive {naive.mean():+.1%}, ours {ours.mean():+.1%} off; truth in 90 % interval "
              f"{pooled['inside'].mean():.0%}, mean width {pooled['width'].mean():.2f}")  # fmt: skip
        print(f"  lessons: {lesson.mean():+.1%} off, truth in 90 % interval {pooled['lesson_inside'].mean():.0%}")
        print("  works to come: truth between P90 and P10 "
              f"{np.mean([r['held_before'] for r in results]):.0%} before, "
              f"{np.mean([r['held_after'] for r in results]):.0%} after (aim 80 %); bias "
              f"{np.mean([r['bias_before'] for r in results]):+.0%} before, "
              f"{np.mean([r['bias_after'] for r in results]):+.0%} after")  # fmt: skip
        took = pd.DataFrame([r["took"] for r in results]).mean().round(1).to_dict()
        print(f"  seconds: {took}")


if __name__ == "__main__":
    main()
