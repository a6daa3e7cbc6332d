"""Brings an older inventory file to the layout of this program.

A table or a column that is added to the column dictionary or to the layout reaches every older file when it is opened:
what the file has is compared with what it should have. Only what a comparison cannot see is listed, in
:mod:`aftersun.inventory.store.changes`.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from functools import cache

import duckdb

from aftersun.inventory.store.changes import CHANGES, FIRST_VERSIONS, RenamedColumn, Statement, TranslatedValues
from aftersun.inventory.store.pseudonyms import make_key
from aftersun.inventory.store.sql import in_transaction, quoted, scalar
from aftersun.inventory.store.tables import LATEST_RANKING, Table, all_tables, loaded_tables


def newest_version() -> int:
    """Return the number of today's layout. Columns that were only added do not change it."""
    return FIRST_VERSIONS + len(CHANGES)


def stored_version(connection: duckdb.DuckDBPyConnection) -> int | None:
    """Return the number of the layout that a file was brought to last, or None if it is no inventory."""
    try:
        version = scalar(connection, "SELECT max(version) FROM schema_version")
    except duckdb.CatalogException:
        return None
    return None if version is None else int(version)


def is_older(connection: duckdb.DuckDBPyConnection) -> bool:
    """Tell whether a file lacks anything of today's layout that a reader needs."""
    return (stored_version(connection) or 0) < newest_version() or bool(_missing_columns(connection))


def holds_less(connection: duckdb.DuckDBPyConnection) -> bool:
    """Tell whether a file would refuse what may be loaded today, since limits or choices have changed."""
    return bool(_outdated_checks(connection))


def migrate(connection: duckdb.DuckDBPyConnection) -> None:
    """Give a file today's layout, in one transaction: it gets all of it or keeps its own."""
    with in_transaction(connection):
        connection.execute("CREATE TABLE IF NOT EXISTS schema_version (version INTEGER PRIMARY KEY, done_at TIMESTAMP)")
        version = stored_version(connection)
        pending = () if version is None else CHANGES[max(version - FIRST_VERSIONS, 0) :]
        for change in pending:
            if isinstance(change, RenamedColumn):
                _rename(connection, change)
        _add_what_is_missing(connection)
        outdated = [loaded_tables()[name] for name in _outdated_checks(connection)]
        for table in outdated:
            _make_anew(connection, replace(table, checks=()))
        for change in pending:
            if isinstance(change, TranslatedValues):
                _translate(connection, change)
            elif isinstance(change, Statement):
                connection.execute(change.sql)
        connection.execute(LATEST_RANKING)  # made anew, or it would not know which columns there are
        for table in outdated:
            if all(_holds(connection, table.name, condition) for condition in table.checks):
                _make_anew(connection, table)
        if version != newest_version():
            done_at = datetime.now(UTC).replace(tzinfo=None)
            connection.execute("INSERT INTO schema_version VALUES (?, ?)", [newest_version(), done_at])
        make_key(connection)


def _missing_columns(connection: duckdb.DuckDBPyConnection) -> list[tuple[str, str, str]]:
    """Return table, name and type of the columns that a file lacks; those of a table that is not there are all."""
    existing = _columns(connection)
    return [
        (table, name, kind)
        for table, described in all_tables().items()
        for name, kind in described.columns.items()
        if (table, name) not in existing
    ]


def _columns(connection: duckdb.DuckDBPyConnection) -> set[tuple[str, str]]:
    query = "SELECT table_name, column_name FROM duckdb_columns() WHERE database_name = current_database()"
    return set(connection.execute(query).fetchall())


def _add_what_is_missing(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the tables and columns that a file lacks; a column added to a table that is there has no conditions."""
    for described in all_tables().values():
        connection.execute(described.create_statement)
    for table, name, kind in _missing_columns(connection):
        connection.execute(f"ALTER TABLE {quoted(table)} ADD COLUMN {quoted(name)} {kind}")


def _checks(connection: duckdb.DuckDBPyConnection) -> set[tuple[str, str]]:
    query = (
        "SELECT table_name, constraint_text FROM duckdb_constraints() "
        "WHERE database_name = current_database() AND constraint_type = 'CHECK'"
    )
    return set(connection.execute(query).fetchall())


@cache
def _checks_made_by(statements: tuple[str, ...]) -> set[tuple[str, str]]:
    """Return conditions as the database words them."""
    with duckdb.connect(":memory:") as scratch:
        for statement in statements:
            scratch.execute(statement)
        return _checks(scratch)


def _outdated_checks(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Return the loaded tables that a file holds to other conditions than today's."""
    tables = loaded_tables()
    wanted = _checks_made_by(tuple(table.create_statement for table in tables.values()))
    stored = {check for check in _checks(connection) if check[0] in tables}
    return sorted({name for name, condition in stored - wanted})


def _make_anew(connection: duckdb.DuckDBPyConnection, table: Table) -> None:
    """Put the rows of a table into a new one of today's making: conditions of a table cannot be changed."""
    before = quoted(f"{table.name}_before")
    connection.execute(f"ALTER TABLE {quoted(table.name)} RENAME TO {before}")
    connection.execute(table.create_statement)
    connection.execute(f"INSERT INTO {quoted(table.name)} BY NAME SELECT * FROM {before}")
    connection.execute(f"DROP TABLE {before}")


def _holds(connection: duckdb.DuckDBPyConnection, table: str, condition: str) -> bool:
    """Tell whether no row breaks a condition; unknown breaks none."""
    return not scalar(connection, f"SELECT count(*) FROM {quoted(table)} WHERE NOT ({condition})")


def _rename(connection: duckdb.DuckDBPyConnection, change: RenamedColumn) -> None:
    existing = _columns(connection)
    if (change.table, change.old) in existing and (change.table, change.new) not in existing:
        table, old, new = map(quoted, (change.table, change.old, change.new))
        connection.execute(f"ALTER TABLE {table} RENAME COLUMN {old} TO {new}")


def _translate(connection: duckdb.DuckDBPyConnection, change: TranslatedValues) -> None:
    table, column = quoted(change.table), quoted(change.column)
    sql = f"UPDATE {table} SET {column} = map_extract_value(?::MAP(VARCHAR, VARCHAR), {column}) WHERE {column} IN "
    connection.execute(f"{sql} (SELECT unnest(?::VARCHAR[]))", [dict(change.values), list(change.values)])
