"""The demo inventory: invented, complete, in its region, and wrong only where it is meant to be."""

from __future__ import annotations

import csv
import importlib
import sys
from collections import Counter
from datetime import date
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

import aftersun_datasets
from aftersun.inventory.loading.checks import check_inventory
from aftersun.inventory.loading.load import load_file
from aftersun.inventory.loading.rejects import open_rejects
from aftersun.inventory.store import dictionary
from aftersun.inventory.store.file import Inventory
from aftersun.money.company import load_company

BUILD = Path(__file__).parents[2] / "datasets" / "build"
DEMO = Path(str(aftersun_datasets.path("demo")))
Rows = dict[str, list[dict[str, object]]]
TABLES = dictionary.tables()
# Counted from what the demo promises in its README; planted rows come on top.
GOOD_ROWS = {"customer": 240, "site": 250, "array": 314, "tariff": 13, "fitted": 23, "reading": 250, "horizon": 16}
GOOD_ROWS |= {"tariff_period": 0, "tariff_hour": 0, "past_weather": 0}  # all prices hold by day and night alone
PLANTED_ROWS = {"customer": 3, "site": 5, "array": 3, "tariff": 1, "fitted": 3, "reading": 3, "horizon": 1}
PLANTED_ROWS |= {"tariff_period": 0, "tariff_hour": 0, "past_weather": 0}
RETROFITS = {
    "monitoring_add_on",
    "anti_soiling_coating",
    "bird_mesh",
    "tilt_mount",
    "hot_water_diverter",
    "degradation_mitigation",
    "connector_replacement",
}
STATION = (36.10, -79.95, 270.0)


def _script(name: str) -> ModuleType:
    sys.path.insert(0, str(BUILD))
    try:
        return importlib.import_module(name)
    finally:
        sys.path.remove(str(BUILD))


def _lines(table: str) -> list[list[str]]:
    with DEMO.joinpath(f"{table}.csv").open(encoding="utf-8", newline="") as handle:
        return list(csv.reader(handle))


@pytest.fixture(scope="module")
def good() -> Rows:
    """Good rows by table, as the script makes them."""
    built: Rows = _script("build_demo").build()
    return built


@pytest.fixture(scope="module")
def sites() -> dict[str, dict[str, str]]:
    """Good sites by id, as text."""
    return {row["site_id"]: row for row in aftersun_datasets.rows("demo/site.csv") if row["site_id"] < "S0900"}


@pytest.mark.parametrize("table", TABLES)
def test_files_are_what_the_script_writes(table: str, tmp_path: Path) -> None:
    _script("build_demo").write(tmp_path)
    assert (tmp_path / f"{table}.csv").read_bytes() == (DEMO / f"{table}.csv").read_bytes()


@pytest.mark.parametrize("table", TABLES)
def test_files_hold_the_good_and_the_planted_rows(table: str, good: Rows) -> None:
    planted = [row for row in _script("demo_rows").PLANTED if row.table == table]
    assert len(planted) == PLANTED_ROWS[table]
    assert len(good[table]) == GOOD_ROWS[table]
    assert len(_lines(table)) == 1 + GOOD_ROWS[table] + PLANTED_ROWS[table]


@pytest.mark.parametrize("table", TABLES)
def test_columns_are_the_dictionarys(table: str) -> None:
    assert _lines(table)[0] == [column.name for column in dictionary.columns(table)]


@pytest.mark.parametrize("table", TABLES)
def test_keys_of_good_rows_are_unique(table: str, good: Rows) -> None:
    keys = dictionary.key_columns(table)
    found = [tuple(row[name] for name in keys) for row in good[table]]
    assert len(set(found)) == len(found)


def test_every_planted_row_says_why_and_is_in_its_file() -> None:
    for planted in _script("demo_rows").PLANTED:
        assert planted.reason
        header, *lines = _lines(planted.table)
        assert not planted.column or planted.column in header
        wrong = set(planted.cells) or {planted.key, *planted.values.values()} - {""}
        assert any(wrong <= set(line) for line in lines), planted


@pytest.mark.slow
def test_loading_rejects_the_planted_rows_and_no_other(tmp_path: Path) -> None:
    with Inventory.create(tmp_path / "demo.duckdb") as inventory:
        for table in dictionary.tables():
            report = load_file(inventory, table, DEMO / f"{table}.csv")
            assert (report.rejected, report.added) == (PLANTED_ROWS[table], GOOD_ROWS[table])
            assert report.columns == ()
        assert not any(finding.cause for finding in check_inventory(inventory, date(2026, 6, 1)))
        rejects = open_rejects(inventory)
    first_column = rejects["column_name"].fillna("").str.split(", ").str[0]
    found = Counter(zip(rejects["table_name"], first_column, strict=True))
    assert found == Counter((row.table, row.column) for row in _script("demo_rows").PLANTED)


def test_good_rows_refer_to_good_rows(good: Rows) -> None:
    customers, sites, tariffs = (
        {row[f"{table}_id"] for row in good[table]} for table in ("customer", "site", "tariff")
    )
    assert {row["customer_id"] for row in good["site"]} == customers
    assert {row["tariff_id"] for row in good["site"]} - {""} == tariffs
    assert {row["site_id"] for row in good["array"]} == sites
    assert {row["site_id"] for row in good["fitted"]} <= sites
    assert {row["retrofit"] for row in good["fitted"]} == RETROFITS


