"""The layout of the inventory file, as numbered steps. A step is never edited once released; add another one.

Step 1 makes the loadable tables from the column dictionary as it is today. A column that is added to the
dictionary later needs a step of its own that adds it to older files (``ADD COLUMN IF NOT EXISTS``, harmless
on a new file).
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import duckdb

from aftersun.inventory import dictionary, layout
from aftersun.inventory.sql import scalar

Step = Callable[[duckdb.DuckDBPyConnection], None]


def _everything(connection: duckdb.DuckDBPyConnection) -> None:
    for table in dictionary.tables():
        for statement in dictionary.create_statements(table):
            connection.execute(statement)
    for statement in layout.create_statements():
        connection.execute(statement)


MIGRATIONS: list[Step] = [_everything]


def newest_version() -> int:
    """Return the number of the last step."""
    return len(MIGRATIONS)


def stored_version(connection: duckdb.DuckDBPyConnection) -> int | None:
    """Return the number of the last step done on this file, or None if it is no inventory."""
    there = scalar(connection, "SELECT count(*) FROM information_schema.tables WHERE table_name = 'schema_version'")
    version = scalar(connection, "SELECT max(version) FROM schema_version") if there else None
    return None if version is None else int(version)


def migrate(connection: duckdb.DuckDBPyConnection) -> None:
    """Do the steps this file lacks, each with its record in one transaction."""
    for number in range((stored_version(connection) or 0) + 1, newest_version() + 1):
        connection.execute("BEGIN")
        try:
            connection.execute(
                "CREATE TABLE IF NOT EXISTS schema_version (version INTEGER PRIMARY KEY, done_at TIMESTAMP)"
            )
            MIGRATIONS[number - 1](connection)
            done_at = datetime.now(UTC).replace(tzinfo=None)
            connection.execute("INSERT INTO schema_version VALUES (?, ?)", [number, done_at])
        except BaseException:
            connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")
