"""Periods and dated hours of tariffs as they are loaded: what is refused, what is found, what reaches a run."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from aftersun.inventory.loading.checks import check_inventory, price_findings
from aftersun.inventory.loading.load import LoadReport, load_file
from aftersun.inventory.store import read
from aftersun.inventory.store.file import Inventory

HEADER = "tariff_id,valid_from,period,from_month,until_month,days,from_hour,until_hour,import_price,export_price\n"
DAY = "T,2026-01-01,day,1,12,every day,7,22,0.30,"
NIGHT = "T,2026-01-01,night,1,12,every day,22,7,0.20,"


def load(inventory: Inventory, folder: Path, table: str, text: str) -> LoadReport:
    path = folder / f"{table}.csv"
    path.write_text(text)
    return load_file(inventory, table, path)


@pytest.fixture
def with_tariff(inventory: Inventory, tmp_path: Path) -> Inventory:
    load(inventory, tmp_path, "tariff", "tariff_id,valid_from\nT,2026-01-01\n")
    return inventory


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        ("T,2026-01-01,more,6,8,weekday,21,23,0.40,", "line 4, import_price: prices an hour that line 2 prices too."),
        (
            "T,2026-01-01,none,1,12,every day,3,4,,",
            "line 4, import_price: neither a price of import nor one of export.",
        ),
        ("T,2026-01-01,none,1,12,every day,3,3,,0.1", "line 4, until_hour: the same as from_hour."),
        ("T,2026-01-01,none,1,13,every day,3,4,,0.1", "line 4, until_month: above the highest allowed value, 12."),
        ("U,2026-01-01,day,1,12,every day,3,4,,0.1", "line 4, tariff_id: no tariff with this tariff_id is loaded."),
    ],
)
def test_a_row_that_cannot_be_is_kept_with_one_sentence(
    with_tariff: Inventory, tmp_path: Path, row: str, sentence: str
) -> None:
    report = load(with_tariff, tmp_path, "tariff_period", f"{HEADER}{DAY}\n{NIGHT}\n{row}\n")
    assert (report.added, report.rejected) == (2, 1)
    assert report.problems[0].startswith(sentence)


@pytest.mark.parametrize("price", ["0.003", "30"])
def test_a_price_in_cents_among_others_is_one_sentence(with_tariff: Inventory, tmp_path: Path, price: str) -> None:
    odd = f"T,2026-01-01,evening,1,12,every day,17,22,{price},"
    day = DAY.replace("7,22", "7,17")
    report = load(with_tariff, tmp_path, "tariff_period", f"{HEADER}{day}\n{NIGHT}\n{odd}\n")
    assert report.rejected == 1
    assert "more than 30 times above or below the middle price" in report.problems[0]


def test_a_lone_price_of_a_third_of_a_cent_is_asked_back(with_tariff: Inventory, tmp_path: Path) -> None:
    load(with_tariff, tmp_path, "tariff_period", f"{HEADER}T,2026-01-01,all,1,12,every day,0,24,0.003,\n")
    load(with_tariff, tmp_path, "customer", "customer_id,name\nC1,A\n")
    load(with_tariff, tmp_path, "site", "site_id,customer_id,latitude,longitude,tariff_id\nS1,C1,51,7,T\n")
    told = [finding for finding in check_inventory(with_tariff, date(2026, 6, 1)) if "a kWh bought" in finding.text]
    assert [finding.text for finding in told] == [
        "1 of 1 sites: a kWh bought costs less than 0.01 of the currency: S1."
    ]


def test_an_hour_without_a_price_is_told_until_the_tariff_has_one_for_it(
    with_tariff: Inventory, tmp_path: Path
) -> None:
    report = load(with_tariff, tmp_path, "tariff_period", f"{HEADER}{DAY}\n")
    assert [finding.text for finding in report.columns] == [
        "Tariff T of 2026-01-01 has no price for weekday 0 to 7 o'clock in month 1."
    ]
    assert read.tariffs_in_force(with_tariff, date(2026, 6, 1))["import_price"].isna().all()
    assert load(with_tariff, tmp_path, "tariff_period", f"{HEADER}{NIGHT}\n").columns == ()
    # 15 hours at 0.30 and 9 at 0.20
    assert read.tariffs_in_force(with_tariff, date(2026, 6, 1))["import_price"].tolist() == pytest.approx([0.2625])


def test_two_loads_that_price_an_hour_twice_and_a_day_without_a_tariff_are_told(
    with_tariff: Inventory, tmp_path: Path
) -> None:
    load(with_tariff, tmp_path, "tariff_period", f"{HEADER}{DAY}\n{NIGHT}\n")
    again = "T,2026-01-01,extra,7,7,Saturday,12,13,0.30,\nT,2026-02-01,day,1,12,every day,0,24,0.30,\n"
    load(with_tariff, tmp_path, "tariff_period", HEADER + again)
    assert [finding.text for finding in price_findings(with_tariff)] == [
        "Tariff T of 2026-01-01 has two prices for Saturday 12 to 13 o'clock in month 7.",
        "Tariff T of 2026-02-01 has prices by time, but no tariff begins on that day.",
    ]


def test_only_the_prices_of_the_tariff_in_force_reach_a_run(with_tariff: Inventory, tmp_path: Path) -> None:
    load(with_tariff, tmp_path, "tariff", "tariff_id,valid_from,import_price\nT,2026-07-01,0.33\n")
    load(with_tariff, tmp_path, "tariff_period", f"{HEADER}{DAY}\n{NIGHT}\n")
    hours = "tariff_id,valid_from,starts_at,spot_price\nT,2026-07-01,2025-01-01 00:00,-0.01\n"
    load(with_tariff, tmp_path, "tariff_hour", hours)
    before, after = (read.prices_in_force(with_tariff, day) for day in (date(2026, 6, 30), date(2026, 7, 1)))
    assert (len(before.periods), len(before.hours)) == (2, 0)
    assert (len(after.periods), len(after.hours)) == (0, 1)
