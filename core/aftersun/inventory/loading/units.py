"""Brings columns that are in another unit into the dictionary's, by the expressions of ``units.csv``."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing
from dataclasses import replace

import duckdb
import pandas as pd

import aftersun_datasets
from aftersun.inventory.loading.header import match_header
from aftersun.inventory.loading.raw_table import RawTable
from aftersun.inventory.store import rules
from aftersun.inventory.store.dictionary import INTEGER, NUMBER, Column, columns
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.sql import quoted

_SWAPPED = "swapped"


def units(column: Column) -> dict[str, dict[str, str]]:
    """Return the rows of ``units.csv`` that a column can be converted from, by unit; none for keys and personal ones.

    An expression in a row is SQL of the table's row, already about this column.
    """
    if column.key or column.personal:
        return {}
    return {
        row["unit"]: {**row, "expression": row["expression"].format(x=quoted(column.name))}
        for row in aftersun_datasets.rows("units.csv", "aftersun.inventory")
        if row["of"] in (f"{column.table}.{column.name}", column.unit)
    }


def column_of(table: str, name: str) -> Column:
    """Return a column. Raises AftersunError if there is no such table or column."""
    column = next((column for column in columns(table) if column.name == name), None)
    if column is None:
        raise refusal("no_such_column", table=table)
    return column


def expressions(table: str, stated: Mapping[str, str]) -> dict[str, str]:
    """Return the SQL that brings columns into the dictionary's unit, by name; ``stated`` has the unit of each.

    Raises
    ------
    AftersunError
        If there is no such column, or it is not converted from that unit.
    """
    if _SWAPPED in stated.values():  # said of one of two, it is meant of both
        stated = {**{column.name: _SWAPPED for column in columns(table) if _SWAPPED in units(column)}, **stated}
    found = {}
    for name, unit in stated.items():
        known = units(column_of(table, name))
        match = next((key for key in known if key.casefold() == unit.strip().casefold()), None)
        if match is None:
            raise refusal("no_such_unit", table=table, column=name, units=", ".join(known) or "no other unit")
        found[name] = known[match]["expression"]
    return found


def as_text(values: pd.Series) -> pd.Series:
    """Return values as a table to load says them: ten digits, so that 2.007 MWh are 2007 kWh and nothing less."""
    if pd.api.types.is_datetime64_any_dtype(values):
        texts = values.dt.strftime("%Y-%m-%d").array
    else:
        texts = [pd.NA if pd.isna(value) else f"{value:.10g}" for value in values]
    return pd.Series(texts, index=values.index, dtype="string")


def in_own_units(table: str, source: str, raw: RawTable, stated: Mapping[str, str]) -> RawTable:
    """Return a file with columns brought into the dictionary's unit; what cannot be read is left as it is.

    ``stated`` has the unit that they are in, by name.

    Raises
    ------
    AftersunError
        If the file has no such column, or it is not converted from that unit.
    """
    sql = expressions(table, stated)
    if not sql:
        return raw
    positions = match_header(columns(table), raw.header, source, table).positions
    if missing := [name for name in sql if name not in positions]:
        raise refusal("no_column_of_unit", source=source, columns=", ".join(missing))
    read = {}
    for name in sql:
        column = column_of(table, name)
        text = rules.clean(column, raw.cells[positions[name]], raw.decimal_comma)
        if column.type == INTEGER:  # in another unit it need not be whole
            column = replace(column, type=NUMBER)
        read[name], _ = rules.parse(column, text)
    wanted = ", ".join(f"{expression} AS {quoted(name)}" for name, expression in sql.items())
    with closing(duckdb.connect()) as connection:
        connection.register("stated_frame", pd.DataFrame(read).assign(row=range(len(raw))))
        done = connection.execute(f"SELECT {wanted} FROM stated_frame ORDER BY row").df()
    cells = raw.cells.copy()
    for name in sql:
        position = positions[name]
        cells[position] = cells[position].mask(read[name].notna() & done[name].notna(), as_text(done[name]))
    return replace(raw, cells=cells)
