"""The layout of the inventory file, as numbered steps. A step is never edited once released; add another one.

Step 1 makes all tables as they are today. What is added to the column dictionary or to the layout later needs
a further step, so that older files get it too: ``_what_is_missing`` once more, harmless on a new file.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import UTC, datetime

import duckdb

from aftersun.inventory.store import dictionary, layout
from aftersun.inventory.store.dictionary import quoted
from aftersun.inventory.store.pseudonyms import make_key
from aftersun.inventory.store.sql import scalar

Step = Callable[[duckdb.DuckDBPyConnection], None]


def _everything(connection: duckdb.DuckDBPyConnection) -> None:
    for table in dictionary.tables():
        for statement in dictionary.create_statements(table):
            connection.execute(statement)
    for statement in layout.create_statements():
        connection.execute(statement)


def _what_is_missing(connection: duckdb.DuckDBPyConnection) -> None:
    """Add the tables and columns that an older file lacks; a column added later has no limits in the database."""
    _everything(connection)
    for table in dictionary.tables():
        for stored, entries in dictionary.stored_tables(table).items():
            _add_columns(connection, stored, {column.name: column.duckdb_type for column in entries})
    for stored, described in layout.TABLES.items():
        _add_columns(connection, stored, described.columns)
    connection.execute(layout.LATEST_RANKING)  # made anew, or it would not know the new columns


def _add_columns(connection: duckdb.DuckDBPyConnection, table: str, columns: Mapping[str, str]) -> None:
    there = connection.execute("SELECT column_name FROM information_schema.columns WHERE table_name = ?", [table])
    known = {name for (name,) in there.fetchall()}
    for name, kind in columns.items():
        if name not in known:
            connection.execute(f"ALTER TABLE {quoted(table)} ADD COLUMN {quoted(name)} {kind}")


# Step 2: meter readings, and what else came with them.
# Step 3: wind, roof load, outlines, hot plugs, costs of later years, variants.
# Step 4: what letters and pages are made from, letters issued, pseudonyms, who was erased.
MIGRATIONS: list[Step] = [_everything, _what_is_missing, _what_is_missing, _what_is_missing]


def newest_version() -> int:
    """Return the number of the last step."""
    return len(MIGRATIONS)


def stored_version(connection: duckdb.DuckDBPyConnection) -> int | None:
    """Return the number of the last step done on this file, or None if it is no inventory."""
    there = scalar(connection, "SELECT count(*) FROM information_schema.tables WHERE table_name = 'schema_version'")
    version = scalar(connection, "SELECT max(version) FROM schema_version") if there else None
    return None if version is None else int(version)


def migrate(connection: duckdb.DuckDBPyConnection) -> None:
    """Do the steps this file lacks, with their records, in one transaction: it gets today's layout or keeps its own."""
    connection.execute("BEGIN")
    try:
        connection.execute("CREATE TABLE IF NOT EXISTS schema_version (version INTEGER PRIMARY KEY, done_at TIMESTAMP)")
        for number in range((stored_version(connection) or 0) + 1, newest_version() + 1):
            MIGRATIONS[number - 1](connection)
            done_at = datetime.now(UTC).replace(tzinfo=None)
            connection.execute("INSERT INTO schema_version VALUES (?, ?)", [number, done_at])
        make_key(connection)
    except BaseException:
        with suppress(duckdb.Error):  # a transaction that broke down is gone already
            connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")
