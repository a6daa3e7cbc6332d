"""Tells which tables of the dictionary a file holds, from its name, its sheets or its header."""

from __future__ import annotations

from pathlib import Path

from aftersun.inventory.loading.table_file import read_file
from aftersun.inventory.loading.workbook_file import sheet_names
from aftersun.inventory.store.dictionary import columns, key_columns, tables
from aftersun.inventory.store.refusals import refusal


def tables_in(path: Path) -> tuple[str, ...]:
    """Return the tables that a file holds, in the order to load them.

    A workbook holds one for each sheet that is named after a table. Any other file holds one: the table its name
    begins with, else the only one whose key columns and further columns the header fits best.

    Raises
    ------
    AftersunError
        If the file cannot be read or fits no table.
    """
    sheets = sheet_names(path)
    named = tuple(table for table in tables() if table in sheets)
    if named:
        return named
    stem = path.stem.strip().casefold()
    by_name = [table for table in tables() if stem.startswith(table)]
    if by_name:
        return (max(by_name, key=len),)
    header = {name.strip().casefold() for name in read_file(path, "").header}
    fitting = {
        table: len(header & {column.name for column in columns(table)})
        for table in tables()
        if header >= set(key_columns(table))
    }
    best = max(fitting.values(), default=0)
    best_fitting = [table for table, count in fitting.items() if count == best]
    if len(best_fitting) != 1:
        raise refusal("unknown_table", path=path, tables=", ".join(tables()))
    return (best_fitting[0],)
