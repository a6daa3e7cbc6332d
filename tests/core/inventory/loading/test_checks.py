"""Each check finds what it is for, and only that."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

import pytest

from aftersun.inventory.loading.checks import check_inventory
from aftersun.inventory.loading.column_checks import NOTE, WARNING, Finding
from aftersun.inventory.loading.load import load_file
from aftersun.inventory.store.file import Inventory

Write = Callable[[str, str], Path]

TODAY = date(2026, 1, 1)


@pytest.fixture(scope="module")
def sound_file(empty_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One customer with one site, of which every fact that is looked at is known and plausible."""
    files = {
        "customer": "customer_id,contact_allowed\nC1,yes\n",
        "tariff": "tariff_id,valid_from,import_price,export_price\nT1,2024-01-01,0.30,0.08\n",
        "site": (
            "site_id,customer_id,latitude,longitude,tariff_id,inverter_rating_kw,commissioned_on,remaining_life_years,"
            "annual_demand_kwh,water_heat,birds_seen,roof_kind,monitoring\n"
            "S1,C1,40,-3.5,T1,4,2015-01-01,15,4000,gas boiler,no,pitched tile,none\n"
        ),
        # 14 modules of 1.65 m2 with 5.6 kW: 242 W/m2
        "array": (
            "array_id,site_id,tilt_deg,azimuth_deg,dc_rating_kw,module_count,module_rows,module_columns,"
            "module_width_m,module_height_m\nA1,S1,30,180,5.6,14,2,7,1.0,1.65\n"
        ),
    }
    folder = tmp_path_factory.mktemp("sound")
    path = Path(shutil.copy(empty_file, folder / "sound.duckdb"))
    with Inventory.open(path) as inventory:
        for table, text in files.items():
            (folder / f"{table}.csv").write_text(text, encoding="utf-8")
            assert load_file(inventory, table, folder / f"{table}.csv").rejected == 0
    return path


@pytest.fixture
def sound(sound_file: Path, tmp_path: Path) -> Iterator[Inventory]:
    with Inventory.open(shutil.copy(sound_file, tmp_path / "sound.duckdb")) as inventory:
        yield inventory


def _found(inventory: Inventory, change: str) -> list[Finding]:
    inventory.connection.execute(change)
    return check_inventory(inventory, TODAY)


@pytest.mark.slow
def test_sound_inventory_has_no_finding(sound: Inventory) -> None:
    assert check_inventory(sound, TODAY) == []


@pytest.mark.slow
def test_empty_inventory_has_no_finding(inventory: Inventory) -> None:
    assert check_inventory(inventory) == []


@pytest.mark.slow
def test_slips_against_the_other_sites_are_found(sound: Inventory, write: Write) -> None:
    tariff = "tariff_id,valid_from,import_price\nT2,2024-01-01,35\n"  # hundredths of the currency
    load_file(sound, "tariff", write("more.csv", tariff))
    rows = "".join(f"S{n},C1,40,{3.5 if n == 4 else -3.5},{'T2' if n == 5 else 'T1'}\n" for n in range(2, 8))
    load_file(sound, "site", write("sites.csv", "site_id,customer_id,latitude,longitude,tariff_id\n" + rows))
    texts = [finding.text for finding in check_inventory(sound, TODAY)]
    assert any("import price more than 4 times" in text and "S5" in text for text in texts)
    assert any("more than 5 degrees" in text and "S4" in text for text in texts)


@pytest.mark.slow
def test_one_among_many_with_w_for_kw_or_exchanged_position_is_found(sound: Inventory, write: Write) -> None:
    rows = "".join(f"S{n},C1,{'-3.5,40' if n == 4 else '40,-3.5'}\n" for n in range(2, 8))
    load_file(sound, "site", write("sites.csv", "site_id,customer_id,latitude,longitude\n" + rows))
    rows = "".join(f"A{n},S{n},30,180,{4200 if n == 5 else 4.2}\n" for n in range(2, 8))
    load_file(sound, "array", write("arrays.csv", "array_id,site_id,tilt_deg,azimuth_deg,dc_rating_kw\n" + rows))
    texts = [finding.text for finding in check_inventory(sound, TODAY)]
    assert any("arrays have more than 100 times the rating of the middle one: A5." in text for text in texts)
    assert any("with latitude and longitude exchanged: S4." in text for text in texts)


