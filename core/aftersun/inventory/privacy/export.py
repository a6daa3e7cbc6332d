"""All tables as files for analysts, without personal data: numbers of customers, sites and arrays become pseudonyms.

What goes out is what is known to be harmless: measures, days, choices, and the texts that are marked for it in
``tables.csv`` and ``run_tables.csv``. A text that a person may have typed in stays behind.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from aftersun.inventory.log import learnt_facts
from aftersun.inventory.store import dictionary
from aftersun.inventory.store.dictionary import TEXT
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.private import make_folder, umask
from aftersun.inventory.store.pseudonyms import pseudonyms
from aftersun.inventory.store.sql import quoted
from aftersun.inventory.store.tables import Table, all_tables
from aftersun.model.errors import AftersunError

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
_LEFT_OUT = {"contact", "reject", "load", "letter", "pseudonym_key", "erased"}
_ROUNDED = {  # a place must not tell a house
    "latitude": 0.1,
    "longitude": 0.1,
    "elevation_m": 50.0,
    "distance_km": 10.0,
    "height_difference_m": 50.0,
}
_CHUNKS = 50  # of 2048 rows are in memory at once


@dataclass(frozen=True)
class Exported:
    """What was written: rows by table."""

    files: tuple[Path, ...]
    tables: dict[str, int]


def export(inventory: Inventory, folder: Path | str, kind: str = CSV) -> Exported:
    """Write all tables without personal data into a folder, each as one CSV or Parquet file readable by its owner only.

    The same site has the same pseudonym in every table and every export of this inventory. Such data is still about
    persons for whoever knows enough of them otherwise.

    Raises
    ------
    AftersunError
        If a file is there already or cannot be written, or the kind is unknown.
    """
    folder = Path(folder)
    if kind not in (CSV, PARQUET):
        raise AftersunError(f"There is no kind of file {kind!r} to export to.", f"Choose {CSV} or {PARQUET}.")
    tables = {name: _columns(table) for name, table in all_tables().items() if name not in _LEFT_OUT}
    targets = {table: folder / f"{table}.{kind}" for table in tables}
    there = [path for path in targets.values() if path.exists()]
    if there:
        raise AftersunError(f"{there[0]} exists already.", "Choose another folder; nothing was overwritten.")
    make_folder(folder)
    counts: dict[str, int] = {}
    written: list[Path] = []
    write = _write_csv if kind == CSV else _write_parquet
    try:
        for table, path in targets.items():
            written.append(path)
            with umask():
                counts[table] = write(_rows(inventory, table, tables[table]), path)
    except BaseException as error:
        for path in written:
            path.unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise AftersunError(
                f"The export could not be written ({error.strerror}).", "Choose another folder; what was begun is gone."
            ) from error
        raise
    return Exported(tuple(targets.values()), counts)


def _columns(table: Table) -> list[str]:
    """Return the columns of a table that go out."""
    if table.name in dictionary.tables():
        entries = dictionary.columns(table.name)
        texts = {column.name for column in entries if column.type == TEXT and column.name != "retrofit"}
    else:
        unmarked = set(table.columns) - table.exported
        texts = {name for name in unmarked if table.columns[name] in ("VARCHAR", "JSON", "BLOB")}
        if table.name == "fact_origin":
            texts -= {"row_key", "value", "previous_value"}  # disguised by what they are about
    return [name for name in table.columns if name in _KINDS or name not in texts]


def _rows(inventory: Inventory, table: str, names: list[str]) -> Iterator[pd.DataFrame]:
    """Yield the rows of a table, part by part, as they go out; at least one part, which may be empty."""
    result = inventory.connection.cursor().execute(f"SELECT {', '.join(map(quoted, names))} FROM {quoted(table)}")
    while True:
        part = result.fetch_df_chunk(_CHUNKS)
        yield _disguised(inventory, table, part)
        if part.empty:
            return


def _disguised(inventory: Inventory, table: str, rows: pd.DataFrame) -> pd.DataFrame:
    rows = rows.copy()
    if table == "fact_origin":
        rows = _disguised_facts(inventory, rows)
    for name in rows.columns:
        if name in _KINDS:
            rows[name] = pseudonyms(inventory, _KINDS[name], rows[name])
        elif name in _ROUNDED:
            rows[name] = ((rows[name] / _ROUNDED[name]).round() * _ROUNDED[name]).round(6)
    return rows


def _disguised_facts(inventory: Inventory, rows: pd.DataFrame) -> pd.DataFrame:
    for table in learnt_facts.FACT_TABLES:
        mine = rows["table_name"] == table
        rows.loc[mine, "row_key"] = pseudonyms(inventory, table, rows.loc[mine, "row_key"])
    about = rows["column_name"]
    for name in ("value", "previous_value"):
        told = rows[name].astype("string")
        for column, kind in _KINDS.items():
            told = told.mask(about == column, pseudonyms(inventory, kind, told.where(about == column)))
        for column, step in _ROUNDED.items():
            coarse = (pd.to_numeric(told.where(about == column)) / step).round() * step
            told = told.mask(about == column, coarse.round(6).astype("string"))
        typed = {entry.name for entry in learnt_facts.fact_columns().values() if entry.type == TEXT} - set(_KINDS)
        rows[name] = told.mask(about.isin(typed) | ~about.isin(list(learnt_facts.fact_columns())))
    return rows


def _write_csv(parts: Iterator[pd.DataFrame], path: Path) -> int:
    count = 0
    with path.open("x", encoding="utf-8", newline="") as file:
        for number, part in enumerate(parts):
            part.to_csv(file, index=False, header=number == 0)
            count += len(part)
    return count


def _write_parquet(parts: Iterator[pd.DataFrame], path: Path) -> int:
    count, schema = 0, None
    with path.open("xb") as file:
        writer: pq.ParquetWriter | None = None
        for part in parts:
            rows = pa.Table.from_pandas(part, schema=schema, preserve_index=False).replace_schema_metadata()
            if writer is None:
                schema = rows.schema
                writer = pq.ParquetWriter(file, schema)
            writer.write_table(rows)
            count += len(part)
        if writer is not None:
            writer.close()
    return count
