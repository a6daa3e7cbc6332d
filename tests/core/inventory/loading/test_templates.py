"""Templates and column reference: every column of the dictionary is in them."""

from __future__ import annotations

import csv
import subprocess
import sys
from pathlib import Path

import column_reference as reference
import openpyxl
import pytest

from aftersun.inventory.loading.load import load_file, tables_in
from aftersun.inventory.loading.templates import write_templates
from aftersun.inventory.store.dictionary import choice_meanings, columns, tables
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError


def test_every_column_is_in_the_templates(tmp_path: Path) -> None:
    files = write_templates(tmp_path / "new" / "folder")
    assert [path.name for path in files] == [*(f"{table}.csv" for table in tables()), "inventory.xlsx"]
    book = openpyxl.load_workbook(files[-1])
    for table in tables():
        names = [column.name for column in columns(table)]
        with files[0].with_name(f"{table}.csv").open(newline="") as handle:
            assert list(csv.reader(handle)) == [names]
        assert [cell.value for cell in book[table][1]] == names
    told = {(row[0], row[1]): row for row in book["columns"].iter_rows(min_row=2, values_only=True)}
    explained = {(table, f"{name} = {choice}") for (table, name), each in choice_meanings().items() for choice in each}
    assert set(told) == {(table, column.name) for table in tables() for column in columns(table)} | explained
    for table, name in choice_meanings():
        choices = next(column.choices for column in columns(table) if column.name == name)
        assert tuple(choice_meanings()[table, name]) == choices  # each in one sentence, in their order
    for table in tables():
        for column in columns(table):
            unit, limits, meaning = (told[table, column.name][place] or "" for place in (3, 4, 6))
            assert (unit, limits, meaning) == (column.unit, column.limits, column.meaning)


@pytest.mark.slow
def test_templates_can_be_loaded(inventory: Inventory, tmp_path: Path) -> None:
    files = write_templates(tmp_path / "templates")
    assert tables_in(files[-1]) == tables()
    for table, path in zip(tables(), files, strict=False):
        assert load_file(inventory, table, path).problems == ()
        assert load_file(inventory, table, files[-1]).rows_read == 0


def test_filled_templates_are_not_overwritten(tmp_path: Path) -> None:
    (tmp_path / "site.csv").write_text("filled in")
    with pytest.raises(AftersunError, match=r"holds site\.csv already"):
        write_templates(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["site.csv"]


def test_every_column_is_in_the_reference() -> None:
    text = reference.reference_markdown()
    for table in tables():
        section = text.split(f"### {table}\n")[1].split("\n### ")[0]
        rows = [line for line in section.splitlines() if line.startswith("| `")]
        assert len(rows) == len(columns(table))
        for column, row in zip(columns(table), rows, strict=True):
            assert row.startswith(f"| `{column.name}` | {column.type} | {column.unit} |")
            assert row.endswith(f" | {column.meaning} |")
            assert row.count(" | ") == 5  # choices do not break the table
    assert "a loaded customer" in text


@pytest.mark.slow
def test_reference_is_renewed_between_its_markers(tmp_path: Path) -> None:
    path = tmp_path / "README.md"
    path.write_text(f"before\n{reference.BEGIN}\nold\n{reference.END}\nafter\n", encoding="utf-8")
    command = [sys.executable, reference.__file__, str(path)]
    for _ in range(2):  # again changes nothing
        subprocess.run(command, check=True)
        text = path.read_text(encoding="utf-8")
        assert text == (f"before\n{reference.BEGIN}\n\n{reference.reference_markdown()}\n{reference.END}\nafter\n")


@pytest.mark.parametrize(
    "text", ["", reference.BEGIN, reference.END + reference.BEGIN, (reference.BEGIN + reference.END) * 2]
)
def test_documents_without_both_markers_are_refused(text: str) -> None:
    with pytest.raises(AftersunError, match="marker"):
        reference.renewed(text)
