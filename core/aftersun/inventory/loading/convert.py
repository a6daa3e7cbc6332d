"""Brings stored columns that are in another unit into the dictionary's, and takes that back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import duckdb
import pandas as pd

from aftersun.inventory.loading.column_checks import Company, would_spoil
from aftersun.inventory.loading.units import as_text, column_of, expressions
from aftersun.inventory.store import rules
from aftersun.inventory.store.dictionary import key_columns, references, stored_tables
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.sql import quoted
from aftersun.inventory.store.trail import Source
from aftersun.inventory.store.upsert import cell_text, row_key, upsert

COMMAND = "inventory convert"


@dataclass(frozen=True)
class Converted:
    """What became of the rows of which a column was known.

    ``beyond`` were left as they are since they would be beyond the limits of a column, ``learnt`` cells since they were
    learnt from the customer and not loaded.
    """

    rows: int
    beyond: int = 0
    learnt: int = 0


def convert(
    inventory: Inventory, places: Sequence[str], unit: str, company: Company, as_of: date | None = None
) -> Converted:
    """Bring columns of a table, written as TABLE.COLUMN, from a unit into the dictionary's; all or nothing.

    Every changed cell is kept in the trail.

    Raises
    ------
    AftersunError
        If there are no such columns of one table, they are not converted from that unit, no row would be changed, or
        the columns look right now and would not then.
    """
    table, names = _table_of(places)
    sql = expressions(table, dict.fromkeys(names, unit))
    keys = ", ".join(map(quoted, _named(table)))
    with inventory.transaction() as connection:
        wanted = ", ".join(f"{expression} AS {quoted(name)}" for name, expression in sql.items())
        known = " OR ".join(f"{quoted(name)} IS NOT NULL" for name in sql)
        stated = connection.execute(f"SELECT {keys}, {wanted} FROM {quoted(table)} WHERE {known}").df()
        rows, good = _parsed(table, stated, list(sql))
        if not good.any():
            raise refusal("nothing_to_convert", columns=", ".join(places))
        if would_spoil(connection, company, as_of or date.today(), table, sql):
            raise refusal("not_to_convert", columns=", ".join(places), unit=unit)
        done = upsert(connection, table, rows[good], Source(COMMAND, unit, gives_way=True))
    return Converted(done.counts.changed, int((~good).sum()), len(done.conflicts))


def undo(inventory: Inventory, places: Sequence[str]) -> Converted:
    """Take back the last conversion of columns, where they still say what it made of them.

    Raises
    ------
    AftersunError
        If there are no such columns of one table, or they were not converted.
    """
    table, names = _table_of(places)
    changed = 0
    with inventory.transaction() as connection:
        for name in names:
            column_of(table, name)
            before = _before(connection, table, name)
            rows, good = _parsed(table, before, [name])
            changed = max(changed, upsert(connection, table, rows[good], Source(COMMAND, "undone")).counts.changed)
        if not changed:
            raise refusal("nothing_to_undo", columns=", ".join(places))
    return Converted(changed)


def _table_of(places: Sequence[str]) -> tuple[str, list[str]]:
    parts = [place.strip().partition(".") for place in places]
    owners = {table for table, _, _ in parts}
    if len(owners) != 1 or not all(name for _, _, name in parts):
        raise refusal("columns_of_one_table")
    return owners.pop(), [name for _, _, name in parts]


def _named(table: str) -> list[str]:
    """Return the columns that name a row and, for the trail, its site."""
    return list(dict.fromkeys([*key_columns(table), *references(table)]))


def _parsed(table: str, stated: pd.DataFrame, names: Sequence[str]) -> tuple[pd.DataFrame, pd.Series]:
    """Return names and values of rows under the rules of a load, and which of them keep these."""
    rows, good = stated[_named(table)].copy(), pd.Series(True, index=stated.index)
    for name in names:
        column = column_of(table, name)
        rows[name], problems = rules.parse(column, as_text(stated[name]))
        good &= ~good.index.isin(rules.gather(problems)["row"])
    return rows, good


def _before(connection: duckdb.DuckDBPyConnection, table: str, name: str) -> pd.DataFrame:
    """Return names and former value of the cells that the last conversion of a column made what they are."""
    stored, column = next(
        (stored, column)
        for stored, entries in stored_tables(table).items()
        for column in entries
        if column.name == name
    )
    keys = ", ".join(f"{quoted(stored)}.{quoted(key)}" for key in _named(table))
    last = "SELECT max(changed_at) FROM change WHERE command = ?1 AND table_name = ?2 AND column_name = ?3 AND applied"
    return connection.execute(
        f"SELECT {keys}, change.before::{column.duckdb_type} AS {quoted(name)} FROM {quoted(stored)} "
        f"JOIN change ON change.row_key = {row_key(table, stored)} "
        f"WHERE change.command = ?1 AND change.changed_at = ({last}) AND change.table_name = ?2 "
        f"AND change.column_name = ?3 AND change.after = {cell_text(column, stored)}",
        [COMMAND, table, name],
    ).df()
