"""A list in the inventory: split into tables, loaded twice, corrected, refused. All people are invented."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from aftersun.inventory.loading.load import LoadReport
from aftersun.inventory.office_list.doubles import merging
from aftersun.inventory.office_list.grid import read_grid
from aftersun.inventory.office_list.load_list import (
    Prepared,
    doubt_lines,
    first_rows,
    known_to,
    prepare,
    settled,
    store_list,
    understand,
    write_doubtful,
)
from aftersun.inventory.office_list.mapping import MappingFile, as_text, read_mapping, write_mapping
from aftersun.inventory.office_list.matching import language_of, propose
from aftersun.inventory.office_list.vocabulary import Target, targets
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.trail import Source
from aftersun.inventory.store.upsert import upsert
from aftersun.model.errors import AftersunError

Contents = Callable[[Inventory], Any]
Write = Callable[[str, str], Path]

WHOLE = """\
Customer No;Name;Street;Town;Phone;Lat;Lon;kWp;Tilt;Direction;kWp 2;Tilt 2;Direction 2;Installed;Usage;Tariff;Price/kWh
1;Ada Rook;Plover Row 4;Rookhollow;000 555 0101;50,5;8,25;4,2;30;S;;;;25.3.2020;3.500;home;0,30
2;Bo Finch;Plover Row 6;Rookhollow;000 555 0102;50,5;8,25;3,0;20;O;3,5;20;W;1.4.2021;4.200,5;home;0,30
3;Cy Wren;Sallow Bank 1;Heronsey;000 555 0103;50,6;8,5;6;15;SW;;;;asked in spring;5.000;home;o,3o
4;Di Tern;Sallow Bank 3;Heronsey;000 555 0104;50,6;8,5;5;15;S;;;;2.5.2022;;farm;0,25
"""


def _load(inventory: Inventory, path: Path, merge: bool = False) -> tuple[Prepared, dict[str, LoadReport]]:
    prepared = prepare(understand(path), known_to(inventory), merge)
    return prepared, {report.table: report for report in store_list(inventory, prepared)}


def _rows(inventory: Inventory, query: str) -> list[tuple[Any, ...]]:
    return inventory.connection.execute(query).fetchall()


def test_one_row_becomes_customer_site_arrays_and_tariff(inventory: Inventory, write: Write) -> None:
    _, reports = _load(inventory, write("list.csv", WHOLE))
    assert {table: (r.added, r.rejected) for table, r in reports.items()} == {
        "customer": (4, 0),
        "tariff": (2, 0),
        "site": (4, 0),
        "array": (5, 0),
    }
    query = (
        "SELECT array_id, site_id, tilt_deg, azimuth_deg, dc_rating_kw FROM \"array\" WHERE site_id = '2' ORDER BY 1"
    )
    assert _rows(inventory, query) == [("2-A1", "2", 20, 90, 3), ("2-A2", "2", 20, 270, 3.5)]
    assert _rows(inventory, "SELECT tariff_id, import_price FROM tariff ORDER BY 1") == [("farm", 0.25), ("home", 0.3)]
    assert _rows(inventory, "SELECT site_id, tariff_id FROM site ORDER BY 1")[2] == (
        "3",
        "home",
    )  # a typo takes no site
    assert _rows(inventory, "SELECT DISTINCT contact_allowed FROM customer") == [(None,)]


@pytest.mark.slow
def test_what_cannot_be_read_is_told_by_column_and_cause_without_personal_data(
    inventory: Inventory, write: Write
) -> None:
    prepared, _ = _load(inventory, write("list.csv", WHOLE))
    assert doubt_lines(prepared) == [
        "site.commissioned_on: 1 cell, no day can be read, e.g. 'asked in spring' on line 4.",
        "tariff.import_price: 1 cell, no number can be read, e.g. 'o,3o' on line 4.",
    ]
    shown = "\n".join(first_rows(prepared.understood))
    assert "A… R…" in shown
    assert not any(name in shown for name in ("Ada", "Rook", "Plover", "555", "0101"))


def test_a_second_load_changes_nothing(inventory: Inventory, write: Write, contents: Contents, tmp_path: Path) -> None:
    path = write("list.csv", WHOLE.replace("Customer No;", "Old no;"))  # ids have to be made
    first, _ = _load(inventory, path)
    before = contents(inventory)
    workbook = write_doubtful(first, tmp_path)
    again, reports = _load(inventory, path)
    assert contents(inventory) == before
    assert [report.load_id for report in reports.values()] == [None] * 4
    assert write_doubtful(again, tmp_path) == workbook
    assert len(list(tmp_path.glob("*.xlsx"))) == 1


@pytest.mark.slow
def test_made_numbers_hold_whatever_the_order_and_the_telephone(inventory: Inventory, write: Write) -> None:
    text = WHOLE.replace("Customer No;", "Old no;")
    _load(inventory, write("june.csv", text))
    head, *rows = text.splitlines(keepends=True)
    july = head + "".join(reversed(rows)).replace("0101", "0999")
    _, reports = _load(inventory, write("july.csv", july))
    assert {table: (r.added, r.changed) for table, r in reports.items()} == {
        "customer": (0, 1),
        "tariff": (0, 0),
        "site": (0, 0),
        "array": (0, 0),
    }


@pytest.mark.slow
def test_a_later_list_blanks_nothing_learnt_since(inventory: Inventory, write: Write) -> None:
    import pandas as pd

    _load(inventory, write("june.csv", WHOLE))
    with inventory.transaction() as connection:
        learnt = pd.DataFrame({"site_id": ["4"], "annual_demand_kwh": [2900.0]})
        upsert(connection, "site", learnt, Source("log fact", "told on the phone"))
    _, reports = _load(inventory, write("july.csv", WHOLE.replace("4.200,5", "4.300")))
    assert reports["site"].changed == 1
    assert _rows(inventory, "SELECT site_id, annual_demand_kwh FROM site ORDER BY 1") == [
        ("1", 3500),
        ("2", 4300),
        ("3", 5000),
        ("4", 2900),
    ]


@pytest.mark.slow
def test_the_workbook_of_doubtful_cells_is_corrected_and_loaded(
    inventory: Inventory, write: Write, tmp_path: Path
) -> None:
    """Its few cells alone show no decimal comma; what was decided for the list holds for them too."""
    prepared, _ = _load(inventory, write("list.csv", WHOLE))
    path = write_doubtful(prepared, tmp_path)
    assert path is not None
    assert path.name.startswith("list-to-correct-")
    assert path.stat().st_mode & 0o077 == 0
    book = openpyxl.load_workbook(path)
    sheet = book.active
    assert sheet.max_row == 2
    headings = [cell.value for cell in sheet[1]]
    marked = [headings[n] for n, cell in enumerate(sheet[2]) if cell.fill.fgColor.rgb == "FFFFEB9C"]
    assert marked == ["Installed", "Price/kWh"]
    sheet.cell(2, headings.index("Installed") + 1).value = "7.8.2019"
    book.save(path)
    said = settled(prepared.understood, None, False)
    understood = understand(path, said, tmp_path / "company.mapping.toml")
    reports = store_list(inventory, prepare(understood, known_to(inventory)))
    assert {report.table: (report.added, report.changed) for report in reports}["site"] == (0, 1)
    assert str(_rows(inventory, "SELECT commissioned_on FROM site WHERE site_id = '3'")[0][0])[:10] == "2019-08-07"
    assert _rows(inventory, "SELECT annual_demand_kwh FROM site WHERE site_id = '3'") == [(5000,)]


@pytest.mark.slow
def test_only_a_missing_or_doubled_key_rejects_a_row(inventory: Inventory, write: Write) -> None:
    text = (
        "Customer No,Name,Street,Lat,Lon,kWp,Tilt,Azimuth\n"
        "1,Ada Rook,Plover Row 4,50.5,8.25,4.2,999,180\n"  # no such tilt
        "2,Bo Finch,Plover Row 6,50.5,8.25,3.1,30,180\n"
        "2,Cy Wren,Sallow Bank 1,50.5,8.25,3.1,30,200\n"  # the number of another customer
        ",,,,,,,\n"
        ",,,50.5,8.25,3.1,30,180\n"  # nobody
    )
    prepared, reports = _load(inventory, write("list.csv", text))
    assert (reports["customer"].added, reports["customer"].rejected) == (1, 3)
    assert _rows(inventory, "SELECT customer_id, name FROM customer JOIN contact USING (customer_id)") == [
        ("1", "Ada Rook")
    ]
    assert "array.tilt_deg: 1 cell, beyond what is allowed, 0 to 90 deg, e.g. '999' on line 2." in doubt_lines(prepared)


def test_a_roof_whose_place_nobody_knows_is_kept_and_told(inventory: Inventory, write: Write) -> None:
    head = "Customer No;Name;Town;Country;kWp;Tilt;Direction\n"
    text = head + "1;Ada Rook;Nowhere-on-Sea;GB;4,2;30;S\n2;Bo Finch;;;3,5;20;W\n"
    prepared, reports = _load(inventory, write("list.csv", text))
    assert (reports["site"].added, reports["site"].rejected) == (2, 0)
    assert (reports["array"].added, reports["array"].rejected) == (2, 0)
    assert _rows(inventory, "SELECT site_id, latitude, longitude FROM site ORDER BY 1") == [
        ("1", None, None),
        ("2", None, None),
    ]
    assert any("no place of this name is known" in line for line in doubt_lines(prepared))


@pytest.mark.slow
def test_several_sites_and_arrays_of_one_customer(inventory: Inventory, write: Write) -> None:
    """The same street again is another array; another street is another site, and keeps its number in any order."""
    text = (
        "Customer No,Name,Street,Lat,Lon,kWp,Tilt,Azimuth\n"
        "1,Ada Rook,Plover Row 4,50.5,8.25,4.2,30,90\n"
        "1,Ada Rook,Plover Row 4,50.5,8.25,4.3,30,270\n"
        "1,Ada Rook,Sallow Bank 9,50.6,8.35,5.5,20,180\n"
    )
    _load(inventory, write("list.csv", text))
    sites = dict(_rows(inventory, 'SELECT site_id, sum(dc_rating_kw) FROM "array" GROUP BY 1'))
    assert sorted(sites.values()) == [5.5, 8.5]
    assert sites["1"] == 8.5
    head, *rows = text.splitlines(keepends=True)
    _, reports = _load(inventory, write("again.csv", head + rows[2] + rows[0] + rows[1]))
    assert [(r.added, r.changed) for r in reports.values()] == [(0, 0)] * 3


@pytest.mark.slow
def test_doubles_are_found_and_merged_on_a_yes(inventory: Inventory, write: Write) -> None:
    text = (
        "Customer No,Name,Street,Phone,Email,Lat,Lon,kWp,Tilt,Azimuth\n"
        "17,Ada Rook,Plover Row 4,000 555 0101,a@larkmoor.invalid,50.5,8.25,4.2,30,180\n"
        "203,A. Rook,Plover Row 4,(000) 555-0101,,50.5,8.25,4.2,30,180\n"
        "18,Bo Finch,Sallow Bank 1,000 555 0102,b@larkmoor.invalid,50.5,8.25,3.1,30,180\n"
        "204,Rook Ada,plover row 4,,,50.5,8.25,4.2,30,180\n"
        "19,Cy Wren,Sallow Bank 2,000 555 0199,B@larkmoor.invalid,50.5,8.25,3.1,30,170\n"
    )
    path = write("list.csv", text)
    prepared = prepare(understand(path), known_to(inventory))
    assert [(d.ids, d.signs) for d in prepared.doubles] == [
        (("17", "203", "204"), ("name and street", "phone")),
        (("18", "19"), ("mail",)),
    ]
    assert merging(list(prepared.doubles)) == {"203": "17", "204": "17", "19": "18"}
    _, reports = _load(inventory, path, merge=True)
    assert reports["customer"].added == 2
    # one roof listed three times is one; the other customer has two streets, so two
    assert _rows(inventory, 'SELECT count(*), round(sum(dc_rating_kw), 2) FROM "array"') == [(3, 10.4)]


def test_a_wish_not_to_be_called_is_never_an_allowance(inventory: Inventory, write: Write) -> None:
    text = "Customer No,Name,Do not call,kWp\n1,Ada Rook,x,4\n2,Bo Finch,no,4\n3,Cy Wren,,4\n"
    _load(inventory, write("list.csv", text))
    assert _rows(inventory, "SELECT customer_id, contact_allowed FROM customer ORDER BY 1") == [
        ("1", False),
        ("2", None),
        ("3", None),
    ]


BAD = {
    "no heading recognised": ("a.csv", b"x,y,z\n1,2,3\n", "no headings of a list are recognised"),
    "nothing in it": ("a.csv", b"\n\n", "no headings of a list are recognised"),
    "a picture": ("a.csv", b"\x89PNG\r\n\x1a\n\x00\x00\x01Name,Phone\n\x00\x02", "neither text nor what its name says"),
    "a workbook by another name": ("a.csv", b"PK\x03\x04" + b"\x00" * 99, "neither text nor what its name says"),
    "text by another name": ("a.xlsx", b"Name,Phone\n", "not a readable XLSX workbook"),
    "a quotation mark left open": ("a.csv", b'Name,Phone\n"Ada,1\nBo,2\n', "cannot be split into cells"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_one_sentence_with_what_to_do(case: str, tmp_path: Path) -> None:
    name, content, sentence = BAD[case]
    (tmp_path / name).write_bytes(content)
    with pytest.raises(AftersunError, match=sentence) as refused:
        understand(tmp_path / name)
    assert refused.value.hint
    assert "Ada" not in f"{refused.value} {refused.value.hint}"


def test_two_sheets_that_look_alike_are_named(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    for n, title in enumerate(("June", "July")):
        sheet = book.active if n == 0 else book.create_sheet()
        sheet.title = title
        sheet.append(["Customer No", "Name", "kWp"])
        sheet.append([n, "Ada Rook", 4])
    book.save(tmp_path / "list.xlsx")
    with pytest.raises(AftersunError, match="'June' and 'July' both look like the list"):
        understand(tmp_path / "list.xlsx")
    assert understand(tmp_path / "list.xlsx", sheet="July").columns[Target("customer", "customer_id")].text[0] == "1"
    with pytest.raises(AftersunError, match="has no sheet 'May', but June, July"):
        understand(tmp_path / "list.xlsx", sheet="May")


def test_a_mapping_file_is_written_corrected_and_read_again(write: Write, tmp_path: Path) -> None:
    understood = understand(write("list.csv", 'Customer No,Name,"Odd ""one""",kWp\n1,Ada Rook,3500,4\n'))
    path = tmp_path / "company.mapping.toml"
    assert write_mapping(settled(understood, None, True), path)
    assert not write_mapping(settled(understood, None, True), path)
    assert read_mapping(path).merge_doubles
    text = path.read_text("utf-8").replace(r'"Odd \"one\"" = ""', r'"Odd \"one\"" = "site.annual_demand_kwh"')
    path.write_text(text.replace("[units]", '[units]\n"kWp" = "W"\n#'), encoding="utf-8")
    understood = understand(
        write("next.csv", 'Name,Customer No,kWp,"Odd ""one"""\nBo,2,4500,2\n'), read_mapping(path), path
    )
    assert understood.columns[Target("array", "dc_rating_kw")].text[0] == "4.5"
    assert understood.columns[Target("site", "annual_demand_kwh")].text[0] == "2"
    assert read_mapping(path) == settled(understood, read_mapping(path), False)


