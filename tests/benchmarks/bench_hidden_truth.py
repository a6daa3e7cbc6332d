"""Holds what the program decides against roofs whose truth is known and shares nothing with it.

    python tests/benchmarks/bench_hidden_truth.py [--roofs 500] [--seed 1] [--calls 100] [--json FILE] [--rows FILE]

The program is run by its command line alone, once for each base of the company and each level of knowledge:
known (what the office has), readings (and meters at half of the sites), asked (and the three questions that the
program itself puts first at the 150 sites where they are worth most, answered with the truth), all (every fact that
can be asked). Printed for each level:

- captured by offers: true worth of all that stands as recommended or subject to survey, done in the way offered, over
  the oracle's money, the sum of all positive true worths of the best ways. A dangerous connector's remedy, offered for
  safety, is not counted.
- captured by calls, and by the first calls: of what is offered on the call list (safety calls not counted).
- sold from a chance of: the same, and what share loses, with another least chance of a gain than the company's.
- ask first could add: what stands as ask first and is truly worth something; no part of what is captured.
- each retrofit: predicted and true means, truths inside and below the range, offers that lose, chance of a gain.

The truth has prices of its own from the company file's rates and the hours that truly occur. Where there are several
ways to do a retrofit, the truth is that of the way that the program offers: what another way would bring says nothing
of it. Range and chance hold the cost as uncertain as the gain, so they are held against the true gain of that way less
the price that the program asks, settled by the hours that truly occur. Where a device follows only upon a finding the
price asked is a mean over findings; there they are held against the truth.

Where a diagnosis or a look finds nothing, nothing is gained, at many roofs alike. A range that is fair holds all of
these as soon as they are more than four fifths of the roofs, and then more than 80 % of the truths: their share is
printed as ``nil``, and beside it how many of the others lie inside.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import subprocess
import sys
import tempfile
import time
import tomllib
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
from hidden_truth import office, roofs, worth
from hidden_truth.physics import unpacked

OFFERED = ("recommended", "subject_to_survey")
QUESTIONS, ASKED_SITES = 3, 150
LEAST_CHANCES = (0.8, 0.75, 0.7, 0.6)  # of a gain, from which it is sold
PAID_BY_FINDING = ("degradation_mitigation",)  # a diagnosis first, the device only where it is proven
# The facts that decide a retrofit's worth most in this truth: money missed is told by the first that is unknown.
DECIDES = {
    "anti_soiling_coating": ["surroundings"], "bird_mesh": ["birds_seen"], "monitoring_add_on": ["monitoring"],
    "connector_replacement": ["open_string", "mixed_connectors"], "degradation_mitigation": ["measured_excess_loss"],
    "hot_water_diverter": ["water_heat", "water_store_litres", "element_kw", "occupants"],
    "tilt_mount": ["module_rows"],
}  # fmt: skip


def aftersun(*words: object) -> str:
    """Run the program; its exit 3 (done with losses) is an error here."""
    command = [sys.executable, "-c", "from aftersun.cli import main; main()", *map(str, words)]
    done = subprocess.run(command, capture_output=True, text=True, env=os.environ | {"COLUMNS": "200"})
    if done.returncode:
        raise SystemExit(
            f"aftersun {' '.join(map(str, words))} ended with {done.returncode}:\n{done.stdout}{done.stderr}"
        )
    return done.stdout


def company_file(folder: Path, place: roofs.Place) -> Path:
    """Let the program write its price book, and fill in what has to be filled in."""
    path = folder / "company.toml"
    aftersun("company", "new", path)
    text = path.read_text()
    for line in ('name = "Invented Roofs"', 'currency = "EUR"', f"base_latitude = {place.latitude}",
                 f"base_longitude = {place.longitude}"):  # fmt: skip
        text = re.sub(rf"^{line.split(' = ')[0]} = .*$", line, text, count=1, flags=re.M)
    path.write_text(text)
    return path


def run(known: office.Office, level: str, folder: Path) -> dict[str, pd.DataFrame]:
    """Load and rank each place in its own inventory and return the stored tables, places below one another."""
    parts: dict[str, list[pd.DataFrame]] = {}
    for k, place in enumerate(roofs.PLACES):
        if not (known.roofs["place"] == k).any():
            continue
        here = folder / level / place.name
        here.mkdir(parents=True)
        company, inventory = company_file(here, place), here / "company.duckdb"
        aftersun("inventory", "create", inventory)
        aftersun("inventory", "load", inventory, *known.write(here, k, level != "known"), "--company", company)
        rain = pd.DataFrame({"month": range(1, 13), "rain_mm": place.rain_mm, "rain_days": place.rain_days})
        rain.to_csv(here / "rain.csv", index=False)
        aftersun("weather", "add", inventory, unpacked(place, here), "--rain", here / "rain.csv")
        aftersun("rank", inventory, "--company", company, "--as-of", office.TODAY.date())
        with duckdb.connect(str(inventory), read_only=True) as stored:
            for table in ("ranking", "offer_member", "call", "question"):
                parts.setdefault(table, []).append(stored.sql(f'select * from "{table}"').df())
    return {table: pd.concat(frames, ignore_index=True) for table, frames in parts.items()}


def worth_asking(question: pd.DataFrame) -> pd.DataFrame:
    """The questions that a caller asks: the first at each site, at the sites where they are worth most together."""
    q = question.sort_values(["value_of_phone", "value_if_known"], ascending=False, kind="stable")
    q = q[q["value_of_phone"] > 0].groupby("site_id").head(QUESTIONS)
    total = q.groupby("site_id")[["value_of_phone", "value_if_known"]].sum()
    best = total.sort_values(["value_of_phone", "value_if_known"], ascending=False).index[:ASKED_SITES]
    return q[q["site_id"].isin(best)]


def merged(stored: dict[str, pd.DataFrame], truth: pd.DataFrame, ways: dict, r: pd.DataFrame) -> pd.DataFrame:
    """One row a roof and retrofit: what was advised, what is true, and the position of the call that offers it.

    ``best`` is true of the best way, ``true`` of the one offered.
    """
    ranking = stored["ranking"].drop(columns="run_id")
    rows = truth.merge(worth.as_offered(ranking, ways, r), on=["site_id", "retrofit"], validate="1:1")
    rows = rows.merge(ranking, on=["site_id", "retrofit"], how="left", validate="1:1")
    rows["offered"] = rows["status"].isin(OFFERED)
    staged = rows["retrofit"].isin(PAID_BY_FINDING)
    settled = rows["own_price"] - rows["overtime"] - rows["upfront"]
    rows["as_priced"] = rows["true"] + settled.mask(staged, 0)
    calls = stored["call"].query("excluded_reason == '' and position.notna()")
    calls = calls.assign(order=calls["position"].rank(method="first"))[["site_id", "retrofit", "order"]]
    members = stored["offer_member"][["site_id", "offer", "retrofit"]].rename(columns={"retrofit": "member"})
    calls = calls.merge(members, how="left", left_on=["site_id", "retrofit"], right_on=["site_id", "offer"])
    calls["retrofit"] = calls["member"].fillna(calls["retrofit"])
    rows = rows.merge(calls[["site_id", "retrofit", "order"]], on=["site_id", "retrofit"], how="left")
    rows["order"] = rows["order"].where(rows["offered"])  # a remedy for safety is told, not sold
    return rows


def figures(rows: pd.DataFrame, calls: int) -> dict:
    """Reckon what is printed of one level."""
    fits = rows[rows["true"].notna()]
    oracle = rows["best"].clip(lower=0).sum()
    offered, told = rows[rows["offered"]], rows[rows["order"].notna()]
    paid = offered["true"].fillna(-offered["upfront"])  # sold where it cannot work: the price is lost
    chance = rows[rows["chance_npv_positive"].notna() & rows["as_priced"].notna()]
    bins = pd.cut(chance["chance_npv_positive"], [-0.001, 0.01, 0.1, 0.3, 0.6, 0.9, 0.99, 1])
    gains = (chance["as_priced"] > 0).groupby(bins, observed=True).agg(["mean", "size"])
    rng = np.random.default_rng(0)
    size = min(len(offered), len(fits))
    random = np.mean([rng.choice(fits["true"], size, replace=False).sum() for _ in range(200)])
    ask = {"captured_by_offers": paid.sum(),
           "captured_at_the_prices_asked": offered["as_priced"].fillna(-offered["upfront"]).sum(),
           "ask_first_could_add": rows.loc[rows["status"] == "ask_first", "best"].clip(lower=0).sum(),
           "captured_by_calls": told["true"].sum(),
           f"captured_by_first_{calls}_calls": told.loc[told["order"] <= calls, "true"].sum(),
           f"oracle_first_{calls}_sites": rows.groupby("site_id")["best"].apply(lambda t: t.clip(lower=0).sum())
           .nlargest(calls).sum(), "random_as_many_offers": random}  # fmt: skip
    return {
        "sold_from": {str(least): _sold_from(rows, least, oracle) for least in LEAST_CHANCES},
        "oracle_money": oracle, "true_upgrades": int((rows["best"] > 0).sum()), "offers": len(offered),
        **{name: value / oracle for name, value in ask.items()},
        "losing_offers": float((paid < 0).mean()) if len(paid) else None,
        "retrofits": {name: _one(part) for name, part in rows.groupby("retrofit")},
        "chance_of_gain": {str(b): [round(v["mean"], 3), int(v["size"])] for b, v in gains.iterrows()},
    }  # fmt: skip


def _sold_from(rows: pd.DataFrame, least: float, oracle: float) -> list[float]:
    """Return captured and losing share and number of what is offered and what is too uncertain by less than this."""
    sold = rows[rows["offered"] | ((rows["status"] == "too_uncertain") & (rows["chance_npv_positive"] >= least))]
    paid = sold["true"].fillna(-sold["upfront"])
    return [paid.sum() / oracle, float((paid < 0).mean()), len(sold)]


def _one(part: pd.DataFrame) -> dict:
    ranged = part[part["npv_p90"].notna() & part["as_priced"].notna()]
    truth = ranged["as_priced"]
    inside = truth.between(ranged["npv_p90"], ranged["npv_p10"])
    gains = (ranged["true"] + ranged["own_price"]).abs() > 0.5  # of the way offered, before its cost
    offered = part[part["offered"]]
    paid = offered["true"].fillna(-offered["upfront"])
    return {
        "offers": len(offered), "predicted": offered["npv"].mean(), "true": paid.mean(),
        "as_priced": offered["as_priced"].mean(), "losing": (paid < 0).mean(),
        "in_range": inside.mean(), "nil": 1 - gains.mean(), "gaining_in_range": inside[gains].mean(),
        "below_p90": (truth < ranged["npv_p90"]).mean(),
        "below_p50": (truth < ranged["npv_p50"]).mean(),
        "below_p10": (truth < ranged["npv_p10"]).mean(), "ranged": len(ranged),
        "ranged_predicted": ranged["npv"].mean(), "ranged_true": truth.mean(),
        "offered_in_range": offered["as_priced"].between(offered["npv_p90"], offered["npv_p10"]).mean(),
        "true_upgrades": int((part["best"] > 0).sum()), "money": part["best"].clip(lower=0).sum(),
        "captured": paid.sum() / max(part["best"].clip(lower=0).sum(), 1),
    }  # fmt: skip


def causes(rows: pd.DataFrame) -> pd.DataFrame:
    """Money missed and money lost by offers: retrofit, status, and the first deciding fact that is not known."""
    unknown = [next((f for f in DECIDES[r["retrofit"]] if not r[f"knows_{f}"]), "") for r in rows.to_dict("records")]
    money = np.where(rows["offered"], rows["true"].fillna(-rows["upfront"]).clip(upper=0), -rows["best"].clip(lower=0))
    frame = pd.DataFrame({"retrofit": rows["retrofit"], "status": rows["status"], "unknown": unknown, "money": money})
    table = frame[frame["money"] < 0].groupby(["retrofit", "status", "unknown"])["money"].agg(["sum", "size"])
    table["share"] = table["sum"] / rows["best"].clip(lower=0).sum()
    return table.sort_values("sum").reset_index()


def rules_of_thumb(truth: pd.DataFrame, r: pd.DataFrame) -> dict[str, float]:
    """Share of the oracle's money that one rule for all roofs earns; it sells where the retrofit fits, knowing that."""
    by_site = r.set_index("site_id")
    oracle = truth["best"].clip(lower=0).sum()
    large, town = by_site["dc_rating_kw"] > 3, by_site["surroundings"].isin(["urban", "suburban", "roadside"])
    rules = {
        "diverter above 3 kW": ("hot_water_diverter", large), "mesh for everyone": ("bird_mesh", large | True),
        "mesh in towns": ("bird_mesh", town), "coating for everyone": ("anti_soiling_coating", large | True),
        "monitoring for everyone": ("monitoring_add_on", large | True),
        "monitoring where none is": ("monitoring_add_on", by_site["monitoring"] == "none"),
        "plugs after ten years": ("connector_replacement", by_site["age"] >= 10),
        "bias device after five years": ("degradation_mitigation", by_site["age"] > 5),
        "tilt on flat roofs": ("tilt_mount", large | True),
    }  # fmt: skip
    got = {}
    for name, (retrofit, where) in rules.items():
        sold = truth[(truth["retrofit"] == retrofit) & truth["site_id"].isin(where[where].index)]
        got[name] = sold["best"].sum() / oracle
    return got


