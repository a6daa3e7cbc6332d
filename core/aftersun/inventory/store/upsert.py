"""Puts checked rows into the tables: new keys are added, known ones changed only where something else is stated.

Every changed cell is kept in the trail, with what it was before.
"""

from __future__ import annotations

from dataclasses import dataclass

import duckdb
import pandas as pd

from aftersun.inventory.store import trail
from aftersun.inventory.store.dictionary import (
    BOOLEAN,
    NUMBER,
    Column,
    columns,
    dangers,
    key_columns,
    references,
    stored_tables,
)
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.sql import literal, quoted, registered, scalar
from aftersun.inventory.store.tables import STANDING_FACTS
from aftersun.inventory.store.trail import Source

_SERIES = ("reading", "tariff_hour")  # rows of a series, replaced as a whole and added by the thousand


@dataclass(frozen=True)
class Counts:
    """What became of the rows of a file."""

    added: int
    changed: int
    unchanged: int


@dataclass(frozen=True, eq=False)
class Upserted:
    """What became of rows, and the cells not taken over: columns row (index label), column_name, learnt_on.

    ``learnt_on`` is when what stays was learnt, NA where a danger stands whoever said so. ``new_conflicts`` counts
    those that no load has met before.
    """

    counts: Counts
    conflicts: pd.DataFrame
    new_conflicts: int


def upsert(connection: duckdb.DuckDBPyConnection, table: str, rows: pd.DataFrame, source: Source) -> Upserted:
    """Add or change rows of a dictionary table, within the caller's transaction.

    ``rows`` has unique keys and values of the dictionary's types. An unknown value changes nothing in a known row, nor
    does a column that is lacking; a new row takes the default, or unknown. Where the source gives way, see
    :class:`aftersun.inventory.store.trail.Source`.
    """
    given = [column for column in columns(table) if column.name in rows]
    casts = ", ".join(f"{quoted(c.name)}::{c.duckdb_type} AS {quoted(c.name)}" for c in given)
    frame = rows.astype({c.name: c.dtype for c in given}).assign(row_label=rows.index)
    with registered(connection, incoming_frame=frame):
        connection.execute(f"CREATE OR REPLACE TEMP TABLE incoming AS SELECT row_label, {casts} FROM incoming_frame")
    keys = ", ".join(map(quoted, key_columns(table)))
    added = int(scalar(connection, f"SELECT count(*) FROM incoming ANTI JOIN {quoted(table)} USING ({keys})"))
    parts = {
        stored: [c for c in entries if c.name in rows and not c.key] for stored, entries in stored_tables(table).items()
    }
    _find_differences(connection, table, parts if added < len(rows) else {})
    conflicts = _give_way(connection, table, source)
    changed = int(
        scalar(connection, "SELECT count(DISTINCT row_label) FROM difference WHERE applied AND column_name IS NOT NULL")
    )
    new_conflicts = _keep_trail(connection, table, source)
    for stored, rest in parts.items():
        if changed:
            _change(connection, stored, key_columns(table), rest)
        _add(connection, stored, key_columns(table), rest)
    connection.execute("DROP TABLE incoming")
    connection.execute("DROP TABLE difference")
    return Upserted(Counts(added, changed, len(rows) - added - changed), conflicts, new_conflicts)


