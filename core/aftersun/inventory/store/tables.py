"""Every table of the inventory file, described once.

Those that can be loaded come from the column dictionary, those of a stored run from ``run_tables.csv``, the others from
``tables.csv``. In these two files ``key`` columns are unique together and, like ``required`` ones, never empty;
``order`` is how rows are read back, otherwise as they were stored; ``export`` marks texts that go into an export, since
no person typed them in. Large tables have no key: an index on them would cost more than it guards. Other tools may rely
on names and types.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import duckdb
import pandas as pd

import aftersun_datasets
from aftersun.inventory.store import dictionary
from aftersun.inventory.store.sql import literal, quoted, registered, scalar, typed_frame

DTYPES = {
    "VARCHAR": "string",
    "JSON": "string",
    "DOUBLE": "Float64",
    "INTEGER": "Int64",
    "BIGINT": "Int64",
    "BOOLEAN": "boolean",
    "DATE": "datetime64[us]",
    "TIMESTAMP": "datetime64[us]",
    "BLOB": "object",
    "VARCHAR[]": "object",
    "DOUBLE[]": "object",  # an array of numbers in each cell
    "UINTEGER[]": "object",
}
"""The pandas dtype that a DuckDB type is read as."""


@dataclass(frozen=True)
class Table:
    """One table of the file: DuckDB type by column, defaults by column, conditions that the database holds rows to."""

    name: str
    columns: dict[str, str]
    key: tuple[str, ...]
    order: tuple[str, ...] = ()
    required: tuple[str, ...] = ()
    defaults: Mapping[str, str] = field(default_factory=dict)
    checks: tuple[str, ...] = ()
    exported: frozenset[str] = frozenset()

    @property
    def dtypes(self) -> dict[str, str]:
        """The pandas dtypes that the columns are read as."""
        return {name: DTYPES[kind] for name, kind in self.columns.items()}

    @property
    def ordered(self) -> str:
        """The SQL that puts rows in the table's order."""
        return f"ORDER BY {', '.join([*map(quoted, self.order or self.key), 'rowid'])}"

    @property
    def create_statement(self) -> str:
        """The SQL that makes the table where it is not there."""
        parts = [
            f"{quoted(name)} {kind}{' NOT NULL' if name in self.required else ''}"
            + (f" DEFAULT {literal(self.defaults[name])}" if name in self.defaults else "")
            for name, kind in self.columns.items()
        ]
        parts += [f"CHECK ({condition})" for condition in self.checks]
        if self.key:
            parts.append(f"PRIMARY KEY ({', '.join(map(quoted, self.key))})")
        return f"CREATE TABLE IF NOT EXISTS {quoted(self.name)} ({', '.join(parts)})"


def _from_file(file: str) -> dict[str, Table]:
    rows: dict[str, list[Mapping[str, str]]] = {}
    for row in aftersun_datasets.rows(file, "aftersun.inventory"):
        if row["name"]:  # a row without a name says what the table is
            rows.setdefault(row["table"], []).append(row)

    def named(entries: Sequence[Mapping[str, str]], mark: str) -> tuple[str, ...]:
        return tuple(row["name"] for row in sorted(entries, key=lambda row: row[mark]) if row[mark])

    return {
        table: Table(
            table,
            {row["name"]: row["type"] for row in entries},
            key=named(entries, "key"),
            order=named(entries, "order"),
            required=named(entries, "required"),
            exported=frozenset(named(entries, "export")),
        )
        for table, entries in rows.items()
    }


RUN_TABLES: Mapping[str, Table] = _from_file("run_tables.csv")
"""The tables that a stored run consists of, apart from its own row in ``run``."""
OTHER_TABLES: Mapping[str, Table] = _from_file("tables.csv")
"""Loads, rejects, weather years, runs, calls and what they taught, letters, who was erased."""

STANDING_CALLS = "call_log WHERE corrected_at IS NULL"
"""The SQL of the entries of the call log that count."""
STANDING_FACTS = (
    "(SELECT * FROM fact_origin WHERE taken_back_at IS NULL) AS fact_origin "
    "ANTI JOIN (SELECT entry FROM call_log WHERE corrected_at IS NOT NULL) AS corrected USING (entry)"
)
"""The SQL of what was learnt, but for what was taken back or came from an entry that was corrected."""
NEWEST_FIRST = "finished_at DESC, started_at DESC, run_id DESC"
LATEST_RANKING = f"""
CREATE OR REPLACE VIEW latest_ranking AS
SELECT * FROM ranking WHERE run_id = (SELECT run_id FROM run ORDER BY {NEWEST_FIRST} LIMIT 1)
"""


def loaded_tables() -> dict[str, Table]:
    """Return the tables that keep what is loaded, personal columns of customers apart."""
    return {
        stored: Table(
            stored,
            {column.name: column.duckdb_type for column in entries},
            key=tuple(column.name for column in entries if column.key),
            required=tuple(column.name for column in entries if column.required),
            defaults={column.name: column.default for column in entries if column.default},
            checks=tuple(condition for column in entries for condition in column.sql_checks),
        )
        for table in dictionary.tables()
        for stored, entries in dictionary.stored_tables(table).items()
    }


def all_tables() -> dict[str, Table]:
    """Return all tables of the file by name."""
    return {**loaded_tables(), **OTHER_TABLES, **RUN_TABLES}


def read_table(
    connection: duckdb.DuckDBPyConnection,
    table: Table,
    where: str = "",
    parameters: Sequence[Any] = (),
    names: Sequence[str] = (),
) -> pd.DataFrame:
    """Return rows of a table, all columns or those of ``names``, with declared dtypes and in the table's order.

    ``where`` is SQL from ``WHERE`` or ``QUALIFY`` on.
    """
    dtypes = {name: dtype for name, dtype in table.dtypes.items() if name in (names or table.columns)}
    query = f"SELECT {', '.join(map(quoted, dtypes))} FROM {quoted(table.name)} {where} {table.ordered}"
    return typed_frame(connection, query, dtypes, parameters)


def of_site(site_id: str | None) -> tuple[str, list[str]]:
    """Return the condition for the rows of one site, or of all, and its parameters."""
    return ("", []) if site_id is None else ("WHERE site_id = ?", [site_id])


def insert_row(connection: duckdb.DuckDBPyConnection, table: str, values: Mapping[str, Any]) -> None:
    """Add a row, given by column; a column left out gets nothing."""
    marks = ", ".join("?" * len(values))
    connection.execute(
        f"INSERT INTO {quoted(table)} ({', '.join(map(quoted, values))}) VALUES ({marks})", list(values.values())
    )


def insert_frame(connection: duckdb.DuckDBPyConnection, table: Table, rows: pd.DataFrame) -> None:
    """Add rows in their order; columns that are not the table's are left out."""
    dtypes = {name: dtype for name, dtype in table.dtypes.items() if name in rows}
    names = ", ".join(map(quoted, dtypes))
    with registered(connection, new_rows=rows[list(dtypes)].astype(dtypes)):
        connection.execute(f"INSERT INTO {quoted(table.name)} ({names}) SELECT {names} FROM new_rows")


def next_number(connection: duckdb.DuckDBPyConnection, table: str, column: str) -> int:
    """Return the number after the highest one in a column, counted from 1."""
    return int(scalar(connection, f"SELECT coalesce(max({quoted(column)}), 0) + 1 FROM {quoted(table)}"))
