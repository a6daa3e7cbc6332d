"""Empty files to fill in, made from the dictionary: a CSV a table, and a workbook with a sheet a table."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

from openpyxl import Workbook
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter

from aftersun.inventory.store.dictionary import Column, choice_meanings, columns, tables
from aftersun.inventory.store.refusals import refusal

WORKBOOK = "inventory.xlsx"
MEANINGS = "columns"
MEANING_HEADER = ("table", "column", "type", "unit", "allowed", "required", "meaning")


def write_templates(folder: Path | str) -> list[Path]:
    """Write the templates into ``folder``, which is made if missing, and return the files.

    The workbook's last sheet says what each column means, its unit and what is allowed.

    Raises
    ------
    AftersunError
        If the folder cannot be written to, or holds one of the files already.
    """
    folder = Path(folder)
    names = [f"{table}.csv" for table in tables()]
    existing = [name for name in (*names, WORKBOOK) if (folder / name).exists()]
    if existing:
        raise refusal("templates_exist", folder=folder, names=", ".join(existing))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for table, name in zip(tables(), names, strict=True):
            with (folder / name).open("w", encoding="utf-8", newline="") as handle:
                csv.writer(handle).writerow(column.name for column in columns(table))
        _workbook().save(folder / WORKBOOK)
    except OSError as error:
        raise refusal("unwritable_folder", folder=folder, why=error.strerror) from error
    return [folder / name for name in (*names, WORKBOOK)]


def explanation(column: Column) -> tuple[str, ...]:
    """Return what ``MEANING_HEADER`` names for one column."""
    required = "key" if column.key else "yes" if column.required else ""
    return (column.table, column.name, column.type, column.unit, column.limits, required, column.meaning)


def _each(column: Column) -> list[tuple[str, ...]]:
    """Return a row for each choice of a column that needs to be explained."""
    meanings = choice_meanings().get((column.table, column.name), {})
    return [(column.table, f"{column.name} = {choice}", "", "", "", "", text) for choice, text in meanings.items()]


def _workbook() -> Workbook:
    book = Workbook()
    book.remove(book.active)
    for table in tables():
        _sheet(book, table, [tuple(column.name for column in columns(table))])
    meanings = [row for table in tables() for column in columns(table) for row in (explanation(column), *_each(column))]
    _sheet(book, MEANINGS, [MEANING_HEADER, *meanings])
    return book


def _sheet(book: Any, title: str, rows: list[tuple[str, ...]]) -> None:
    sheet = book.create_sheet(title)
    for row in rows:
        sheet.append(row)
    sheet.freeze_panes = "A2"
    for position, name in enumerate(rows[0], start=1):
        sheet.cell(1, position).font = Font(bold=True)
        sheet.column_dimensions[get_column_letter(position)].width = max(12, len(name) + 2)
