"""Copies an inventory into a new file, whole or without some rows, checks the copy, and puts it in place at once.

The file that is there is never worked on: whatever goes wrong, even a kill, it is as it was or wholly replaced. What
is left out is not in the new file at all, where a mere deletion would leave it in blocks that are free.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import duckdb

from aftersun.inventory.store.file import Inventory, files_beside, making, space_of
from aftersun.inventory.store.private import left_over
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.sql import literal, of_the_file, quoted, scalar

_COPY = "aftersun_copy"  # the name that the new file is attached under


class Condition(NamedTuple):
    """Which rows of a table: an SQL condition and the values of its question marks."""

    sql: str
    values: Sequence[Any] = ()


def write_copy(
    inventory: Inventory,
    made: Path,
    left_out: Mapping[str, Condition] | None = None,
    added: Mapping[str, Sequence[Sequence[Any]]] | None = None,
) -> dict[str, int]:
    """Copy an open inventory to ``made``, check the copy, and return its rows by table.

    ``inventory`` is open with ``may_use=space_of(made)``. ``left_out`` says by table which rows do not come along,
    ``added`` which further ones do, as values of all columns.

    Raises
    ------
    AftersunError
        If the copy cannot be written, or does not hold what it should.
    """
    connection, left_out = inventory.connection, left_out or {}
    source = scalar(connection, "SELECT current_database()")
    try:
        with _attached(connection, made, "READ_WRITE"):
            connection.execute(f"COPY FROM DATABASE {quoted(source)} TO {_COPY} (SCHEMA)")
            for table in tables_of(connection):
                sql, values = _kept(left_out.get(table))
                names = f"INSERT INTO {_COPY}.main.{quoted(table)} FROM {quoted(source)}.main.{quoted(table)}"
                connection.execute(f"{names} {sql}", list(values))
        with _attached(connection, made, "READ_ONLY"):
            counts = _compare(connection, source, left_out, made)
        if added:
            with _attached(connection, made, "READ_WRITE"):
                for table, rows in added.items():
                    for row in rows:
                        marks = ", ".join("?" * len(row))
                        connection.execute(f"INSERT INTO {_COPY}.main.{quoted(table)} VALUES ({marks})", list(row))
    except duckdb.Error as error:
        if not of_the_file(error):
            raise
        raise refusal("copy_unwritten", path=inventory.path) from error
    return counts


def tables_of(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Return the names of all tables of an inventory, also of those that somebody else put there."""
    query = (
        "SELECT table_name FROM duckdb_tables() WHERE database_name = current_database() AND schema_name = 'main' "
        "AND NOT temporary ORDER BY table_oid"
    )
    return [name for (name,) in connection.execute(query).fetchall()]


def columns_of(connection: duckdb.DuckDBPyConnection, table: str) -> list[str]:
    """Return the names of the columns of a table of an inventory, in their order."""
    query = (
        "SELECT column_name FROM duckdb_columns() WHERE database_name = current_database() AND schema_name = 'main' "
        "AND table_name = ? ORDER BY column_index"
    )
    return [name for (name,) in connection.execute(query, [table]).fetchall()]


@contextmanager
def _attached(connection: duckdb.DuckDBPyConnection, path: Path, mode: str) -> Iterator[None]:
    connection.execute(f"ATTACH {literal(str(path))} AS {_COPY} ({mode})")
    try:
        yield
    finally:
        connection.execute(f"DETACH {_COPY}")  # with its log written into the file


def _kept(left_out: Condition | None) -> Condition:
    return Condition("") if left_out is None else Condition(f"WHERE ({left_out.sql}) IS NOT TRUE", left_out.values)


def _compare(
    connection: duckdb.DuckDBPyConnection, source: str, left_out: Mapping[str, Condition], made: Path
) -> dict[str, int]:
    """Return the rows of the copy by table, after comparing number and content with what they are made from."""
    counts = {}
    for table in tables_of(connection):
        sql, values = _kept(left_out.get(table))
        wanted = _digest(connection, source, table, sql, values)
        if _digest(connection, _COPY, table) != wanted:
            raise refusal("copy_differs", made=made)
        counts[table] = wanted[0]
    return counts


def _digest(
    connection: duckdb.DuckDBPyConnection, database: str, table: str, kept: str = "", values: Sequence[Any] = ()
) -> tuple[int, int | None]:
    query = f"SELECT count(*), sum(hash(whole_row)) FROM {quoted(database)}.main.{quoted(table)} AS whole_row {kept}"
    return tuple(connection.execute(query, list(values)).fetchall()[0])


@contextmanager
def for_rewriting(path: Path) -> Iterator[tuple[Inventory, Path]]:
    """Open an inventory that nobody else has open, to be replaced by the file whose name comes with it.

    Its log is written into it: read after the exchange, it would be taken for the new file's.
    """
    with making(path) as made, Inventory.open(path, may_use=space_of(made)) as inventory:
        for name in left_over(path):  # of a process that was killed: nobody else is at this inventory now
            name.unlink()
        inventory.connection.execute("CHECKPOINT")
        if any(name.exists() for name in files_beside(path)):
            raise refusal("log_kept", path=path)
        yield inventory, made