def clear(connection: duckdb.DuckDBPyConnection, table: str, key: tuple[str, ...], name: str, source: Source) -> None:
    """Make a cell unknown, within the caller's transaction; ``key`` has a text for each key column.

    Raises
    ------
    AftersunError
        If there is no such table, no such row, or the column is none that may be unknown.
    """
    column = next((c for c in columns(table) if c.name == name and not c.required and not c.key), None)
    if column is None:
        raise refusal("not_to_clear", table=table)
    stored = next(stored for stored, entries in stored_tables(table).items() if column in entries)
    names = key_columns(table)
    where = " AND ".join(f"{quoted(part)}::VARCHAR = ?" for part in names)
    owner = ", ".join(f"{sql} AS {part}" for part, sql in _owner(table, stored).items())
    query = f"SELECT {cell_text(column, stored)}, {owner} FROM {quoted(stored)} WHERE {where}"
    found = connection.execute(query, list(key)).fetchall() if len(key) == len(names) else []
    if not found:
        raise refusal("no_such_row", table=table, keys=" ".join(names))
    before, customer_id, site_id = found[0]
    connection.execute(f"UPDATE {quoted(stored)} SET {quoted(name)} = NULL WHERE {where}", list(key))
    about = {"customer_id": customer_id, "site_id": site_id, "table_name": table, "row_key": " ".join(key)}
    trail.record_cell(connection, source, **about, column_name=name, before=before, after=None)


def _new(stored: str, column: Column) -> str:
    """Return the SQL of what a known row's cell becomes."""
    name = quoted(column.name)
    return f"incoming.{name}" if stored in _SERIES else f"coalesce(incoming.{name}, {quoted(stored)}.{name})"


def cell_text(column: Column, table: str) -> str:
    """Return the SQL of a value as a table to load says it."""
    value = f"{quoted(table)}.{quoted(column.name)}"
    if column.type == BOOLEAN:
        return f"CASE WHEN {value} THEN 'yes' WHEN NOT {value} THEN 'no' END"
    text = f"{value}::VARCHAR"
    return f"regexp_replace({text}, '\\.0$', '')" if column.type == NUMBER else text


def _owner(table: str, source: str) -> dict[str, str]:
    """Return the SQL of the customer and the site that a row is about; a site's own tariff is about that site."""
    site = f"{quoted(source)}.site_id" if table == "site" or "site_id" in references(table) else "NULL"
    if table == "tariff":
        site = f"(SELECT any_value(site.site_id) FROM site WHERE site.site_id || ' own' = {quoted(source)}.tariff_id)"
    return {"customer_id": f"{quoted(source)}.customer_id" if table == "customer" else "NULL", "site_id": site}


def row_key(table: str, source: str) -> str:
    """Return the SQL of what the trail names a row by."""
    return f"concat_ws(' ', {', '.join(f'{quoted(source)}.{quoted(key)}::VARCHAR' for key in key_columns(table))})"


def _find_differences(connection: duckdb.DuckDBPyConnection, table: str, parts: dict[str, list[Column]]) -> None:
    """Make the table ``difference`` of the cells that are to change, and of the rows that are new (no column_name)."""
    keys = ", ".join(map(quoted, key_columns(table)))
    owner = _owner(table, "incoming")
    queries = [
        f"SELECT row_label, {row_key(table, 'incoming')} AS row_key, {owner['customer_id']}::VARCHAR AS customer_id, "
        f"{owner['site_id']}::VARCHAR AS site_id, NULL::VARCHAR AS column_name, NULL::VARCHAR AS before, "
        f"NULL::VARCHAR AS after, true AS applied, NULL::DATE AS learnt_on "
        f"FROM incoming ANTI JOIN {quoted(table)} USING ({keys}) WHERE '{table}' NOT IN {_SERIES}"
    ]
    for stored, rest in parts.items():
        owner = _owner(table, stored)
        queries += [
            f"SELECT row_label, {row_key(table, stored)}, {owner['customer_id']}, {owner['site_id']}, "
            f"{literal(column.name)}, {cell_text(column, stored)}, {cell_text(column, 'incoming')}, true, NULL "
            f"FROM incoming JOIN {quoted(stored)} USING ({keys}) "
            f"WHERE {quoted(stored)}.{quoted(column.name)} IS DISTINCT FROM {_new(stored, column)}"
            for column in rest
        ]
    connection.execute(f"CREATE OR REPLACE TEMP TABLE difference AS {' UNION ALL '.join(queries)}")


