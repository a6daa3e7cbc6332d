"""What a run stores for letters and pages agrees with itself: months, cash, prices, percentiles, pictures."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest

from aftersun.documents.run_view import RunView
from aftersun.inventory.store.file import Inventory
from aftersun.scoring.run.demo import Demo
from aftersun.scoring.run.rank import Settings, rank

HOURS = 24 * np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
ENERGY = ["generated_kwh", "used_kwh", "to_water_kwh", "exported_kwh", "imported_kwh"]


@pytest.fixture(scope="module")
def view(demo: Demo) -> Iterator[RunView]:
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        yield RunView(inventory)


@pytest.fixture(scope="module")
def offers(view: RunView) -> pd.DataFrame:
    return view.table("offer").set_index(["site_id", "offer"])


def test_the_months_of_today_add_up_to_the_year(view: RunView) -> None:
    months = view.table("offer_month")
    today = months[months["offer"] == ""]
    assert (today.groupby("site_id")["month"].agg(list).map(lambda found: found == list(range(1, 13)))).all()
    sums = today.groupby("site_id")[ENERGY].sum()
    year = view.table("site_energy").set_index("site_id").loc[sums.index, ENERGY]
    assert sums.to_numpy(float) == pytest.approx(year.to_numpy(float), abs=0.06)  # twelve roundings to 0.01 kWh


def test_the_months_of_an_offer_of_one_gain_what_the_ranking_says(view: RunView, offers: pd.DataFrame) -> None:
    months = view.table("offer_month").groupby(["site_id", "offer"])["generated_kwh"].sum()
    ranking = view.table("ranking").set_index(["site_id", "retrofit"])
    flows = view.table("cash_flow")
    compared = 0
    for site, offer in offers.index:
        if (
            site,
            offer,
        ) not in ranking.index or offer == "degradation_mitigation":  # that one is not at its fullest new
            continue
        gained = months[site, offer] - months[site, ""]
        told = ranking.loc[(site, offer), "energy_gain_kwh"]
        fading = any(name in offer for name in ("coating", "tilt", "monitoring", "connector"))
        assert gained == pytest.approx(told, abs=0.3) or fading
        compared += not fading
    assert compared > 10
    assert set(flows["retrofit"]) >= {offer for _, offer in offers.index}


def test_prices_and_cash_of_an_offer_are_those_of_its_ledger(view: RunView, offers: pd.DataFrame) -> None:
    items, flows = view.table("cost_item"), view.table("cash_flow")
    once = items[(items["in_year"] == 0) & ~items["every_year"]]
    price = once.groupby(["site_id", "retrofit"])["price"].sum()
    worth = flows.groupby(["site_id", "retrofit"])["discounted"].sum()
    years = flows.groupby(["site_id", "retrofit"])["year"].max()
    assert any("+" in offer for _, offer in offers.index)
    for key, row in offers.iterrows():
        assert price[key] == pytest.approx(row["upfront"], rel=1e-6)
        assert worth[key] * row["chance_allowed"] == pytest.approx(row["npv"], rel=1e-6)
        assert years[key] == row["years"]


@pytest.mark.slow
def test_each_of_two_sites_with_the_same_set_has_its_own_cash(view: RunView, demo: Demo, tmp_path: Path) -> None:
    sets = view.table("offer")
    several = sets[sets["offer"].str.contains("+", regex=False)].set_index("site_id")
    site = str(several["chance_npv_positive"].idxmax())  # one whose larger twin is offered the set too
    twins = tmp_path / "twins.duckdb"
    shutil.copy(demo.inventory, twins)
    with duckdb.connect(str(twins)) as connection:
        for table in ("array", "fitted", "reading", "horizon", "site"):
            connection.execute(f'DELETE FROM "{table}" WHERE site_id <> ?', [site])
        connection.execute("INSERT INTO site SELECT * REPLACE (site_id || '-2' AS site_id) FROM site")
        bigger = "array_id || '-2' AS array_id, dc_rating_kw * 1.2 AS dc_rating_kw"
        twin = f"SELECT * REPLACE (site_id || '-2' AS site_id, {bigger}) FROM \"array\""
        connection.execute(f'INSERT INTO "array" {twin}')
    rank(twins, Settings(demo.company, demo.as_of))
    with Inventory.open(twins, read_only=True) as inventory:
        found = RunView(inventory)
        offers, flows = found.table("offer"), found.table("cash_flow")
    both = offers[offers["offer"].str.contains("+", regex=False)].set_index("site_id")
    assert list(both.index) == [site, f"{site}-2"]
    assert both["offer"].nunique() == 1
    assert both["npv"].iloc[0] != pytest.approx(both["npv"].iloc[1], rel=0.001)
    worth = flows[flows["retrofit"] == both["offer"].iloc[0]].groupby("site_id")["discounted"].sum()
    assert worth.to_dict() == pytest.approx(both["npv"].to_dict(), rel=1e-6)


def test_one_figure_stands_in_ranking_offer_and_call_and_lies_within_its_range(
    view: RunView, offers: pd.DataFrame
) -> None:
    stored = view.table("ranking").dropna(subset="npv_p90")
    assert len(offers) > 20
    assert len(stored) > 100
    for rows in (offers, stored):  # remedies and what is not advised too
        assert (rows["npv_p90"] <= rows["npv"] + 1e-6).all()
        assert (rows["npv"] <= rows["npv_p10"] + 1e-6).all()
    # some only because the range reaches to what a rare find is expected to bring
    assert (stored["npv"] == stored["npv_p10"]).any()
    ranked = view.table("ranking").set_index(["site_id", "retrofit"])["npv"]
    alone = offers[[key in ranked.index for key in offers.index]]
    assert alone["npv"].to_dict() == pytest.approx(ranked.reindex(alone.index).to_dict(), rel=1e-9)
    calls = view.table("call").dropna(subset="position").set_index(["site_id", "retrofit"])["npv"]
    assert len(calls) > 5
    assert calls.to_dict() == pytest.approx(offers["npv"].reindex(calls.index).to_dict(), rel=1e-9)


def test_percentiles_hold_the_range(offers: pd.DataFrame) -> None:
    for row in offers.to_dict("records"):
        found = np.asarray(row["npv_percentiles"])
        assert len(found) == 21
        assert (np.diff(found) >= 0).all()
        told = [row["npv_p90"], row["npv_p50"], row["npv_p10"]]
        assert found[[2, 10, 18]] == pytest.approx(told, abs=0.02)


def test_a_picture_is_dark_at_night_and_holds_the_year(view: RunView) -> None:
    pictures = view.table("site_picture").set_index("site_id")["mean_w"]
    year = view.table("site_energy").set_index("site_id")["generated_kwh"]
    for site, mean_w in pictures.items():
        watts = np.asarray(mean_w, dtype=float).reshape(12, 24)
        assert (watts[:, [0, 1, 2, 23]] == 0).all()
        kwh = (watts.sum(axis=1) * HOURS / 24).sum() / 1000
        assert kwh == pytest.approx(year[site], abs=288 * 2.5 * 31 / 1000)  # each is rounded to 5 W


def test_drivers_are_kept_of_what_may_be_offered(view: RunView, offers: pd.DataFrame) -> None:
    drivers = view.table("driver")
    alone = {key for key in offers.index if "+" not in key[1]}
    assert set(zip(drivers["site_id"], drivers["retrofit"], strict=True)) <= alone
    assert (drivers["meaning"].fillna("") != "").all()
    turning = drivers[drivers["turns"]]
    assert len(turning) > 10
    assert ((turning["flips_at"] >= turning["low"]) & (turning["flips_at"] <= turning["high"])).all()
    assert drivers.loc[~drivers["turns"], "flips_at"].isna().all()


def test_what_ends_with_the_export_rule_is_stored_of_retrofit_and_offer(view: RunView, offers: pd.DataFrame) -> None:
    ranking = view.table("ranking").set_index(["site_id", "retrofit"])
    told = ranking[ranking["rule_ends_in_years"].notna()]
    assert len(told) > 20
    assert (told["rule_ends_in_years"] < told["years"]).all()
    assert told["npv_if_rule_stays"].notna().all()
    rule = view.sites().set_index("site_id")["export_rule"]
    ending = {"net metering", "gross feed-in", "deemed export"}
    assert set(rule[told.index.get_level_values("site_id")].dropna()) <= ending
    assert set(told["rule_end_assumed"]) == {True, False}  # of some the day is known
    alone = offers.index.intersection(told.index)
    assert len(alone) > 3
    pd.testing.assert_series_equal(
        offers.loc[alone, "npv_if_rule_stays"], told.loc[alone, "npv_if_rule_stays"], check_names=False
    )
