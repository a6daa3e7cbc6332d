"""Files as rows of text with their true lines."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from aftersun.inventory.loading.load import tables_in
from aftersun.inventory.loading.table_file import read_file
from aftersun.model.errors import AftersunError

Write = Callable[[str, str], Path]


def test_lines_are_true_after_blank_lines_and_line_breaks_in_cells(write: Write) -> None:
    raw = read_file(write("a.csv", '\n\na,b\n1,"x\ny"\n\n,,\n2,z\r\n3,w\n'), "a")
    assert raw.header == ("a", "b")
    assert raw.lines.tolist() == [4, 8, 9]
    assert raw.cells[1].tolist() == ["x\ny", "z", "w"]


@pytest.mark.parametrize(("delimiter", "decimal_comma"), [(",", False), (";", True), ("\t", False)])
def test_separator_is_told_from_the_header_alone(write: Write, delimiter: str, decimal_comma: bool) -> None:
    other = "," if delimiter == ";" else ";"
    text = f"a{delimiter}b\n1{other}1{other}1{delimiter}2\n"
    raw = read_file(write("a.csv", text), "a")
    assert raw.header == ("a", "b")
    assert raw.cells.iloc[0].tolist() == [f"1{other}1{other}1", "2"]
    assert raw.decimal_comma is decimal_comma


def test_byte_order_mark_is_no_part_of_the_first_name(write: Write) -> None:
    assert read_file(write("a.csv", "\ufeffa,b\n1,2\n"), "a").header == ("a", "b")


def test_rows_of_wrong_shape_keep_all_their_cells(write: Write) -> None:
    raw = read_file(write("a.csv", "a,b\n1\n1,2,3,4\n1,2,,\n1,2\n"), "a")
    assert raw.widths.tolist() == [1, 4, 4, 2]
    assert raw.fits.tolist() == [False, False, False, True]
    assert raw.surplus == {1: ("3", "4"), 2: ("", "")}


def test_empty_cells_at_the_end_fit_only_where_the_header_has_them_too(write: Write) -> None:
    # an unquoted separator within a cell moves the rest of its row into them
    raw = read_file(write("a.csv", "a,b,,\n1,2,,\n1,2,3,\n1,2,,,\n"), "a")
    assert raw.fits.tolist() == [True, False, False]


def test_blank_after_the_separator_does_not_hide_a_quotation_mark(write: Write) -> None:
    assert read_file(write("a.csv", 'a, b\n1, "x,y"\n'), "a").cells[1].tolist() == ["x,y"]


@pytest.mark.parametrize(("body", "line"), [('1,2\n3,"open\n4,5\n', 3), ('1,2\n3,4\n5,"x"y\n', 4)])
def test_misplaced_quotation_marks_are_named_by_line(write: Write, body: str, line: int) -> None:
    with pytest.raises(AftersunError, match=f"begins on line {line} ") as error:
        read_file(write("a.csv", "a,b\n" + body), "a")
    assert "quotation mark" in error.value.hint


def test_other_encodings_are_refused_with_their_line(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes("a,b\n1,2\n1,Zürich\n".encode("cp1252"))
    with pytest.raises(AftersunError, match=r"not UTF-8 text \(line 3\)"):
        read_file(path, "a")
    path.write_bytes("a,b\n1,2\n".encode("utf-16"))
    with pytest.raises(AftersunError, match="not UTF-8"):
        read_file(path, "a")


def test_files_that_cannot_be_read(tmp_path: Path, write: Write) -> None:
    for name in ("none.csv", "none.xlsx", "none.parquet"):
        with pytest.raises(AftersunError, match="cannot be read"):
            read_file(tmp_path / name, "a")
    for name in ("a.xlsx", "a.parquet"):
        with pytest.raises(AftersunError, match="not a readable"):
            read_file(write(name, "neither"), "a")
    with pytest.raises(AftersunError, match="of a kind"):
        read_file(write("a.doc", "x"), "a")
    for text in ("", "\n\n", ",,\n"):
        with pytest.raises(AftersunError, match="empty"):
            read_file(write("a.csv", text), "a")


def _workbook(path: Path, sheets: dict[str, list[list[object]]]) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def test_workbook_cells_as_text(tmp_path: Path) -> None:
    rows: list[list[object]] = [
        ["id", "number", "flag", "day", "empty"],
        [1001, 2.5, True, datetime(2020, 4, 30), None],
        [None, None, None, None, None],
        ["x", 3.0, False, datetime(2020, 4, 30, 12, 30), None],
    ]
    raw = read_file(_workbook(tmp_path / "a.xlsx", {"anything": rows}), "site")
    assert raw.lines.tolist() == [2, 4]
    assert raw.fits.all()
    assert raw.cells.iloc[0, :4].tolist() == ["1001", "2.5", "yes", "2020-04-30"]
    assert raw.cells.iloc[1, :4].tolist() == ["x", "3", "no", "2020-04-30 12:30:00"]


def test_workbook_of_several_sheets_is_read_by_name(tmp_path: Path) -> None:
    path = _workbook(tmp_path / "a.xlsx", {"notes": [["hello"]], "Site ": [["site_id"], ["S1"]], "array": [["b"]]})
    assert read_file(path, "site").cells[0].tolist() == ["S1"]
    with pytest.raises(AftersunError, match="has 3 sheets, and none is named 'tariff'"):
        read_file(path, "tariff")
    assert tables_in(path) == ("site", "array")


def test_parquet_cells_as_text(tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {
            "id": ["a", "b", None],
            "number": [1.0, 0.1, None],
            "whole": pd.array([1, None, None], dtype="Int64"),
            "flag": pd.array([True, None, None], dtype="boolean"),
            "day": pd.to_datetime(["2020-04-30", None, None]),
        }
    )
    frame.to_parquet(tmp_path / "a.parquet")
    raw = read_file(tmp_path / "a.parquet", "a")
    assert raw.lines.tolist() == [1, 2]  # the third is blank
    assert raw.cells.iloc[0].tolist() == ["a", "1", "1", "true", "2020-04-30 00:00:00.000000"]
    assert raw.cells.iloc[1, :2].tolist() == ["b", "0.1"]
    assert raw.cells.iloc[1, 2:].isna().all()


def test_progress_runs_up_to_the_end(write: Write) -> None:
    seen: list[tuple[int, int]] = []
    read_file(write("a.csv", "a\n" + "1\n" * 12000), "a", lambda done, total: seen.append((done, total)))
    assert [done for done, _ in seen] == [5000, 10000]
    assert {total for _, total in seen} == {12002}


@pytest.mark.parametrize(
    ("name", "text", "table"),
    [
        ("customers.csv", "x\n", "customer"),
        ("Site export 2026.csv", "x\n", "site"),
        ("export.csv", "site_id,customer_id,latitude,longitude,roof_kind\n", "site"),
        ("export.csv", "customer_id,name,phone\n", "customer"),
        ("export.csv", "SITE_ID;retrofit;fitted_on\n", "fitted"),
    ],
)
def test_table_is_told_by_name_or_header(write: Write, name: str, text: str, table: str) -> None:
    assert tables_in(write(name, text)) == (table,)


def test_table_that_cannot_be_told(write: Write) -> None:
    with pytest.raises(AftersunError, match="is not clear") as error:
        tables_in(write("export.csv", "a,b\n"))
    assert "fitted" in error.value.hint