def test_a_mapping_file_of_another_list_or_with_a_slip_is_refused(write: Write, tmp_path: Path) -> None:
    path = write("company.mapping.toml", as_text(MappingFile({"Kunde": targets()["customer.name"], "PLZ": None})))
    with pytest.raises(AftersunError, match="is for another list: 1 of the 1 headings"):
        understand(write("list.csv", "Customer No,Name\n1,Ada\n"), read_mapping(path), path)
    slips = {
        "[columns]\nName = 'customer.nmae'\n": "what it says 'Name' is, is not known",
        "[columns]\na = 'customer.name'\nb = 'customer.name'\n": "customer.name is named twice",
        "decimal = ';'\n[columns]\n": "decimal is none of",
        "columns = 3\n": r"it has no \[columns\]",
        "[columns\n": "it cannot be read: ",
        "[columns]\nkWp = 'array.dc_rating_kw'\n[units]\nkWp = 'litres'\n": "the unit of 'kWp' is not known",
    }
    for text, sentence in slips.items():
        with pytest.raises(AftersunError, match=sentence):
            read_mapping(write("slip.toml", text))


def test_every_heading_in_the_data_is_a_column_and_means_one_thing_in_its_language() -> None:
    import aftersun_datasets
    from aftersun.inventory.office_list.vocabulary import LANGUAGES, of, plain, synonyms

    for row in aftersun_datasets.rows("headings.csv", "aftersun.inventory"):
        of(targets()[f"{row['table']}.{row['column']}"])
        assert all(row[language] for language in LANGUAGES), row["column"]
    several = {
        (language, word, str(first), str(second))
        for word, meanings in synonyms().items()
        for n, (first, who) in enumerate(meanings)
        for second, others in meanings[n + 1 :]
        for language in who & others
        if word == plain(word)
    }
    assert several == set()


