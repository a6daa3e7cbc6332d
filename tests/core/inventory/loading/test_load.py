"""Loading: what is accepted, what is rejected and why, and that nothing is lost or half done."""

from __future__ import annotations

import csv
import io
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import asdict
from datetime import date, datetime
from pathlib import Path

import duckdb
import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aftersun.inventory.loading import load as load_module
from aftersun.inventory.loading import rejects
from aftersun.inventory.loading.load import LoadReport, load_file
from aftersun.inventory.store import read
from aftersun.inventory.store.dictionary import columns
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError

Write = Callable[[str, str], Path]
Contents = Callable[[Inventory], dict[str, pd.DataFrame]]

SITE = "site_id,customer_id,latitude,longitude\n"


def _problems(inventory: Inventory) -> list[tuple[int, str, str]]:
    found = rejects.open_rejects(inventory)
    return list(zip(found["line"], found["column_name"], found["reason"], strict=True))


def test_columns_are_found_by_name_in_any_order(loaded: Inventory, write: Write) -> None:
    """Longitude before latitude, capitals and blanks: values follow their names, not their places."""
    text = " Longitude ,LATITUDE,customer_id,Site_ID\n-3.7,40.4,C1,S9\n"
    assert load_file(loaded, "site", write("s.csv", text)).added == 1
    site = read.sites(loaded).set_index("site_id").loc["S9"]
    assert (site["latitude"], site["longitude"]) == (40.4, -3.7)


@pytest.mark.slow
def test_every_problem_of_a_file_is_found(loaded: Inventory, write: Write) -> None:
    text = (
        "site_id,customer_id,latitude,longitude,storeys,roof_kind,birds_seen,commissioned_on,tariff_id\n"
        "M1,C1,forty,-200,2.5,straw,maybe,2019-02-30,T1\n"  # six problems in one row
        "M2,C1,95,0,0,Pitched  TILE,NO,2019-03-01,T1\n"  # two
        "M3,C9,40,0,2,,,,T9\n"  # two references
        ",,,0,,,,,\n"  # key and customer missing; a position may be
        "M5,C1,40,0,2,ground,1,,\n"
    )
    report = load_file(loaded, "site", write("s.csv", text))
    assert (report.rows_read, report.added, report.rejected) == (5, 1, 4)
    assert _problems(loaded) == [
        (2, "latitude", "not a plain number"),
        (2, "longitude", "below the lowest allowed value, -180 deg"),
        (2, "commissioned_on", "not a date"),
        (2, "roof_kind", "not one of the choices"),
        (2, "storeys", "not a whole number"),
        (2, "birds_seen", "neither yes nor no"),
        (3, "latitude", "above the highest allowed value, 72 deg"),
        (3, "storeys", "below the lowest allowed value, 1"),
        (4, "customer_id", "no customer with this customer_id is loaded"),
        (4, "tariff_id", "no tariff with this tariff_id is loaded"),
        (5, "site_id", "missing"),
        (5, "customer_id", "missing"),
    ]
    assert all(rejects.open_rejects(loaded)["what_to_do"].str.endswith("."))


def test_limits_themselves_are_allowed(loaded: Inventory, write: Write) -> None:
    report = load_file(loaded, "site", write("s.csv", SITE + "L1,C1,72,180\nL2,C1,-66,-180\n"))
    assert (report.added, report.rejected) == (2, 0)


def test_unknown_stays_unknown(loaded: Inventory, write: Write) -> None:
    text = (
        "site_id,customer_id,latitude,longitude,birds_seen,owner_present,storeys,roof_kind,commissioned_on\n"
        "U1,C1,40,0,,unknown,,,\n"
    )
    load_file(loaded, "site", write("s.csv", text))
    site = read.sites(loaded).set_index("site_id").loc["U1"]
    known = {"customer_id", "latitude", "longitude"}
    assert set(site.index[site.notna()]) == known


def test_line_numbers_are_true(loaded: Inventory, write: Write) -> None:
    """Blank lines and line breaks inside quotation marks count as lines of the file."""
    text = 'customer_id,street,contact_allowed\n\nK1,"a\nb\nc",yes\n,,\nK2,d,perhaps\nK3,e,no,more\n'
    report = load_file(loaded, "customer", write("c.csv", text))
    assert (report.rows_read, report.added, report.rejected) == (3, 1, 2)
    assert [(line, column) for line, column, _ in _problems(loaded)] == [(7, "contact_allowed"), (8, "")]


