"""Tells which table a file belongs to, by its sheets, its name, or its header."""

from __future__ import annotations

import re
from pathlib import Path

from aftersun.inventory.dictionary import columns, tables
from aftersun.inventory.shape import read_file, sheet_names
from aftersun.model.errors import AftersunError


def tables_of(path: Path | str) -> tuple[str, ...]:
    """Return the tables a file holds, in the order to load them; only a workbook may hold several.

    Raises
    ------
    AftersunError
        If the file cannot be read or it cannot be told.
    """
    path = Path(path)
    sheets = sheet_names(path)
    held = tuple(table for table in tables() if table in sheets)
    found = held or _by_name(path) or _by_header(path)
    if not found:
        raise AftersunError(f"It cannot be told which table {path.name} belongs to.", _NAME_IT)
    return found


def table_of(path: Path | str) -> str:
    """Return the one table a file belongs to.

    Raises
    ------
    AftersunError
        If the file cannot be read, it cannot be told, or the file is a workbook that holds several tables.
    """
    found = tables_of(path)
    if len(found) > 1:
        raise AftersunError(f"{Path(path).name} holds the tables {', '.join(found)}.", _NAME_IT)
    return found[0]


_NAME_IT = f"Name the table when loading it: {', '.join(tables())}."


def _by_name(path: Path) -> tuple[str, ...]:
    words = set(re.split(r"[^a-z]+", path.stem.casefold()))
    found = tuple(table for table in tables() if {table, f"{table}s"} & words)
    return found if len(found) == 1 else ()


def _by_header(path: Path) -> tuple[str, ...]:
    """Choose the table whose required columns are all there; of several the one that knows most columns."""
    header = {name.casefold() for name in read_file(path, "").header}
    known = {
        table: sum(column.name in header for column in columns(table))
        for table in tables()
        if all(column.name in header for column in columns(table) if column.required)
    }
    best = tuple(table for table, count in known.items() if count == max(known.values()))
    return best if len(best) == 1 else ()