def test_good_values_are_within_the_dictionarys_limits(good: Rows) -> None:
    text = _script("build_demo").text
    for table in TABLES:
        for column in dictionary.columns(table):
            values = [text(row[column.name]) for row in good[table]]
            assert not column.required or all(values), column.name
            for value in filter(None, values):
                if column.choices:
                    assert value in column.choices
                elif column.type == "boolean":
                    assert value in ("yes", "no")
                elif column.type == "date":
                    assert date.fromisoformat(value) <= date(2050, 12, 31)
                elif column.type in ("number", "integer"):
                    assert column.minimum is None or float(value) >= column.minimum
                    assert column.maximum is None or float(value) <= column.maximum
                    assert column.type == "number" or float(value).is_integer()


def test_positions_lie_in_the_region_and_are_no_addresses(sites: dict[str, dict[str, str]]) -> None:
    position = np.array([(float(row["latitude"]), float(row["longitude"])) for row in sites.values()])
    north_km = (position[:, 0] - STATION[0]) * 111.2  # 40 030 km around the Earth / 360
    east_km = (position[:, 1] - STATION[1]) * 111.2 * np.cos(np.radians(STATION[0]))
    distance_km = np.hypot(north_km, east_km)
    assert distance_km.max() <= 60.0
    assert 3 <= np.count_nonzero(distance_km > 50.0) <= 10
    assert np.allclose(position, np.round(position, 2))
    heights = np.array([float(row["elevation_m"] or "nan") for row in sites.values()])
    assert 1 <= np.count_nonzero(heights - STATION[2] > 250.0) <= 5


def test_no_customer_is_a_person() -> None:
    for row in aftersun_datasets.rows("demo/customer.csv"):
        kind, number = row["name"].split(" ")
        assert kind in ("Household", "Business")
        assert number.isdigit()
        assert not row["phone"] or row["phone"].startswith("000 ")
        assert not row["email"] or row["email"].endswith("@larkmoor.invalid")


def test_some_of_each_permission_are_there() -> None:
    allowed = Counter(row["contact_allowed"] for row in aftersun_datasets.rows("demo/customer.csv"))
    assert min(allowed["yes"], allowed["no"], allowed[""]) >= 20


def test_unknowns_occur_as_often_as_in_real_lists(sites: dict[str, dict[str, str]]) -> None:
    for column in _script("demo_stories").UNKNOWN_SHARE:
        if column in next(iter(sites.values())):
            empty = np.mean([row[column] == "" for row in sites.values()])
            assert 0.02 <= empty <= 0.75, column


def test_every_retrofit_has_sites_built_for_it(sites: dict[str, dict[str, str]]) -> None:
    """The fact that should make it pay is known at each; what the sum is, the program says."""
    built = _script("demo_stories").sites_built_for()
    assert set(built) == RETROFITS
    known = {
        "monitoring_add_on": {"owner_present": {"no"}},
        "anti_soiling_coating": {"surroundings": {"desert", "roadside", "farmland"}},
        "bird_mesh": {"birds_seen": {"yes"}},
        "tilt_mount": {"surroundings": {"rural", "farmland"}},
        "hot_water_diverter": {"export_rule": {"no export"}},
        "connector_replacement": {"open_string": {"yes"}},
    }
    for retrofit, facts in known.items():
        for column, values in facts.items():
            assert {sites[site][column] for site in built[retrofit]} <= values
    assert all(float(sites[site]["measured_excess_loss"]) > 0 for site in built["degradation_mitigation"])


def test_open_strings_are_not_the_only_string(sites: dict[str, dict[str, str]]) -> None:
    strings: Counter[str] = Counter()
    for row in aftersun_datasets.rows("demo/array.csv"):
        strings[row["site_id"]] += int(row["strings"] or "2")
    assert all(strings[site] >= 2 for site, row in sites.items() if row["open_string"] == "yes")


def test_modules_add_up_to_the_rating(good: Rows) -> None:
    """A module has 80 to 430 W, and rows times columns are its number: what was sold from 2008 to 2024."""
    for row in good["array"]:
        rows, columns, count = row["module_rows"], row["module_columns"], row["module_count"]
        if count:
            assert 0.08 <= float(str(row["dc_rating_kw"])) / int(str(count)) <= 0.43
        if rows and columns and count:
            assert int(str(rows)) * int(str(columns)) == int(str(count))


def test_company_file_loads_and_prices_every_item() -> None:
    assert (DEMO / "company.toml").read_text(encoding="utf-8").startswith("# INVENTED DEMO DATA")
    company = load_company(DEMO / "company.toml")
    assert company.identity.currency == "EUR"
    assert company.identity.price_date == date(2026, 5, 1)
    assert company.money.real_discount_rate == 0.03
    assert company.money.horizon_years == 20
    for row in aftersun_datasets.rows("price_items.csv"):
        price = getattr(company.travel, row["key"]) if row["kind"] == "travel" else None
        price = company.price_of(row["kind"], row["key"]) if price is None else price
        assert float(row["low"]) <= price <= float(row["high"]), row["key"]