def test_rows_of_wrong_shape_are_kept_whole(loaded: Inventory, write: Write) -> None:
    load_file(loaded, "site", write("s.csv", SITE + "S3,C1,40\nS4,C1,40,0,lost,found\n"))
    raw = loaded.connection.execute("SELECT raw FROM reject ORDER BY line").fetchall()
    assert raw == [
        ('{"site_id": "S3", "customer_id": "C1", "latitude": "40"}',),
        (
            '{"site_id": "S4", "customer_id": "C1", "latitude": "40", "longitude": "0", '
            '"cell 5": "lost", "cell 6": "found"}',
        ),
    ]


@pytest.mark.slow
def test_same_key_twice_with_different_content(loaded: Inventory, write: Write) -> None:
    """Nobody knows which row is right, so neither is taken; a row that merely repeats another is left out."""
    text = SITE + "D1,C1,40,0\nD2,C1,41,0\nD1,C1,42,0\nD2,C1,41.0,0\nD2,C1,41,0\n"
    report = load_file(loaded, "site", write("s.csv", text))
    assert (report.added, report.rejected) == (0, 5)
    report = load_file(loaded, "site", write("s2.csv", SITE + "D3,C1,40,0\nD3,C1,40,0\n"))
    assert (report.added, report.rejected) == (1, 1)
    assert (3, "site_id", "says the same as line 2") in _problems(loaded)
    assert (4, "site_id", "line 2 has the same key and says something else") in _problems(loaded)


def test_keys_of_several_columns(loaded: Inventory, write: Write) -> None:
    text = "site_id,retrofit,fitted_on\nS1,bird_mesh,2020-01-01\nS1,bird_mesh,2021-01-01\nS1,bird_mesh,2020-01-01\n"
    report = load_file(loaded, "fitted", write("f.csv", text))
    assert (report.added, report.rejected) == (2, 1)
    assert _problems(loaded) == [(4, "site_id, retrofit, fitted_on", "says the same as line 2")]


def test_known_key_changes_only_what_differs(loaded: Inventory, write: Write) -> None:
    text = SITE + "S1,C1,40.0,-3.5\nS2,C2,-33.9,18.5\n"
    report = load_file(loaded, "site", write("s.csv", text))
    assert (report.added, report.changed, report.unchanged) == (0, 1, 1)
    sites = read.sites(loaded).set_index("site_id")
    assert sites.loc["S2", "longitude"] == 18.5
    assert sites.loc["S1", "tariff_id"] == "T1"  # a column the file lacks is left as it is
    report = load_file(
        loaded, "site", write("s.csv", "site_id,customer_id,latitude,longitude,tariff_id\nS1,C1,40,-3.5,\n")
    )
    assert report.unchanged == 1
    assert read.sites(loaded)["tariff_id"].tolist() == ["T1", pd.NA]  # an empty cell takes nothing away


def test_personal_columns_are_changed_in_their_own_table(loaded: Inventory, write: Write) -> None:
    report = load_file(loaded, "customer", write("c.csv", "customer_id,phone\nC1,555-0199\nC2,555-0102\nC3,555-0103\n"))
    assert (report.added, report.changed, report.unchanged) == (1, 1, 1)
    people = read.contacts(loaded, ["C1", "C3"])
    assert people["phone"].tolist() == ["555-0199", "555-0103"]
    assert people.loc[0, "name"] == "Household A"
    assert read.customers(loaded)["contact_allowed"].tolist() == [True, False, pd.NA]


@pytest.mark.slow
def test_semicolons_with_decimal_commas(loaded: Inventory, write: Write) -> None:
    text = "\ufeffsite_id;customer_id;latitude;longitude;storeys\nE1;C1;40,25;-3,5;2\nE2;C1;41.5;0;2,0\nE3;C1;1.000,5;0;2\n"  # noqa: E501
    report = load_file(loaded, "site", write("s.csv", text))
    assert (report.added, report.rejected) == (2, 1)
    site = read.sites(loaded).set_index("site_id").loc["E1"]
    assert (site["latitude"], site["longitude"]) == (40.25, -3.5)


@pytest.mark.slow
def test_decimal_comma_in_a_comma_file_is_a_problem(loaded: Inventory, write: Write) -> None:
    assert load_file(loaded, "site", write("s.csv", SITE + 'E1,C1,"40,25",0\n')).rejected == 1


