"""Rows that could not be loaded: kept whole, written out for mending, marked once they are mended.

A bad row is known by its ``reject_id``, made from the table and the row's text: the same bad row is the same
reject, however often it is loaded. The raw rows hold customers' data; they are never printed.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pandas as pd

from aftersun.inventory.loading.bad_rows import EXPORT_COLUMNS, problem_cells, write_rows
from aftersun.inventory.loading.checked_file import CheckedFile
from aftersun.inventory.loading.reject_rows import FOUND_COLUMNS, KEY_JOINT, REJECT, accepted_frame, reject_frame
from aftersun.inventory.store.dictionary import columns, key_columns, stored_tables
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.sql import quoted, registered, scalar
from aftersun.inventory.store.tables import read_table

OPEN = "open"
MENDED = "mended"
REPLACED = "replaced"  # sent back from an export, changed but still bad: a new reject stands for it


@dataclass(frozen=True)
class Changes:
    """How a load changed the rejects: bad rows stored, and earlier ones mended or replaced."""

    stored: int
    mended: int
    replaced: int


def record(
    connection: duckdb.DuckDBPyConnection, load_id: int, file: CheckedFile, problems: pd.DataFrame, good: pd.DataFrame
) -> Changes:
    """Store the bad rows of a load and close the earlier rejects it settles, within the caller's transaction.

    ``problems`` are those of the rows to be kept, ``good`` the rows that were loaded. A reject is mended when a row
    with its key, or with its reject_id, or (if it has no usable key) from the same line of a file of the same name
    was accepted, and it did not turn up again.
    """
    table, source = file.table, file.source
    held = f"SELECT count(*) FROM reject WHERE state = '{OPEN}' AND table_name = ?"
    if problems.empty and not scalar(connection, held, [table]):
        return Changes(0, 0, 0)
    bad, accepted = reject_frame(file, problems), accepted_frame(file, good)
    names = ", ".join(FOUND_COLUMNS)
    with registered(connection, bad=bad, accepted=accepted):
        connection.execute(
            f"""
            CREATE OR REPLACE TEMP TABLE fresh AS
            SELECT DISTINCT reject_id FROM (
                (SELECT {names} FROM bad EXCEPT SELECT {names} FROM reject WHERE state = '{OPEN}')
                UNION ALL
                (SELECT {names} FROM reject SEMI JOIN bad USING (reject_id) EXCEPT SELECT {names} FROM bad)
            )
            """
        )
        stored = int(scalar(connection, "SELECT count(*) FROM fresh"))
        connection.execute("DELETE FROM reject WHERE reject_id IN (FROM fresh)")
        connection.execute(
            f"INSERT INTO reject ({names}, load_id, state) "
            f"SELECT {names}, ?, '{OPEN}' FROM bad SEMI JOIN fresh USING (reject_id)",
            [load_id],
        )
        mended = _close(
            connection,
            MENDED,
            load_id,
            """table_name = ? AND reject_id NOT IN (SELECT reject_id FROM bad) AND (
                row_key IN (SELECT row_key FROM accepted WHERE row_key IS NOT NULL)
                OR reject_id IN (SELECT given_id FROM accepted WHERE given_id IS NOT NULL)
                OR (row_key IS NULL AND source_file = ? AND line IN (SELECT line FROM accepted))
            )""",
            [table, source],
        )
        replaced = _close(
            connection,
            REPLACED,
            load_id,
            """table_name = ? AND reject_id NOT IN (SELECT reject_id FROM bad)
            AND reject_id IN (SELECT given_id FROM bad WHERE given_id IS NOT NULL)""",
            [table],
        )
    connection.execute("DROP TABLE fresh")
    return Changes(stored, mended, replaced)


def _close(connection: duckdb.DuckDBPyConnection, state: str, load_id: int, where: str, parameters: list[str]) -> int:
    settled = f"state = '{OPEN}' AND {where}"
    count = int(scalar(connection, f"SELECT count(DISTINCT reject_id) FROM reject WHERE {settled}", parameters))
    connection.execute(f"UPDATE reject SET state = ?, closed_by = ? WHERE {settled}", [state, load_id, *parameters])
    return count


def open_rejects(inventory: Inventory) -> pd.DataFrame:
    """Return what is wrong with rows that are not mended yet, one row a problem, by table, file and line.

    Columns: reject_id, table_name, source_file, line, column_name, value, reason, what_to_do. ``value`` is
    what the file says and may be a customer's data: show it to the person who mends the file, never log it.
    """
    names = ["reject_id", "table_name", "source_file", "line", "column_name", "value", "reason", "what_to_do"]
    frame = read_table(inventory.connection, REJECT, "WHERE state = ?", [OPEN], names)
    return frame[names].fillna({"column_name": "", "value": ""})


def export_rejects(inventory: Inventory, table: str, path: Path | str) -> int:
    """Write the open rejects of a table as CSV for mending, one row a bad row; return how many.

    Before the table's columns stand those that say what is wrong. ``load_file`` takes the file back as it is.
    Columns that the bad row's file did not have are filled with what the inventory holds, so that loading
    erases nothing. The file is readable by its owner only. Without open rejects nothing is written.

    Raises
    ------
    AftersunError
        If there is no such table, or the file exists or cannot be written.
    """
    path = Path(path)
    names = [column.name for column in columns(table)]
    frame = read_table(inventory.connection, REJECT, "WHERE state = ? AND table_name = ?", [OPEN, table])
    if frame.empty:
        return 0
    stored = _stored_rows(inventory, table)
    rows = []
    for reject_id, group in frame.rename(columns={"column_name": "column"}).groupby("reject_id", sort=False):
        first = group.iloc[0]
        cells = problem_cells(first["line"], group.fillna({"column": ""}))
        rows.append([*cells, reject_id, *_export_row(names, first, stored)])
    write_rows(path, [*EXPORT_COLUMNS, *names], rows)
    return len(rows)


def _export_row(names: list[str], reject: pd.Series, stored: Mapping[str, Mapping[str, str]]) -> list[str]:
    cells = {name.strip().casefold(): cell for name, cell in json.loads(reject["raw"]).items()}
    known = {} if pd.isna(reject["row_key"]) else stored.get(reject["row_key"], {})
    return [cells.get(name, known.get(name, "")) for name in names]


def _stored_rows(inventory: Inventory, table: str) -> dict[str, dict[str, str]]:
    """Return as text what the inventory holds under the keys of open rejects, by row_key."""
    keys = ", ".join(map(quoted, key_columns(table)))
    joined = " JOIN ".join(map(quoted, stored_tables(table)))
    joint = f" || chr({ord(KEY_JOINT)}) || ".join(f"{quoted(key)}::VARCHAR" for key in key_columns(table))
    using = f" USING ({keys})" if len(stored_tables(table)) > 1 else ""
    names = [column.name for column in columns(table)]
    cells = ", ".join(f"{quoted(name)}::VARCHAR" for name in names)
    rows = inventory.connection.execute(
        f"SELECT {joint} AS row_key, {cells} FROM {joined}{using} "
        f"WHERE row_key IN (SELECT row_key FROM reject WHERE state = ? AND table_name = ?)",
        [OPEN, table],
    ).fetchall()
    return {row[0]: {name: cell for name, cell in zip(names, row[1:], strict=True) if cell is not None} for row in rows}