@pytest.mark.parametrize(
    ("change", "level", "text"),
    [
        ("UPDATE \"array\" SET site_id = 'S0'", WARNING, "1 of 1 sites have no array: S1."),
        ("UPDATE site SET tariff_id = NULL", WARNING, "1 of 1 sites have no tariff in force on 2026-01-01: S1."),
        ("UPDATE tariff SET valid_from = '2026-01-02'", WARNING, "1 of 1 sites have no tariff in force"),
        ("UPDATE customer SET contact_allowed = NULL", WARNING, "1 of 1 customers: whether they may be contacted"),
        ("UPDATE site SET inverter_rating_kw = 2.7", WARNING, "1 of 1 sites: inverter rating"),  # ratio 0.48
        ("UPDATE site SET inverter_rating_kw = 9.1", WARNING, "1 of 1 sites: inverter rating"),  # ratio 1.63
        ('UPDATE "array" SET module_columns = 6', NOTE, "1 of 1 arrays: module_rows x module_columns"),
        ('UPDATE "array" SET module_height_m = 1.5', WARNING, "1 of 1 arrays: rating for the area"),  # 267 W/m2
        (
            'UPDATE "array" SET dc_rating_kw = 5.6, module_width_m = 3, module_height_m = 2.3',
            WARNING,
            "outside 60 to 250",
        ),
        ('UPDATE "array" SET dc_rating_kw = 56', WARNING, "1 of 1 arrays: rating of a module"),  # 4 kW each
        ("UPDATE site SET commissioned_on = '2026-01-02'", WARNING, "1 of 1 sites are commissioned in the future"),
        ("UPDATE site SET export_rule_until = '2014-12-31'", WARNING, "1 of 1 sites: export_rule_until or"),
        ("UPDATE site SET generation_price_until = '2014-12-31'", WARNING, "1 of 1 sites: export_rule_until or"),
        ("UPDATE site SET export_rule_until = '2025-12-31'", NOTE, "1 of 1 sites: export rule or generation price"),
        ("UPDATE site SET export_rule_after = 'no export'", NOTE, "1 of 1 sites have export_rule_after but no"),
        ('UPDATE "array" SET azimuth_deg = 301', WARNING, "1 of 1 arrays face more than 120 degrees"),
        ('UPDATE "array" SET azimuth_deg = 0', WARNING, "1 of 1 arrays face more than 120 degrees"),
        ("UPDATE site SET latitude = -40", WARNING, "1 of 1 arrays face more than 120 degrees"),
        ("UPDATE site SET latitude = 30, longitude = -40", WARNING, "1 of 1 sites lie more than 50 km from any town"),
        ("UPDATE site SET annual_demand_kwh = 8", WARNING, "1 of 1 sites use less than 200 kWh a year: S1."),
        ("UPDATE site SET annual_demand_kwh = 8", WARNING, "1 of 1 sites use less than 10 kWh a year for each kW"),
        ("UPDATE site SET inverter_year = 2027", WARNING, "1 of 1 sites have an inverter of a year to come: S1."),
        ("UPDATE customer SET last_contact_on = '2026-01-02'", WARNING, "1 of 1 customers were last spoken to in the"),
        (
            "INSERT INTO reading BY NAME SELECT 'S1' AS site_id, 'production' AS meter, TIMESTAMP '2024-01-01' "
            "AS starts_at, TIMESTAMP '2025-01-01' AS ends_at, 20000 AS kwh",
            WARNING,
            "1 of 1 sites: a year's output for each kW of the arrays outside 300 to 2400 kWh: S1.",
        ),
        ("UPDATE site SET birds_seen = NULL, water_heat = NULL", NOTE, "water_heat 100 %, birds_seen 100 %."),
        ("UPDATE tariff SET export_price = NULL", NOTE, "share of 1 sites: export_price 100 %."),
    ],
)
@pytest.mark.few_quick
@pytest.mark.slow
def test_each_check_finds_its_fault(sound: Inventory, change: str, level: str, text: str) -> None:
    findings = [finding for finding in _found(sound, change) if text in finding.text]
    assert [finding.level for finding in findings] == [level]
    assert findings[0].what_to_do.endswith(".")


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE site SET inverter_rating_kw = 2.8",  # ratio 0.5
        'UPDATE "array" SET azimuth_deg = 300',
        'UPDATE "array" SET azimuth_deg = 0, tilt_deg = 10',
        'UPDATE site SET latitude = -33, longitude = 19; UPDATE "array" SET azimuth_deg = 0',
        'UPDATE site SET latitude = -33, longitude = 19; UPDATE "array" SET azimuth_deg = 359',
        "UPDATE site SET commissioned_on = '2026-01-01'",
        "UPDATE customer SET contact_allowed = FALSE",
        "UPDATE site SET inverter_rating_kw = NULL",
        'UPDATE "array" SET module_count = NULL',
    ],
)
@pytest.mark.few_quick
@pytest.mark.slow
def test_what_is_plausible_or_unknown_is_no_fault(sound: Inventory, change: str) -> None:
    assert _found(sound, change) == []


@pytest.mark.slow
def test_examples_are_few(sound: Inventory) -> None:
    change = "INSERT INTO customer (customer_id) SELECT 'K' || lpad(range::VARCHAR, 3, '0') FROM range(100)"
    (finding,) = _found(sound, change)
    assert finding.text.endswith("is unknown: K000, K001, K002, K003, K004 and others.")
    assert finding.text.startswith("100 of 101 customers")
