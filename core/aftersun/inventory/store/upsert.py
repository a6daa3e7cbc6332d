"""Puts checked rows into the tables: new keys are added, known ones changed only where something differs."""

from __future__ import annotations

from dataclasses import dataclass

import duckdb
import pandas as pd

from aftersun.inventory.store.dictionary import Column, columns, key_columns, stored_tables
from aftersun.inventory.store.sql import quoted, registered, scalar


@dataclass(frozen=True)
class Counts:
    """What became of the rows of a file."""

    added: int
    changed: int
    unchanged: int


def upsert(connection: duckdb.DuckDBPyConnection, table: str, rows: pd.DataFrame) -> Counts:
    """Add or change rows of a dictionary table, within the caller's transaction.

    ``rows`` has unique keys and values of the dictionary's types. A column it lacks keeps its value in known rows and
    takes the default, or unknown, in new ones.
    """
    given = [column for column in columns(table) if column.name in rows]
    casts = ", ".join(f"{quoted(c.name)}::{c.duckdb_type} AS {quoted(c.name)}" for c in given)
    with registered(connection, incoming_frame=rows.astype({c.name: c.dtype for c in given})):
        connection.execute(f"CREATE OR REPLACE TEMP TABLE incoming AS SELECT {casts} FROM incoming_frame")
    keys = ", ".join(map(quoted, key_columns(table)))
    added = int(scalar(connection, f"SELECT count(*) FROM incoming ANTI JOIN {quoted(table)} USING ({keys})"))
    parts = {
        stored: [c for c in entries if c.name in rows and not c.key] for stored, entries in stored_tables(table).items()
    }
    different = [
        f"SELECT {keys} FROM incoming JOIN {quoted(stored)} USING ({keys}) WHERE {_differs(stored, rest)}"
        for stored, rest in parts.items()
        if rest
    ]
    changed = int(scalar(connection, f"SELECT count(*) FROM ({' UNION '.join(different)})")) if different else 0
    for stored, rest in parts.items():
        _write(connection, stored, key_columns(table), rest)
    connection.execute("DROP TABLE incoming")
    return Counts(added, changed, len(rows) - added - changed)


def _differs(stored: str, rest: list[Column]) -> str:
    return " OR ".join(f"{quoted(stored)}.{q} IS DISTINCT FROM incoming.{q}" for q in (quoted(c.name) for c in rest))


def _write(connection: duckdb.DuckDBPyConnection, stored: str, keys: tuple[str, ...], rest: list[Column]) -> None:
    same = " AND ".join(f"{quoted(stored)}.{quoted(key)} = incoming.{quoted(key)}" for key in keys)
    if rest:
        sets = ", ".join(f"{quoted(c.name)} = incoming.{quoted(c.name)}" for c in rest)
        connection.execute(
            f"UPDATE {quoted(stored)} SET {sets} FROM incoming WHERE {same} AND ({_differs(stored, rest)})"
        )
    names = ", ".join(map(quoted, (*keys, *(c.name for c in rest))))
    connection.execute(
        f"INSERT INTO {quoted(stored)} ({names}) SELECT {names} FROM incoming "
        f"ANTI JOIN {quoted(stored)} USING ({', '.join(map(quoted, keys))})"
    )