def test_unknown_columns_are_named_and_the_rest_is_loaded(loaded: Inventory, write: Write) -> None:
    text = "site_id,customer_id,latitude,longitude,elevation,colour,\nX1,C1,40,0,300,red,\n"
    report = load_file(loaded, "site", write("s.csv", text))
    assert (report.added, report.rejected) == (1, 0)
    assert report.problems == (
        "columns that are not known and were left out: 'elevation' (is it 'elevation_m'?), 'colour'",
    )


def test_header_faults_are_all_named(inventory: Inventory, write: Write, contents: Contents) -> None:
    before = contents(inventory)
    text = "site_id,custmer_id,latitude,storeys,Storeys,element_kw,element_kw\nS1,C1,1,2,2,1,1\n"
    with pytest.raises(AftersunError) as error:
        load_file(inventory, "site", write("s.csv", text))
    message = str(error.value)
    for part in (
        "required column customer_id is missing (is it 'custmer_id'?)",
        "column storeys occurs 2 times",
        "column element_kw occurs 2 times",
    ):
        assert part in message
    assert contents(inventory) == before


def test_unknown_table(inventory: Inventory, write: Write) -> None:
    with pytest.raises(AftersunError, match="no table 'roofs'") as error:
        load_file(inventory, "roofs", write("s.csv", "a\n"))
    assert "site" in error.value.hint


def test_workbook(loaded: Inventory, tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["site_id", "customer_id", "latitude", "longitude", "commissioned_on", "birds_seen", "storeys"])
    sheet.append(["X1", "C1", 40.5, -3, datetime(2018, 5, 1), True, 2])
    sheet.append([])
    sheet.append(["X2", "C1", 40.5, -3, "2018-13-01", "no", 2.5])
    book.save(tmp_path / "s.xlsx")
    report = load_file(loaded, "site", tmp_path / "s.xlsx")
    assert (report.rows_read, report.added, report.rejected) == (2, 1, 1)
    site = read.sites(loaded).set_index("site_id").loc["X1"]
    assert site["commissioned_on"] == pd.Timestamp("2018-05-01")
    assert site["birds_seen"]
    assert _problems(loaded) == [(4, "commissioned_on", "not a date"), (4, "storeys", "not a whole number")]


@pytest.mark.slow
def test_parquet(loaded: Inventory, tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {
            "site_id": ["P1", "P2", "P3"],
            "customer_id": ["C1", "C1", None],
            "longitude": [0.1, 0.2, 0.3],
            "latitude": [40.0, 99.0, 40.0],
            "commissioned_on": [date(2018, 5, 1), None, None],
            "birds_seen": pd.array([True, None, False], dtype="boolean"),
        }
    )
    frame.to_parquet(tmp_path / "s.parquet")
    report = load_file(loaded, "site", tmp_path / "s.parquet")
    assert (report.rows_read, report.added, report.rejected) == (3, 1, 2)
    assert read.sites(loaded).set_index("site_id").loc["P1", "longitude"] == 0.1
    assert [line for line, _, _ in _problems(loaded)] == [2, 3]


@pytest.mark.slow
def test_same_file_again_changes_nothing(loaded: Inventory, write: Write, contents: Contents) -> None:
    path = write("s.csv", SITE + "S1,C1,41,0\nS5,C1,x,0\nS6,C7,1,1\nS7,C1\nS8,C1,1,2\nS8,C1,1,3\n,C1,1,1\n,C1,1,1\n")
    first = load_file(loaded, "site", path)
    assert (first.changed, first.rejected) == (1, 7)
    before = contents(loaded)
    again = load_file(loaded, "site", path)
    assert (again.added, again.changed, again.unchanged, again.rejected) == (0, 0, 1, 7)
    assert again.load_id is None
    assert again.problems == first.problems
    assert contents(loaded) == before


