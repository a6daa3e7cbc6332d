"""Lists as offices type them, in seven languages: ``lists/``. All people, streets and numbers are invented.

``english.csv`` is the sheet of an office that could not load it: a title above the headings, signs of three countries.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest

from aftersun.inventory.office_list.load_list import Understood, understand
from aftersun.inventory.office_list.vocabulary import Target

LISTS = Path(__file__).parent / "lists"
_NONE = [None, None, None]
EXPECTED: dict[str, dict[str, list[Any]]] = {
    "english": {
        "customer.customer_id": ["1001", "1002", "1003", "1004"],
        "list.postcode": ["01234", "01234", "01235", "01235"],
        "array.dc_rating_kw": [4.2, 5.4, 3.6, 4.2],
        "array.azimuth_deg": [202.5, 180, None, 135],
        "array.tilt_deg": [30, 35, None, 40],
        "site.commissioned_on": ["2024-03-02", "2023-03-25", "2019-01-01", None],
        "site.annual_demand_kwh": [8000, 3500, None, 4500],
        "site.water_heat": ["combi boiler", "gas boiler", None, "heat pump"],
        "site.birds_seen": ["yes", "no", None, "yes"],
    },
    "german": {
        "list.last_name": ["Amsel", "Fink", "Meise"],
        "list.first_name": ["Ute", "Bert", "Eva"],
        "list.house_number": ["4", "6", "8"],
        "array.dc_rating_kw": [9.9, 7.2, 5],
        "array.azimuth_deg": [135, 90, 225],
        "site.commissioned_on": ["2019-02-03", "2021-07-15", "2018-11-01"],
        "site.annual_demand_kwh": [4500, 3200, None],
        "site.roof_kind": ["pitched tile", "pitched slate", "pitched metal"],
        "site.water_heat": ["gas boiler", "heat pump", "oil boiler"],
    },
    "german_two_arrays": {
        "site.latitude": [50.123, 50.2],
        "site.longitude": [8.25, 8.3],
        "array.dc_rating_kw": [4.5, 6],
        "array.azimuth_deg": [90, 180],
        "array.dc_rating_kw 2": [5.5, None],
        "array.tilt_deg 2": [30, None],
        "array.azimuth_deg 2": [270, None],
    },
    "french": {
        "list.last_name": ["Merle", "Pinson", "Grive"],
        "array.dc_rating_kw": [3, 6.25, 9],
        "array.azimuth_deg": [225, 135, 270],
        "array.tilt_deg": [30, 20, 15],
        "site.commissioned_on": ["2020-04-12", "2021-05-01", "2019-03-01"],
        "site.annual_demand_kwh": [5200, 4800, 7000],
        "site.water_store_litres": [200, 150, None],
        "site.roof_kind": ["pitched tile", "pitched slate", "pitched metal"],
        "site.birds_seen": ["yes", "no", "no"],
    },
    "spanish": {
        "list.first_name": ["Ana", "Luis", "Eva"],
        "list.last_name": ["Mirlo", "Pinzón", "Tordo"],
        "array.dc_rating_kw": [4.2, 5.5, 6],
        "array.azimuth_deg": [225, 135, 270],
        "site.commissioned_on": ["2019-06-05", "2020-09-17", "2021-10-21"],
        "site.annual_demand_kwh": [3500, 12000, 1234.5],
        "site.water_heat": ["gas boiler", "immersion", "heat pump"],
        "site.roof_kind": ["pitched tile", "pitched metal", "flat gravel"],
        "tariff.import_price": [0.18, 0.18, 0.2],
    },
    "italian": {
        "array.dc_rating_kw": [3.15, 4.5],
        "array.azimuth_deg": [225, 270],
        "site.commissioned_on": ["2018-02-14", "2019-11-30"],
        "site.annual_demand_kwh": [2900, 3400],
        "site.battery_kwh": [9.6, 9.6],
        "site.roof_kind": ["pitched tile", "pitched metal"],
    },
    "dutch": {
        "array.module_count": [12, 10],
        "array.dc_rating_kw": [4.2, 3.5],  # 3.500 in W: the other way round it would be less than a module
        "array.azimuth_deg": [157.5, 90],
        "site.commissioned_on": ["2021-06-01", "2022-08-15"],
        "site.inverter_rating_kw": [3.6, 3],
        "site.roof_kind": ["pitched tile", None],
    },
    "portuguese": {
        "customer.name": ["Ana Melro", "Rui Tordo", "Eva Pardal"],
        "array.dc_rating_kw": [3.68, 5.52, 2.3],
        "array.azimuth_deg": [135, 90, 270],
        "site.commissioned_on": ["2020-05-03", "2021-02-28", "2021-11-28"],
        "site.annual_demand_kwh": [4100, 5300, 2800],
        "site.roof_kind": ["pitched tile", "pitched metal", "pitched tile"],
        "site.birds_seen": ["yes", "no", None],
    },
    "american": {
        "site.latitude": [38.5, 38.625, 38.7],
        "site.longitude": [-120.25, -120.5, -120.75],
        "array.dc_rating_kw": [7.65, 5.1, 6.2],
        "array.azimuth_deg": [180, 225, 270],
        "array.tilt_deg": [22, 18, 18.4349],  # atan(4/12)
        "site.commissioned_on": ["2019-03-14", "2020-11-02", "2021-07-04"],
        "site.annual_demand_kwh": [11250, 8400, 9000],
        "tariff.import_price": [0.31, 0.29, 0.29],
        "site.water_store_litres": [189.2705892, None, None],  # 50 times 3.785411784
    },
    "from_south": {
        "site.site_id": ["S1", "S2", "S3"],
        "array.azimuth_deg": [135, 180, 270],
        "array.tilt_deg": [30, 35, 40],
        # days from 1899-12-30, as spreadsheet programs count
        "site.commissioned_on": ["2020-01-01", "2021-01-01", "2022-01-01"],
    },
    "undecidable": {
        "array.dc_rating_kw": [4, 5, 6],
        "array.azimuth_deg": _NONE,
        "site.annual_demand_kwh": [8000, 3500, 4200],  # nobody uses 8 kWh a year
        "site.commissioned_on": _NONE,
    },
    "misspelt": {
        "customer.customer_id": ["1", "2"],
        "customer.street": ["Plover Row 4", "Plover Row 6"],
        "customer.phone": ["000 555 0101", "000 555 0102"],
        "array.azimuth_deg": [180, 225],
        "site.commissioned_on": ["2024-03-02", "2021-08-14"],
        "site.annual_demand_kwh": [3500, 2800],
        "site.battery_kwh": [10, 0],
    },
}


def _values(understood: Understood, name: str) -> list[Any]:
    table, _, rest = name.partition(".")
    column, _, number = rest.partition(" ")
    texts = understood.columns[Target(table, column, int(number or 1))].text
    numeric = column.endswith(("_kw", "_kwh", "_deg", "_litres", "_price", "count", "itude"))
    return [None if pd.isna(text) else float(text) if numeric else str(text) for text in texts]


@pytest.mark.parametrize("name", EXPECTED)
def test_a_list_is_read_as_it_was_meant(name: str) -> None:
    understood = understand(LISTS / f"{name}.csv")
    assert {target: _values(understood, target) for target in EXPECTED[name]} == EXPECTED[name]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
def test_an_encoding_is_told(encoding: str, tmp_path: Path) -> None:
    (tmp_path / "liste.csv").write_bytes((LISTS / "german.csv").read_text("utf-8").encode(encoding))
    understood = understand(tmp_path / "liste.csv")
    assert _values(understood, "list.last_name") == ["Amsel", "Fink", "Meise"]
    assert understood.columns[Target("customer", "street")].text[0] == "Larkweg"
    assert understood.proposal(Target("customer", "street")).heading == "Straße"


def test_a_workbook_with_merged_title_real_days_and_numbers_is_read(tmp_path: Path) -> None:
    """A number that the workbook holds as one needs no reading; a text in the same column does."""
    book = openpyxl.Workbook()
    notes = book.active
    notes.append(["Remarks of the office"])
    sheet = book.create_sheet("Customers")
    sheet.append(["Larkmoor, all roofs"])
    sheet.merge_cells("A1:F1")
    sheet.append([])
    sheet.append(["Customer No", "Name", "kWp", "Installed", "Usage", "Direction"])
    sheet.append([1, "Ada Rook", 4.125, datetime(2024, 3, 2), 3500, "SW"])
    sheet.append([2, "Bo Finch", "5,25", datetime(2023, 11, 4), "8.000", "S"])
    book.save(tmp_path / "roofs.xlsx")
    understood = understand(tmp_path / "roofs.xlsx")
    assert understood.grid.sheet == "Customers"
    assert list(understood.grid.lines) == [4, 5]
    assert _values(understood, "array.dc_rating_kw") == [4.125, 5.25]
    assert _values(understood, "site.commissioned_on") == ["2024-03-02", "2023-11-04"]
    assert _values(understood, "site.annual_demand_kwh") == [3500, 8000]