def show(level: str, f: dict) -> None:
    """Print the figures of one level, one a line."""
    print(f"\n{level}: {f['true_upgrades']} true upgrades worth {f['oracle_money']:,.0f}; {f['offers']} offers")
    for name, value in f.items():
        if isinstance(value, float) and name != "oracle_money":
            print(f"  {name:32} {value:8.1%}")
    for least, (captured, losing, count) in f["sold_from"].items():
        print(f"  sold from a chance of {least:4}: captured {captured:6.1%}, losing {losing:6.1%} of {count}")
    print("  systems that stand still: " + ", ".join(f"{name} {count}" for name, count in f["standing"].items()))
    named = "retrofit                offers predicted     true  losing | inside  nil others <P90 <P50 <P10 (rows)"
    print(f"  {named} | captured   of")
    for name, v in f["retrofits"].items():
        print(f"  {name:23}{v['offers']:7}{v['predicted']:10,.0f}{v['true']:9,.0f}{v['losing']:8.0%} |"
              f"{v['in_range']:7.0%}{v['nil']:5.0%}{v['gaining_in_range']:7.0%}"
              f"{v['below_p90']:5.0%}{v['below_p50']:5.0%}{v['below_p10']:5.0%}{v['ranged']:7} |{v['captured']:8.0%}"
              f"{v['money']:9,.0f}")  # fmt: skip
    for bins, (share, size) in f["chance_of_gain"].items():
        print(f"  chance of a gain {bins:16} came true in {share:6.1%} of {size}")
    for c in f["causes"][:10]:
        unknown = f"{c['unknown']} unknown" if c["unknown"] else "deciding facts known"
        print(f"  {c['share']:7.1%} missed or lost: {c['retrofit']} {c['status']}, {unknown} ({c['size']})")


