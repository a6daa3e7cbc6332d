"""The trail of changes: who changed which stored cell when, from what to what, by which command, on whose word.

Rows are only ever added. An erasure alone takes rows out: those about whom it erases.
"""

from __future__ import annotations

import getpass
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from aftersun.inventory.store import dictionary
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.sql import scalar
from aftersun.inventory.store.tables import OTHER_TABLES, insert_frame, insert_row, next_number, read_table

CHANGE = OTHER_TABLES["change"]


@dataclass(frozen=True)
class Source:
    """On whose word something is changed: the command, and the file or origin that it goes by.

    A source that ``gives_way`` leaves standing what was learnt after the day ``stated_on`` that it is of, or anything
    learnt if that day is not known, and every known danger.
    """

    command: str
    name: str
    gives_way: bool = False
    stated_on: date | None = None


_acting: ContextVar[str] = ContextVar("acting", default="")


@contextmanager
def acting_as(name: str) -> Iterator[None]:
    """Have what the block changes be put down to somebody: who asked for it, where one process works for several."""
    token = _acting.set(name)
    try:
        yield
    finally:
        _acting.reset(token)


def user() -> str:
    """Return the name of who acts, or of the user at the computer; "" without one."""
    if name := _acting.get():
        return name
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return ""


def head(connection: duckdb.DuckDBPyConnection, source: Source) -> dict[str, Any]:
    """Return what every row of one change has in common, its number included."""
    return {
        "change": next_number(connection, CHANGE.name, "change"),
        "changed_at": datetime.now(UTC).replace(tzinfo=None),
        "changed_by": user(),
        "command": source.command,
        "source": source.name,
    }


def record_cell(connection: duckdb.DuckDBPyConnection, source: Source, **cell: Any) -> None:
    """Add one changed cell, given by column of ``change``; nothing where before and after are the same."""
    if cell["before"] != cell["after"]:
        insert_row(connection, CHANGE.name, {**head(connection, source), "applied": True, **cell})


def record_rows(connection: duckdb.DuckDBPyConnection, source: Source, table: str, rows: pd.DataFrame) -> None:
    """Add the rows of a table that people add one by one: columns row_key, site_id and customer_id."""
    about = head(connection, source)
    added = rows[["row_key", "site_id", "customer_id"]].assign(**about, table_name=table, applied=True)
    insert_frame(connection, CHANGE, added.assign(change=about["change"] + np.arange(len(added))))


def newest(inventory: Inventory, site_id: str | None = None) -> int:
    """Return the number of the newest change, of all or of a site and its customer, 0 without any."""
    about = "$site IS NULL OR site_id = $site OR customer_id = (SELECT customer_id FROM site WHERE site_id = $site)"
    query = f"SELECT coalesce(max(change), 0) FROM change WHERE {about}"
    return int(inventory.connection.execute(query, {"site": site_id}).fetchall()[0][0])


def newest_of_people(inventory: Inventory) -> int:
    """Return the number of the newest change of a customer or of whose a site is, 0 without any."""
    query = """
        SELECT coalesce(max(change), 0) FROM change
        WHERE table_name = 'customer' OR (table_name = 'site' AND coalesce(column_name, 'customer_id') = 'customer_id')
    """
    return int(scalar(inventory.connection, query))


def latest(inventory: Inventory, count: int) -> pd.DataFrame:
    """Return the newest rows of the trail, so many at most, newest first."""
    kept = "WHERE change > (SELECT max(change) FROM change) - ?"
    return read_table(inventory.connection, CHANGE, kept, [count]).iloc[::-1].reset_index(drop=True)


def changes(inventory: Inventory, row_key: str | None = None, conflicts: bool = False) -> pd.DataFrame:
    """Return the trail, oldest first, of all rows or the one of this key.

    ``conflicts`` keeps what tables said and was not taken over (``applied`` is false).
    """
    where = "WHERE (?1 IS NULL OR ?1 IN (row_key, site_id, customer_id)) AND (NOT ?2 OR NOT applied)"
    return read_table(inventory.connection, CHANGE, where, [row_key, conflicts])


def net_changes(inventory: Inventory, after: int) -> dict[tuple[str, str, str], tuple[str, str]]:
    """Return by table, row_key and column what a cell said before the changes after that number and what it says now.

    Texts are as in the trail, "" = not known. Cells of rows that were added are not among them.
    """
    cells: dict[tuple[str, str, str], tuple[str, str]] = {}
    for table, key, column, before, now in _applied(inventory, after):
        if column:
            cells[table, key, column] = cells.get((table, key, column), (before, ""))[0], now
        else:  # also one that had been taken out
            cells = {cell: texts for cell, texts in cells.items() if cell[:2] != (table, key)}
    return {cell: (before, now) for cell, (before, now) in cells.items() if before != now}


def dangers_ended(inventory: Inventory, after: int) -> list[tuple[str, str]]:
    """Return row_key and column of the dangers that changes after that number took from the record."""
    ended: dict[tuple[str, str], bool] = {}
    for table, key, column, before, now in _applied(inventory, after):
        danger = dictionary.dangers().get((table, column))
        if danger is not None and (before == danger or (key, column) in ended):
            ended[key, column] = now != danger
    return [cell for cell, gone in ended.items() if gone]


def _applied(inventory: Inventory, after: int) -> Iterator[tuple[str, str, str, str, str]]:
    """Return table, row_key, column, before and after of the changes after that number, "" for what is not known."""
    rows = read_table(inventory.connection, CHANGE, "WHERE change > ? AND applied", [after])
    texts = rows[["table_name", "row_key", "column_name", "before", "after"]].fillna("")
    return texts.itertuples(index=False, name=None)