@pytest.mark.parametrize(
    ("headings", "meant"),
    [
        # the size of the whole beside that of each array
        ("Size,kWp 1,kWp 2", ["", "array.dc_rating_kw", "array.dc_rating_kw 2"]),
        (
            "Tilt,Azimuth,Tilt,Azimuth",
            ["array.tilt_deg", "array.azimuth_deg", "array.tilt_deg 2", "array.azimuth_deg 2"],
        ),
        # of two that may be the same, one is left out and no second array is made of it
        ("System size,Capacity", ["array.dc_rating_kw", ""]),
        ("Verbrauch 2022 (kWh),Verbrauch 2023 (kWh)", ["", "site.annual_demand_kwh"]),
        ("Vorname,Name", ["list.first_name", "list.last_name"]),
        ("Nombre,Tejado", ["customer.name", "site.roof_kind"]),
        ("Neigung Dach 2,Neigung Dach 1", ["array.tilt_deg 2", "array.tilt_deg"]),
        ("Speicher,Dachneigung", ["", "array.tilt_deg"]),  # of electricity or of water
        ("Panels #,Job #", ["array.module_count", "site.site_id"]),
    ],
)
def test_headings_that_resemble_one_another(headings: str, meant: list[str], write: Write) -> None:
    cells = ",".join("4" for _ in meant)
    grid = read_grid(write("list.csv", f"Customer No,Phone,{headings}\n1,000 555 0101,{cells}\n"))
    proposals = propose(grid, language_of(grid.headings))[2:]
    assert [str(p.target or "") for p in proposals] == meant


def test_columns_nobody_needs_and_those_whose_cells_do_not_fit_are_left_out(write: Write) -> None:
    text = "Customer No,Name,Inverter,Favourite cake,kWp\n1,Ada,Typ A,plum,4\n2,Bo,Typ B,,5\n"
    understood = understand(write("list.csv", text))
    assert understood.left_out == ["Inverter", "Favourite cake"]
    assert propose(understood.grid, "en")[2].target == Target("site", "inverter_rating_kw")


def test_a_customers_number_by_its_sign_is_no_name(write: Write) -> None:
    grid = read_grid(write("list.csv", "Customer #,Customer,kWp\n17,Ada Rook,4\n18,Bo Finch,5\n"))
    assert [str(p.target) for p in propose(grid, "en")] == [
        "customer.customer_id",
        "customer.name",
        "array.dc_rating_kw",
    ]
