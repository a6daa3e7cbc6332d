"""A column in another unit is told with its likely cause, and the command that is named brings it back.

The portfolios are invented: twelve homes around the demo's base, and twelve businesses that buy in yen.
"""

from __future__ import annotations

import math
import shlex
import shutil
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import aftersun_datasets
from aftersun.cli.options import company_of
from aftersun.inventory.loading.checks import check_inventory
from aftersun.inventory.loading.column_checks import Company, Finding, find
from aftersun.inventory.loading.convert import convert, undo
from aftersun.inventory.loading.load import LoadReport, load_file
from aftersun.inventory.store.dictionary import columns, key_columns
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import EXIT_BAD_INPUT, EXIT_DONE, EXIT_LOSSES

Aftersun = Callable[..., Any]
Rows = dict[str, pd.DataFrame]

N = 12
TODAY = date(2026, 6, 1)


def _homes() -> Rows:
    n = pd.Series(range(N))
    customers = pd.DataFrame({"customer_id": [f"C{k:02}" for k in n], "contact_allowed": "yes"})
    tariffs = pd.DataFrame(
        {
            "tariff_id": ["T1", "T2"],
            "valid_from": "2024-01-01",
            "import_price": [0.31, 0.29],
            "night_import_price": [0.18, 0.17],
            "export_price": [0.08, 0.06],
            "generation_price": [0.12, 0.11],
            "gas_price": [0.09, 0.08],
            "oil_price": [0.1, 0.11],
            "lpg_price": [0.13, 0.12],
            "district_heat_price": [0.11, 0.1],
        }
    )
    sites = pd.DataFrame(
        {
            "site_id": [f"S{k:02}" for k in n],
            "customer_id": customers["customer_id"],
            "latitude": 36 + n / 50,
            "longitude": -80 + n / 40,
            "commissioned_on": [f"{2008 + k}-05-{10 + k}" for k in n],
            "storeys": 1 + n % 3,
            "annual_demand_kwh": 2400 + 370 * n,
            "water_store_litres": 120 + 20 * (n % 6),
            "water_store_insulation_mm": 30 + 5 * (n % 5),
            "element_kw": 2.5 + n % 2,
            "battery_kwh": 5 + 0.5 * n,
            "inverter_rating_kw": 3 + 0.5 * (n % 6),
            "export_limit_kw": 4 + n % 5,
            "tariff_id": ["T1", "T2"] * (N // 2),
            "module_gap_mm": 80 + 10 * (n % 5),
            "measured_excess_loss": 0.03 + n / 200,
            "remaining_life_years": 10 + n,
            "wind_m_s": 22 + n % 4,
            "roof_reserve_kg_m2": 40 + 10 * (n % 4),
        }
    )
    arrays = pd.DataFrame(
        {
            "array_id": [f"A{k:02}" for k in n],
            "site_id": sites["site_id"],
            "tilt_deg": 25 + 2 * (n % 8),
            "azimuth_deg": 120 + 10 * n,
            "dc_rating_kw": 3.2 + 0.8 * (n % 6),
            "module_count": 8 + 2 * (n % 6),
            "module_rows": 2,
            "module_columns": 4 + n % 6,
            "module_width_m": 1.0 + n / 100,
            "module_height_m": 1.65 + n / 100,
            "open_outline_m": 10.5 + n % 6,
            "temp_coefficient_pct_per_k": -0.35 - n / 100,
            "ground_cover_ratio": 0.3 + n / 50,
            "shading_pct": 2 + n % 5,
        }
    )
    months = pd.DataFrame({"starts_at": pd.date_range("2025-01-01", periods=6, freq="MS")})
    readings = sites[["site_id"]].head(6).merge(months, how="cross")
    readings = readings.assign(
        meter="production",
        ends_at=readings["starts_at"] + pd.offsets.MonthBegin(),
        kwh=240.5 + 31 * (readings.index % 6),
        register_kwh=pd.NA,
    )
    counted = sites[["site_id"]].tail(6).merge(months, how="cross")
    counted = counted.assign(meter="production", ends_at=pd.NaT, kwh=pd.NA)
    counted["register_kwh"] = 12000 + 350 * (counted.index % 6)
    points = pd.DataFrame({"azimuth_deg": [0, 90, 180, 270], "height_deg": [3, 8, 5, 12]})
    return {
        "customer": customers,
        "tariff": tariffs,
        "site": sites,
        "array": arrays,
        "reading": pd.concat([readings, counted], ignore_index=True),
        "horizon": sites[["site_id"]].head(2).merge(points, how="cross"),
    }


def _businesses() -> Rows:
    """Large, flat, half east and half west, with works' demands, high blocks and small stores under the sink."""
    rows, n = _homes(), pd.Series(range(N))
    rows["tariff"] = rows["tariff"][["tariff_id", "valid_from"]].assign(
        import_price=[19, 26], export_price=[8, 9], gas_price=[9, 12]
    )
    rows["site"] = rows["site"].assign(
        latitude=35 + n / 2,
        longitude=135 + n / 2,
        storeys=1 + n,
        annual_demand_kwh=60_000 + 80_000 * n,
        water_store_litres=10 + n,
        battery_kwh=400 * (n % 5),
        inverter_rating_kw=80 + 80 * n,
        export_limit_kw=50 + 80 * n,
        remaining_life_years=8 + n,
        roof_reserve_kg_m2=8 + n,
    )
    rows["array"] = rows["array"].assign(
        tilt_deg=10,
        azimuth_deg=[90, 270] * (N // 2),
        dc_rating_kw=100.0 + 100 * n,
        module_count=240 + 240 * n,
        module_rows=pd.NA,
        module_columns=pd.NA,
        open_outline_m=400 + 40 * n,
        shading_pct=0,
    )
    del rows["reading"]
    return rows


def _load(inventory: Inventory, table: str, frame: pd.DataFrame, path: Path, company: Company) -> LoadReport:
    frame.to_csv(path, index=False)
    return load_file(inventory, table, path, company=company)


def _made(folder: Path, rows: Rows, company: Company) -> Path:
    """Load sound tables, of which nothing is to be told."""
    with Inventory.create(folder / "company.duckdb") as inventory:
        for table, frame in rows.items():
            report = _load(inventory, table, frame, folder / f"{table}.csv", company)
            assert (report.rejected, report.columns) == (0, ())
        return inventory.path


@pytest.fixture(scope="module")
def company(tmp_path_factory: pytest.TempPathFactory) -> Company:
    """What the demo's company file says."""
    return company_of(Path("company.duckdb"), Path(str(aftersun_datasets.path("demo/company.toml"))))


@pytest.fixture(scope="module")
def homes_file(tmp_path_factory: pytest.TempPathFactory, company: Company) -> Path:
    return _made(tmp_path_factory.mktemp("homes"), _homes(), company)


@pytest.fixture
def homes(homes_file: Path, tmp_path: Path) -> Iterator[Inventory]:
    with Inventory.open(shutil.copy(homes_file, tmp_path)) as inventory:
        yield inventory


def times(factor: float) -> Callable[[pd.Series], pd.Series]:
    return lambda values: pd.to_numeric(values).mul(factor).round(9)


def _later(years: int = 0, days: int = 0) -> Callable[[pd.Series], pd.Series]:
    def shifted(values: pd.Series) -> pd.Series:
        return (pd.to_datetime(values) + pd.DateOffset(years=years, days=days)).dt.strftime("%Y-%m-%d")

    return shifted


def _slope(values: pd.Series) -> pd.Series:
    return values.map(lambda degrees: round(100 * math.tan(math.radians(degrees)), 2))


SLIPS: list[tuple[str, Callable[[pd.Series], pd.Series], str]] = [
    ("array.tilt_deg", times(math.pi / 180), "rad"),
    ("array.tilt_deg", _slope, "percent"),
    ("array.azimuth_deg", times(math.pi / 180), "rad"),
    ("array.azimuth_deg", lambda degrees: (degrees + 180) % 360, "from-south"),
    ("array.azimuth_deg", lambda degrees: degrees - 180, "from-south"),
    ("array.dc_rating_kw", times(1000), "W"),
    ("array.module_count", times(10), "tenths"),
    ("array.module_width_m", times(1000), "mm"),
    ("array.module_width_m", times(1 / 0.3048), "ft"),
    ("array.module_height_m", times(100), "cm"),
    ("array.module_height_m", times(1 / 0.3048), "ft"),
    ("array.module_height_m", times(1 / 0.0254), "in"),
    ("array.open_outline_m", times(1 / 0.3048), "ft"),
    ("array.temp_coefficient_pct_per_k", times(0.01), "share"),
    ("array.temp_coefficient_pct_per_k", times(-1), "wrong-sign"),
    ("array.ground_cover_ratio", times(100), "percent"),
    ("array.shading_pct", times(0.01), "share"),
    ("site.longitude", times(-1), "wrong-sign"),
    ("site.latitude", times(-1), "wrong-sign"),
    ("site.longitude", times(math.pi / 180), "rad"),
    ("site.commissioned_on", _later(years=100), "century-late"),
    ("site.commissioned_on", _later(years=-100), "century-early"),
    ("site.storeys", times(10), "ft"),
    ("site.annual_demand_kwh", times(0.001), "MWh"),
    ("site.annual_demand_kwh", times(1000), "Wh"),
    ("site.water_store_litres", times(0.001), "m3"),
    ("site.water_store_litres", times(1 / 3.785411784), "US-gal"),
    ("site.water_store_insulation_mm", times(0.1), "cm"),
    ("site.element_kw", times(1000), "W"),
    ("site.battery_kwh", times(1000), "Wh"),
    ("site.inverter_rating_kw", times(1000), "W"),
    ("site.export_limit_kw", times(1000), "W"),
    ("site.module_gap_mm", times(0.001), "m"),
    ("site.measured_excess_loss", times(100), "percent"),
    ("site.remaining_life_years", times(12), "months"),
    ("site.wind_m_s", times(3.6), "km/h"),
    ("site.roof_reserve_kg_m2", times(0.00980665), "kN/m2"),
    ("tariff.import_price", times(100), "cents"),
    ("tariff.import_price", times(1000), "per-MWh"),
    ("tariff.export_price", times(100), "cents"),
    ("tariff.generation_price", times(100), "cents"),
    ("tariff.night_import_price", times(100), "cents"),
    ("tariff.gas_price", times(100), "cents"),
    ("tariff.oil_price", times(10), "per-litre"),
    ("tariff.lpg_price", times(100), "cents"),
    ("tariff.district_heat_price", times(1000), "per-MWh"),
    ("reading.kwh", times(0.001), "MWh"),
    ("reading.kwh", times(1000), "Wh"),
    ("reading.register_kwh", times(0.001), "MWh"),
    ("reading.register_kwh", times(1000), "Wh"),
    ("horizon.height_deg", times(math.pi / 180), "rad"),
]


def _stored(inventory: Inventory, table: str) -> pd.DataFrame:
    keys = ", ".join(key_columns(table))
    return inventory.connection.execute(f'SELECT * FROM "{table}" ORDER BY {keys}').df()


def _causes(findings: list[Finding] | tuple[Finding, ...]) -> list[str]:
    return [finding.cause for finding in findings if finding.cause]


def _obey(inventory: Inventory, finding: Finding, company: Company) -> None:
    """Do what the command of a finding says."""
    program, room, command, path, *words = shlex.split(finding.what_to_do)
    assert (program, room, path) == ("aftersun", "inventory", str(inventory.path))
    if command == "convert":
        sign = words.index("--from")
        convert(inventory, words[:sign], words[sign + 1], company, TODAY)
    else:
        assert (command, words[1], words[3]) == ("load", "--table", "--unit")
        units = dict(word.partition(".")[2].split("=") for word in words[4::2])
        assert load_file(inventory, words[2], Path(words[0]), units=units, company=company).columns == ()


IDS = [f"{place}-{unit}" for place, _, unit in SLIPS]
QUICK = ["array.azimuth_deg-from-south", "site.annual_demand_kwh-MWh", "site.commissioned_on-century-late"]
MENDED = [
    pytest.param(*slip, marks=() if name in QUICK else pytest.mark.slow) for slip, name in zip(SLIPS, IDS, strict=True)
]


@pytest.mark.parametrize(("place", "wrong", "unit"), SLIPS, ids=IDS)
@pytest.mark.slow
def test_a_slip_is_told_with_its_likely_cause(
    homes_file: Path, company: Company, place: str, wrong: Callable[[pd.Series], pd.Series], unit: str
) -> None:
    table, _, column = place.partition(".")
    frame = _homes()[table]
    slip = frame.assign(**{column: wrong(frame[column])})
    with Inventory.open(homes_file, read_only=True) as inventory:
        found = find(inventory, company, TODAY, (table, slip, Path("slip.csv")))
    assert _causes(found) == [f"{place}={unit}"]


@pytest.mark.parametrize(("place", "wrong", "unit"), MENDED, ids=IDS)
@pytest.mark.slow
def test_the_command_named_brings_a_column_back(
    homes: Inventory, company: Company, tmp_path: Path, place: str, wrong: Callable[[pd.Series], pd.Series], unit: str
) -> None:
    table, _, column = place.partition(".")
    before, frame = _stored(homes, table), _homes()[table]
    needed = [one.name for one in columns(table) if one.required or one.name == column or table == "reading"]
    wrong_frame = frame.assign(**{column: wrong(frame[column])})
    report = _load(homes, table, wrong_frame[needed], tmp_path / f"{table}.csv", company)
    assert _causes(report.columns) == [f"{place}={unit}"]
    if not report.rejected:  # the whole column stands there wrong
        slip = _stored(homes, table)
        (told,) = [finding for finding in check_inventory(homes, TODAY, company) if finding.cause]
        assert told.cause == f"{place}={unit}"
        _obey(homes, told, company)
        pd.testing.assert_frame_equal(_stored(homes, table), before, rtol=2e-4)
        undo(homes, [place])
        pd.testing.assert_frame_equal(_stored(homes, table), slip)
    _obey(homes, report.columns[0], company)
    pd.testing.assert_frame_equal(_stored(homes, table), before, rtol=2e-4)


@pytest.mark.slow
def test_positions_in_radians_or_swapped_are_told_at_once(homes: Inventory, tmp_path: Path) -> None:
    """Without a company file too where no such place has a home; swapped in Europe, the base tells it."""
    sites = _homes()["site"][["site_id", "customer_id", "latitude", "longitude"]]
    radians = sites.assign(latitude=sites["latitude"] * math.pi / 180, longitude=sites["longitude"] * math.pi / 180)
    report = _load(homes, "site", radians, tmp_path / "site.csv", {})
    assert _causes(report.columns) == ["site.latitude+longitude=rad"]
    _obey(homes, report.columns[0], {})
    assert _stored(homes, "site")["longitude"].tolist() == pytest.approx(sites["longitude"].tolist())
    swapped = sites.assign(latitude=sites["longitude"], longitude=sites["latitude"])
    assert _causes(_load(homes, "site", swapped, tmp_path / "s.csv", {}).columns) == ["site.latitude+longitude=swapped"]
    base = {"base_latitude": 48.0, "base_longitude": 11.0}
    europe = sites.assign(latitude=11 + sites.index / 50, longitude=48 + sites.index / 50)
    _load(homes, "site", europe, tmp_path / "e.csv", {})
    (told,) = [one for one in check_inventory(homes, TODAY, base) if one.cause]
    assert told.cause == "site.latitude+longitude=swapped"
    _obey(homes, told, base)
    assert _stored(homes, "site")["latitude"].tolist() == pytest.approx(europe["longitude"].tolist())
    undo(homes, ["site.latitude", "site.longitude"])
    assert _stored(homes, "site")["latitude"].tolist() == pytest.approx(europe["latitude"].tolist())


@pytest.mark.slow
def test_prices_are_told_without_a_company_and_two_slips_one_each(homes: Inventory, tmp_path: Path) -> None:
    tariffs = _homes()["tariff"]
    cents = tariffs.assign(import_price=tariffs["import_price"] * 100, gas_price=tariffs["gas_price"] * 100)
    told = _causes(_load(homes, "tariff", cents, tmp_path / "tariff.csv", {}).columns)
    assert told == ["tariff.import_price=cents", "tariff.gas_price=cents"]


@pytest.mark.slow
def test_load_and_check_print_the_command_that_mends(aftersun: Aftersun, homes: Inventory, tmp_path: Path) -> None:
    homes.close()
    arrays = _homes()["array"]
    table = tmp_path / "roofs of May.csv"
    arrays.assign(dc_rating_kw=arrays["dc_rating_kw"] * 1000).to_csv(table, index=False)
    loaded = aftersun("inventory", "load", homes.path, table, "--table", "array")
    assert loaded.code == EXIT_LOSSES  # some are beyond the limit of a column, the others are not
    command = next(line.strip() for line in loaded.out.splitlines() if line.strip().startswith("aftersun"))
    assert command == f"aftersun inventory load {homes.path} '{table}' --table array --unit array.dc_rating_kw=W"
    assert "Likely array.dc_rating_kw is in W" in " ".join(loaded.out.split())
    assert aftersun(*shlex.split(command)[1:]).code == EXIT_DONE
    assert "usual is" not in aftersun("inventory", "check", homes.path).out
    for stated, sentence in [
        ("dc_rating_kw=W", "no such table is loaded"),
        ("site.battery_kwh=Wh", "no such table is loaded"),
        ("array.shading=share", "has no such column"),
        ("array.strings=W", "from no other unit"),
    ]:
        ran = aftersun("inventory", "load", homes.path, table, "--table", "array", "--unit", stated)
        assert ran.code == EXIT_BAD_INPUT
        assert sentence in " ".join(ran.err.split())


@pytest.mark.slow
def test_nothing_is_told_of_large_businesses(tmp_path: Path) -> None:
    """Nor where an hour of work costs 4,000 yen and a kWh 20, or the base lies far away."""
    company = {"base_latitude": 43.0, "base_longitude": 141.3, "hour_price": 4000.0}
    with Inventory.open(_made(tmp_path, _businesses(), company), read_only=True) as inventory:
        assert _causes(check_inventory(inventory, TODAY, company)) == []


@pytest.mark.slow
def test_what_is_beyond_limits_or_learnt_stays_and_what_looks_right_is_refused(
    aftersun: Aftersun, homes: Inventory
) -> None:
    convert_it = ("inventory", "convert", homes.path)
    homes.connection.execute("UPDATE site SET annual_demand_kwh = annual_demand_kwh / 1000")
    homes.connection.execute("UPDATE site SET annual_demand_kwh = 50000 WHERE site_id = 'S01'")
    homes.connection.execute("UPDATE site SET annual_demand_kwh = NULL WHERE site_id = 'S03'")
    homes.close()
    assert aftersun("log", "fact", homes.path, "S02", "--origin", "visit", "annual_demand_kwh=900").code == EXIT_DONE
    refused = [
        (("site.annual_demand_kwh", "--from", "litres"), "is not converted from that unit, but from MWh, Wh."),
        (("site.site_id", "--from", "MWh"), "but from no other unit."),
        (("site.demand", "--from", "MWh"), "The table site has no such column."),
        (("annual_demand_kwh", "--from", "MWh"), "Columns are written TABLE.COLUMN"),
        (("array.tilt_deg", "--from", "rad"), "No known value of array.tilt_deg would be within its limits"),
        (("tariff.export_price", "--from", "cents"), "tariff.export_price looks right as it is"),
        (("array.shading_pct", "--undo"), "No conversion of array.shading_pct is left"),
        (("array.tilt_deg",), "named by --from UNIT or taken back by --undo"),
    ]
    for words, sentence in refused:
        ran = aftersun(*convert_it, *words)
        assert (ran.code, ran.out) == (EXIT_BAD_INPUT, "")
        assert sentence in " ".join(ran.err.split())
    done = aftersun(*convert_it, "site.annual_demand_kwh", "--from", "mwh")
    assert done.code == EXIT_LOSSES
    assert "9 rows converted" in done.out
    assert "1 row would be beyond the limits" in done.err
    assert "1 cell learnt from the customer" in done.err
    again = aftersun(*convert_it, "site.annual_demand_kwh", "--from", "MWh")
    assert again.code == EXIT_BAD_INPUT
    trail = aftersun("inventory", "changes", homes.path, "S05").out
    assert {"inventory", "convert"} <= set(trail.split())  # one below the other where the terminal is narrow
