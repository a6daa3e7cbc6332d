"""Stored runs: what was computed, from what, with which versions. Written as a whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.sql import quoted, registered
from aftersun.inventory.store.tables import NEWEST_FIRST, OTHER_TABLES, RUN_TABLES, insert_row, read_table

_RUN = OTHER_TABLES["run"].columns
Rows = pd.DataFrame | Sequence[Path]


@dataclass(frozen=True)
class RunRecord:
    """One run. Times carry a time zone; ``as_of`` is the day that ages and prices are taken at.

    ``plugin_versions``, ``input_hashes`` and ``settings`` by name; ``failures`` one by one. What JSON does
    not know (a path, a day) comes back as text.
    """

    run_id: str
    started_at: datetime
    finished_at: datetime
    program_version: str
    as_of: date
    sites: int
    seed: int
    plugin_versions: Mapping[str, str] = field(default_factory=dict)
    input_hashes: Mapping[str, str] = field(default_factory=dict)
    settings: Mapping[str, Any] = field(default_factory=dict)
    failures: Sequence[Mapping[str, Any]] = ()


def write_run(inventory: Inventory, run: RunRecord, tables: Mapping[str, Rows]) -> None:
    """Store a run with its result tables in one transaction: all of it, or after any error nothing.

    ``tables`` are named as in ``tables.RUN_TABLES`` and have columns given there; run_id may be left out. Each is a
    frame, or a list of Parquet files whose rows follow one another: these are never in memory as a whole. A table that
    is left out gets no rows, a column that is left out no values. Measures that do not exist (NA, NaN or infinite) are
    stored as NULL.

    Raises
    ------
    ValueError
        If a table or column is unknown, a required column is missing, a run_id is another run's, or a time
        has no zone.
    """
    values = {name: _stored(name, getattr(run, name)) for name in _RUN}
    with inventory.transaction() as connection:
        insert_row(connection, "run", values)
        for table, rows in tables.items():
            if table not in RUN_TABLES:
                raise ValueError(f"there is no result table {table!r}; there are {', '.join(RUN_TABLES)}")
            if isinstance(rows, pd.DataFrame):
                _check(run.run_id, table, rows)
                if rows.empty:  # of no columns even, where no plugin brings any
                    continue
                with registered(connection, result_rows=rows):
                    _insert(connection, table, run.run_id, list(rows.columns))
            elif rows:
                _insert_files(connection, table, run.run_id, rows)


def _insert_files(connection: duckdb.DuckDBPyConnection, table: str, run_id: str, paths: Sequence[Path]) -> None:
    """Insert all files by one statement, which writes as it reads; file by file it would keep them all in memory."""
    files = connection.read_parquet([str(path) for path in paths], union_by_name=True)
    _check(run_id, table, files.limit(1).df())
    files.create_view("result_rows")
    _insert(connection, table, run_id, files.columns)
    connection.execute("DROP VIEW result_rows")


def _check(run_id: str, table: str, frame: pd.DataFrame) -> None:
    described = RUN_TABLES[table]
    unknown = set(frame.columns) - set(described.columns)
    missing = {*described.key, *described.required} - {"run_id", *frame.columns} if len(frame) else set()
    if unknown or missing:
        raise ValueError(f"result table {table}: missing columns {sorted(missing)}, unknown columns {sorted(unknown)}")
    if "run_id" in frame and not (frame["run_id"] == run_id).all():
        raise ValueError(f"result table {table} holds rows of another run than {run_id}")


def _stored(name: str, value: Any) -> Any:
    if _RUN[name] == "JSON":
        return json.dumps(value, sort_keys=True, allow_nan=False, default=str)
    if isinstance(value, datetime):
        if value.tzinfo is None:
            raise ValueError(f"{name} of a run needs a time zone")
        return value.astimezone(UTC).replace(tzinfo=None)
    return value


def _insert(connection: duckdb.DuckDBPyConnection, table: str, run_id: str, columns: Sequence[str]) -> None:
    """Insert what is readable as ``result_rows``."""
    kinds = {name: kind for name, kind in RUN_TABLES[table].columns.items() if name in columns and name != "run_id"}
    if not kinds:
        return
    values = ", ".join(
        f"CASE WHEN isfinite({quoted(name)}::DOUBLE) THEN {quoted(name)}::DOUBLE END"
        if kind == "DOUBLE"
        else f"{quoted(name)}::{kind}"
        for name, kind in kinds.items()
    )
    names = ", ".join(map(quoted, kinds))
    connection.execute(f"INSERT INTO {quoted(table)} (run_id, {names}) SELECT ?, {values} FROM result_rows", [run_id])


def stored_run(inventory: Inventory, run_id: str | None = None) -> RunRecord | None:
    """Return the run of this number, or the one that finished last; None if there is none."""
    query = f"SELECT {', '.join(_RUN)} FROM run WHERE run_id = coalesce(?, run_id) ORDER BY {NEWEST_FIRST} LIMIT 1"
    rows = inventory.connection.execute(query, [run_id]).fetchall()
    if not rows:
        return None
    return RunRecord(**{name: _read(name, value) for name, value in zip(_RUN, rows[0], strict=True)})


def _read(name: str, value: Any) -> Any:
    if _RUN[name] == "JSON":
        return json.loads(value)
    return value.replace(tzinfo=UTC) if isinstance(value, datetime) else value


def read_run_table(
    inventory: Inventory, table: str, run_id: str, site_id: str | None = None, where: str | None = None
) -> pd.DataFrame:
    """Return a result table of a run, or the rows of one site, with declared dtypes and in the table's order.

    ``where`` names a yes/no column: only the rows in which it is true. Raises KeyError if there is no such result
    table or column.
    """
    described = RUN_TABLES[table]
    kept = "WHERE run_id = ?" if site_id is None else "WHERE run_id = ? AND site_id = ?"
    if where is not None:
        if described.columns[where] != "BOOLEAN":
            raise KeyError(where)
        kept += f" AND {quoted(where)}"
    return read_table(inventory.connection, described, kept, [run_id] if site_id is None else [run_id, site_id])