def _give_way(connection: duckdb.DuckDBPyConnection, table: str, source: Source) -> pd.DataFrame:
    """Take out of ``incoming`` the cells against which something stands, mark their differences, and return them."""
    if source.gives_way:
        # A learnt price stands in the row of its tariff that begins on the day it was learnt.
        key = "fact_origin.row_key"
        key = f"{key} || ' ' || fact_origin.learnt_on::VARCHAR" if table == "tariff" else key
        connection.execute(
            f"""
            UPDATE difference SET applied = false, learnt_on = fact.learnt_on
            FROM (
                SELECT {key} AS fact_key, column_name, value, learnt_on FROM {STANDING_FACTS} WHERE table_name = ?1
                QUALIFY row_number() OVER (
                    PARTITION BY {key}, fact_origin.column_name ORDER BY fact_origin.learnt_on DESC, fact DESC) = 1
            ) AS fact
            WHERE fact.fact_key = difference.row_key AND fact.column_name = difference.column_name
                AND fact.value = difference.before AND (?2::DATE IS NULL OR fact.learnt_on > ?2)
            """,
            [table, source.stated_on],
        )
        values = {name: value for (owner, name), value in dangers().items() if owner == table}
        if values:
            connection.execute(
                "UPDATE difference SET applied = false, learnt_on = NULL "
                "WHERE before = map_extract_value(?::MAP(VARCHAR, VARCHAR), column_name)",
                [values],
            )
    conflicts = connection.execute(
        "SELECT row_label AS row, column_name, learnt_on FROM difference WHERE NOT applied ORDER BY ALL"
    ).df()
    for name in conflicts["column_name"].unique():
        connection.execute(
            f"UPDATE incoming SET {quoted(name)} = NULL WHERE row_label IN "
            "(SELECT row_label FROM difference WHERE NOT applied AND column_name = ?)",
            [name],
        )
    return conflicts


def _keep_trail(connection: duckdb.DuckDBPyConnection, table: str, source: Source) -> int:
    """Add the differences to the trail, each conflict once however often it is loaded; return how many of these."""
    again = (
        "SELECT 1 FROM change WHERE NOT change.applied AND change.table_name = ?1 "
        "AND change.row_key = difference.row_key AND change.column_name = difference.column_name "
        "AND change.before = difference.before AND change.after = difference.after"
    )
    connection.execute(f"DELETE FROM difference WHERE NOT applied AND EXISTS ({again})", [table])
    head = trail.head(connection, source)
    connection.execute(
        f"""
        INSERT INTO change ({", ".join(head)}, table_name, row_key, customer_id, site_id, column_name, before, after,
            applied)
        SELECT ?::BIGINT + row_number() OVER (ORDER BY row_label, column_name NULLS FIRST) - 1,
            {", ".join("?" * (len(head) - 1))}, ?, row_key, customer_id, site_id, column_name, before, after, applied
        FROM difference
        """,
        [*head.values(), table],
    )
    return int(scalar(connection, "SELECT count(*) FROM difference WHERE NOT applied"))


def _change(connection: duckdb.DuckDBPyConnection, stored: str, keys: tuple[str, ...], rest: list[Column]) -> None:
    same = " AND ".join(f"{quoted(stored)}.{quoted(key)} = incoming.{quoted(key)}" for key in keys)
    if rest:
        sets = ", ".join(f"{quoted(c.name)} = {_new(stored, c)}" for c in rest)
        differs = " OR ".join(f"{quoted(stored)}.{quoted(c.name)} IS DISTINCT FROM {_new(stored, c)}" for c in rest)
        connection.execute(f"UPDATE {quoted(stored)} SET {sets} FROM incoming WHERE {same} AND ({differs})")


def _add(connection: duckdb.DuckDBPyConnection, stored: str, keys: tuple[str, ...], rest: list[Column]) -> None:
    names = ", ".join(map(quoted, (*keys, *(c.name for c in rest))))
    connection.execute(
        f"INSERT INTO {quoted(stored)} ({names}) SELECT {names} FROM incoming "
        f"ANTI JOIN {quoted(stored)} USING ({', '.join(map(quoted, keys))})"
    )