def main() -> None:
    """Draw, evaluate, run the program at each level, print."""
    arguments = argparse.ArgumentParser(description="The program's decisions against roofs whose truth is known.")
    arguments.add_argument("--roofs", type=int, default=500)
    arguments.add_argument("--seed", type=int, default=1)
    arguments.add_argument("--calls", type=int, default=100, help="first calls of the list that are counted alone")
    arguments.add_argument("--levels", nargs="+", default=list(office.LEVELS), choices=office.LEVELS)
    arguments.add_argument("--json", type=Path, help="write the figures here")
    arguments.add_argument("--rows", type=Path, help="write every roof and retrofit of every level here (CSV)")
    given = arguments.parse_args()
    begun = time.monotonic()
    drawn = roofs.draw(given.roofs, given.seed)
    base = tuple(np.array([getattr(roofs.PLACES[k], c) for k in drawn["place"]]) for c in ("latitude", "longitude"))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        company = tomllib.loads(company_file(folder, roofs.PLACES[0]).read_text())
        npv, kept = worth.evaluate(drawn, company, base, given.seed)
        truth = npv.assign(site_id=drawn["site_id"]).melt("site_id", var_name="retrofit", value_name="best")
        found: dict = {"roofs": given.roofs, "seed": given.seed, "rules_of_thumb": rules_of_thumb(truth, drawn)}
        print(f"truth of {given.roofs} roofs: {time.monotonic() - begun:.0f} s", file=sys.stderr)
        for rule, share in found["rules_of_thumb"].items():
            print(f"rule of thumb: {rule:28} {share:8.1%} of the oracle's money")
        knows, everything, stored = office.Office(drawn, kept, given.seed), [], None
        for level in office.LEVELS:
            if level == "asked" and stored is not None:
                asked = worth_asking(stored["question"])
                knows.answer(asked)
                print(f"\nasked: {len(asked)} questions at {asked['site_id'].nunique()} sites:", end=" ")
                print(", ".join(f"{fact} {count}" for fact, count in asked["fact"].value_counts().items()))
            if level == "all":
                knows.answer_all()
            if level not in given.levels and not (level == "readings" and "asked" in given.levels):
                continue
            stored = run(knows, level, folder)
            rows = merged(stored, truth, kept["ways"], drawn)
            found[level] = figures(rows, given.calls)
            served = drawn["site_id"].isin(stored["call"].query("kind == 'service'")["site_id"])
            still = drawn["stands_still"]
            found[level]["standing"] = {
                "metered": int((still & knows.metered).sum()), "called": int((still & served).sum()),
                "sound_called": int((served & ~still).sum()),
            }  # fmt: skip
            print(f"{level}: {time.monotonic() - begun:.0f} s", file=sys.stderr)
            known = pd.concat([knows.known["site"], knows.known["array"].drop(columns="site_id")], axis=1)
            known = known.add_prefix("knows_").assign(site_id=drawn["site_id"], metered=knows.metered)
            rows = rows.assign(level=level).merge(known, on="site_id")
            everything.append(rows)
            found[level]["causes"] = causes(rows).to_dict("records")
            show(level, found[level])
    if given.json:
        given.json.write_text(json.dumps(found, indent=1))
    if given.rows:
        pd.concat(everything).merge(drawn.add_prefix("is_"), left_on="site_id", right_on="is_site_id").to_csv(
            given.rows, index=False
        )


if __name__ == "__main__":
    main()
