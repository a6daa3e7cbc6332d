"""The trail of changes: who changed which stored cell when, from what to what, by which command, on whose word.

Rows are only ever added. An erasure alone takes rows out: those about whom it erases.
"""

from __future__ import annotations

import getpass
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

import duckdb
import pandas as pd

from aftersun.inventory.store import dictionary
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.sql import scalar
from aftersun.inventory.store.tables import OTHER_TABLES, insert_row, next_number, read_table

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


def head(connection: duckdb.DuckDBPyConnection, source: Source) -> dict[str, Any]:
    """Return what every row of one change has in common, its number included."""
    try:
        user = getpass.getuser()
    except (OSError, KeyError):  # no name for this process's user
        user = ""
    return {
        "change": next_number(connection, CHANGE.name, "change"),
        "changed_at": datetime.now(UTC).replace(tzinfo=None),
        "changed_by": user,
        "command": source.command,
        "source": source.name,
    }


def record_cell(connection: duckdb.DuckDBPyConnection, source: Source, **cell: Any) -> None:
    """Add one changed cell, given by column of ``change``; nothing where before and after are the same."""
    if cell["before"] != cell["after"]:
        insert_row(connection, CHANGE.name, {**head(connection, source), "applied": True, **cell})


def newest(inventory: Inventory) -> int:
    """Return the number of the newest change, 0 without any."""
    return int(scalar(inventory.connection, "SELECT coalesce(max(change), 0) FROM change"))


def changes(inventory: Inventory, row_key: str | None = None, conflicts: bool = False) -> pd.DataFrame:
    """Return the trail, oldest first, of all rows or the one of this key.

    ``conflicts`` keeps what tables said and was not taken over (``applied`` is false).
    """
    where = "WHERE (?1 IS NULL OR ?1 IN (row_key, site_id, customer_id)) AND (NOT ?2 OR NOT applied)"
    return read_table(inventory.connection, CHANGE, where, [row_key, conflicts])


def dangers_ended(inventory: Inventory, after: int) -> list[tuple[str, str]]:
    """Return row_key and column of the dangers that changes after that number took from the record."""
    taken = read_table(inventory.connection, CHANGE, "WHERE change > ? AND applied", [after])
    marked = {(*place, value) for place, value in dictionary.dangers().items()}
    rows = zip(taken["row_key"], taken["table_name"], taken["column_name"], taken["before"], strict=True)
    return [(key, column) for key, table, column, before in rows if (table, column, before) in marked]
