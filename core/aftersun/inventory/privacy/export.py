"""All tables as files for analysts, without personal data: numbers of customers, sites and arrays become pseudonyms.

What goes out is what is known to be harmless: measures, days, choices, and the texts that are marked for it in
``tables.csv`` and ``run_tables.csv``. A text that a person may have typed in stays behind.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa
import pyarrow.csv as csv
import pyarrow.parquet as pq

from aftersun.inventory.store import dictionary
from aftersun.inventory.store.dictionary import TEXT
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.private import made_whole, make_folder, refuse_existing, umask
from aftersun.inventory.store.pseudonyms import keyed_hash, stored_key
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.sql import quoted
from aftersun.inventory.store.tables import Table, all_tables

CSV, PARQUET = "csv", "parquet"
# Columns whose texts tell rows of some kind apart.
_KINDS = {
    "customer_id": "customer",
    "site_id": "site",
    "array_id": "array",
    "tariff_id": "tariff",
    "station_id": "station",
}
# Tables that are about persons or about this file itself.
_LEFT_OUT = {"contact", "reject", "load", "letter", "letter_number", "pseudonym_key", "erased", "checked_copy"}
_ROUNDED = {  # a place must not tell a house
    "latitude": 0.1,
    "longitude": 0.1,
    "elevation_m": 50.0,
    "distance_km": 10.0,
    "height_difference_m": 50.0,
}
# Cells kept as text, which are disguised by what they are about.
_TOLD = {"fact_origin": {"row_key", "value", "previous_value"}, "change": {"before", "after"}}
_CALLS = "calls_as_the_rules_are_today"
_ROWS_AT_ONCE = 100_000
_WRITERS: Mapping[str, Any] = {CSV: csv.CSVWriter, PARQUET: pq.ParquetWriter}


def export(
    inventory: Inventory, folder: Path | str, kind: str = CSV, calls: pd.DataFrame | None = None
) -> dict[Path, int]:
    """Write all tables without personal data into a folder, each as one CSV or Parquet file readable by its owner only.

    The same site has the same pseudonym in every table and every export of this inventory. Such data is still about
    persons for whoever knows enough of them otherwise. Returns the rows of each file. ``calls`` takes the place of the
    table ``call``, with the contact rules as they are today; None = as stored.

    Raises
    ------
    AftersunError
        If a file is there already or cannot be written, or the kind is unknown.
    """
    folder = Path(folder)
    if kind not in (CSV, PARQUET):
        raise refusal("no_such_export", kind=kind, csv=CSV, parquet=PARQUET)
    tables = {name: _columns(table) for name, table in all_tables().items() if name not in _LEFT_OUT}
    targets = {table: folder / f"{table}.{kind}" for table in tables}
    refuse_existing(targets.values(), "Choose another folder; nothing was overwritten.")
    make_folder(folder)
    try:
        with _pseudonyms_in_sql(inventory) as connection, umask():
            if calls is not None:
                connection.register(_CALLS, calls)
            stored_in = {} if calls is None else {"call": _CALLS}
            return {
                path: _write(connection, _query(table, tables[table], kind, stored_in.get(table)), path, kind)
                for table, path in targets.items()
            }
    except BaseException as error:
        for path in targets.values():
            path.unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise refusal("export_unwritten", why=error.strerror) from error
        raise


@contextmanager
def _pseudonyms_in_sql(inventory: Inventory) -> Iterator[duckdb.DuckDBPyConnection]:
    """Give SQL the function pseudonym(kind, text) for the length of a block."""
    connection, key = inventory.connection, stored_key(inventory.connection)
    named = cache(lambda kind, text: keyed_hash(key, kind, text))
    connection.create_function("pseudonym", named, ["VARCHAR", "VARCHAR"], "VARCHAR")
    try:
        with closing(connection.cursor()) as cursor:
            yield cursor
    finally:
        connection.remove_function("pseudonym")


def _write(connection: duckdb.DuckDBPyConnection, query: str, path: Path, kind: str) -> int:
    """Write the rows of a query into a new file, part by part; return how many."""
    count = 0
    rows: pa.RecordBatchReader = connection.sql(query).to_arrow_reader(_ROWS_AT_ONCE)
    with made_whole(path) as made, made.open("xb") as file, _WRITERS[kind](file, rows.schema) as writer:
        for part in rows:
            writer.write_batch(part)
            count += part.num_rows
    return count


def _columns(table: Table) -> list[str]:
    """Return the columns of a table that go out."""
    if table.name in dictionary.tables():
        entries = dictionary.columns(table.name)
        texts = {column.name for column in entries if column.type == TEXT and column.name != "retrofit"}
    else:
        unmarked = set(table.columns) - table.exported
        texts = {name for name in unmarked if table.columns[name].startswith(("VARCHAR", "JSON", "BLOB"))}
        texts -= _TOLD.get(table.name, set())
    return [name for name in table.columns if name in _KINDS or name not in texts]


def _query(table: str, names: list[str], kind: str, instead: str | None = None) -> str:
    """Return the SQL that reads a table as it goes out; ``instead`` names what is read in its place."""
    lists = {name for name, stored in all_tables()[table].columns.items() if stored.endswith("[]")}
    parts = [_told(name) if name in _TOLD.get(table, set()) else _disguised(name) for name in names]
    if kind == CSV:
        parts = [f"({sql})::VARCHAR" if name in lists else sql for name, sql in zip(names, parts, strict=True)]
    selected = ", ".join(f"{sql} AS {quoted(name)}" for name, sql in zip(names, parts, strict=True))
    if instead is None:
        return f"SELECT {selected} FROM {quoted(table)}"
    typed = (f"{quoted(name)}::{stored} AS {quoted(name)}" for name, stored in all_tables()[table].columns.items())
    return f"SELECT {selected} FROM (SELECT {', '.join(typed)} FROM {instead})"


def _disguised(name: str, value: str | None = None) -> str:
    """Return the SQL of what goes out of a column of that name; ``value`` is where its text stands, if elsewhere."""
    value = value or quoted(name)
    if name in _KINDS:
        return f"pseudonym('{_KINDS[name]}', {value})"
    if name in _ROUNDED:
        return f"round(round(try_cast({value} AS DOUBLE) / {_ROUNDED[name]}) * {_ROUNDED[name]}, 6)"
    return value


def _told(name: str) -> str:
    """Return the SQL of what goes out of a cell that is kept as text: what the column that it is about would say."""
    if name == "row_key":
        return "pseudonym(table_name, row_key)"
    cases = {
        column.name: f"WHEN '{column.name}' THEN {_disguised(column.name, name)}::VARCHAR"
        for table in dictionary.tables()
        for column in dictionary.columns(table)
        if (column.type != TEXT or column.name in _KINDS) and not column.personal
    }
    return f"CASE column_name {' '.join(cases.values())} END"