def test_failure_midway_changes_nothing(
    loaded: Inventory, write: Write, contents: Contents, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = contents(loaded)

    def broken(*_: object) -> None:
        raise duckdb.IOException("disk full")

    monkeypatch.setattr(load_module, "_log", broken)  # the last step, after rows and rejects are written
    with pytest.raises(AftersunError, match="disk is full"):
        load_file(loaded, "site", write("s.csv", SITE + "S1,C1,41,0\nS9,C1,41,0\nS8,C1,x,0\n"))
    assert contents(loaded) == before


@pytest.mark.slow
def test_problems_shown_are_bounded(loaded: Inventory, write: Write) -> None:
    text = SITE + "".join(f"B{n},C1,x,0\n" for n in range(832))
    report = load_file(loaded, "site", write("s.csv", text))
    assert report.rejected == 832
    assert len(report.problems) == 21
    assert report.problems[0].startswith("line 2, latitude: not a plain number.")
    assert report.problems[-1] == "and 812 more, see rejects"


def test_nothing_personal_is_told(loaded: Inventory, write: Write) -> None:
    """Not even where a cell slipped into the wrong column."""
    text = (
        "customer_id,name,street,phone,contact_allowed,last_contact_on\n"
        "K1,Household Secret,9 Hidden Lane,555-0144,secret@example.org,Household Secret\n"
        "K2,Household Secret,9 Hidden Lane,555-0144,yes\n"
        "K3,Household Secret,9 Hidden Lane,555-0144,yes,\nK3,Household Secret,9 Hidden Lane,555-0145,yes,\n"
    )
    report = load_file(loaded, "customer", write("c.csv", text))
    assert report.rejected == 4
    told = " ".join(map(str, asdict(report).values()))
    for secret in ("Secret", "Hidden", "555", "example.org"):
        assert secret not in told
    stored = loaded.connection.execute("SELECT string_agg(reason || what_to_do) FROM reject").fetchall()[0][0]
    assert "Secret" not in stored
    with pytest.raises(AftersunError) as error:  # a file without header: its first row is a customer
        load_file(loaded, "customer", write("d.csv", "K1,Household Secret,Household Secret,555-0144\n"))
    assert "Secret" not in str(error.value) + error.value.hint


def test_file_without_rows(inventory: Inventory, write: Write) -> None:
    report = load_file(inventory, "site", write("s.csv", SITE))
    assert report == LoadReport("site", "s.csv", 0, 0, 0, 0, 0, 0, (), None)


def test_loads_are_logged(loaded: Inventory) -> None:
    log = loaded.connection.execute(
        'SELECT load_id, source_file, table_name, rows_read, added, rejected, length(sha256) FROM "load" ORDER BY 1'
    ).fetchall()
    assert log[0] == (1, "customer.csv", "customer", 2, 2, 0, 64)
    assert len(log) == 4


CELL = {
    "text": st.sampled_from(["C1", "C2", "S1", "N1", "", " N2 "]),
    "number": st.sampled_from(["1", "-5.5", "1e9", "x", "", "nan"]),
    "integer": st.sampled_from(["1", "2.5", "", "many"]),
    "boolean": st.sampled_from(["yes", "NO", "unknown", "", "2"]),
    "date": st.sampled_from(["2020-01-01", "01.02.2020", ""]),
    "choice": st.sampled_from(["", "coast", "none", "ground"]),
}


@st.composite
def _files(draw: st.DrawFn) -> tuple[str, int]:
    """A messy site file and how many rows it has."""
    required = [column for column in columns("site") if column.required]
    others = draw(st.lists(st.sampled_from([c for c in columns("site") if not c.required]), max_size=4, unique=True))
    chosen = draw(st.permutations([*required, *others]))
    out = io.StringIO()
    writer = csv.writer(out, delimiter=draw(st.sampled_from(",;\t")))
    writer.writerow([column.name for column in chosen])
    rows = 0
    for _ in range(draw(st.integers(0, 8))):
        cells = [draw(CELL[column.type]) for column in chosen]
        kind = draw(st.sampled_from(["whole", "whole", "whole", "short", "long", "blank"]))
        if kind == "blank":
            out.write("\r\n")
            continue
        writer.writerow(cells[:-1] if kind == "short" else [*cells, "surplus"] if kind == "long" else cells)
        used = cells[:-1] if kind == "short" else cells
        rows += bool(kind == "long" or any(cell.strip() for cell in used))
    return out.getvalue(), rows


@settings(max_examples=6)
@given(file=_files())
@pytest.mark.slow
def test_accepted_and_rejected_are_all_rows(file: tuple[str, int], empty_file: Path) -> None:
    text, rows = file
    with (
        tempfile.TemporaryDirectory() as folder,
        Inventory.open(shutil.copy(empty_file, folder)) as inventory,
    ):
        inventory.connection.execute("INSERT INTO customer (customer_id) VALUES ('C1')")
        path = Path(folder) / "s.csv"
        path.write_text(text, encoding="utf-8", newline="")
        report = load_file(inventory, "site", path)
        assert report.rows_read == rows
        assert report.accepted + report.rejected == rows
        assert report.accepted == report.added == len(read.sites(inventory))
        kept = inventory.connection.execute("SELECT count(DISTINCT reject_id) FROM reject").fetchall()[0][0]
        assert kept == report.rejected
        again = load_file(inventory, "site", path)
        assert (again.unchanged, again.rejected, again.load_id) == (report.added, report.rejected, None)
