"""Reads Parquet files of plain columns as text."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from aftersun.inventory.loading.bounds import (
    LARGEST_FILE,
    LONGEST_CELL,
    MOST_CELLS,
    MOST_COLUMNS,
    MOST_ROWS,
    too_much,
)
from aftersun.inventory.loading.raw_table import RawTable
from aftersun.inventory.store.refusals import refusal
from aftersun.model.errors import AftersunError

_BATCH_ROWS = 1024
_LARGEST_PART = 250_000_000  # bytes of a column within a group of rows, which is unpacked at once
_CELL_BYTES = 4  # that a cell takes at least, be it empty
# Unpacked sizes above the first of these that are more than so many times the file are no table that anybody wrote.
_SMALL_BYTES, _MOST_TIMES = 100_000_000, 200


def read_parquet(path: Path) -> RawTable:
    """Read a Parquet file; its lines are numbers of rows from 1."""
    table = _parquet_table(path)
    columns = []
    for name, column in zip(table.column_names, table.columns, strict=True):
        try:
            if pa.types.is_floating(column.type):
                column = pc.if_else(pc.is_nan(column), pa.scalar(None, column.type), column)
            text = pc.cast(column, pa.string()).combine_chunks()
            text.validate(full=True)  # letters that are none come through a cast
            longest = pc.max(pc.binary_length(text)).as_py() or 0
        except (pa.ArrowException, ValueError) as error:
            raise refusal("no_plain_column", path=path, name=name, type=column.type) from error
        if longest > LONGEST_CELL:
            raise too_much(path.name, f"a cell of more than {LONGEST_CELL:,} characters")
        columns.append(pd.Series(text.to_pandas(), dtype="string"))
    header = tuple(name.strip() for name in table.column_names)
    cells = pd.DataFrame(dict(enumerate(columns)), index=pd.RangeIndex(table.num_rows))
    kept = cells.notna().any(axis=1).to_numpy() if len(cells) else np.zeros(0, dtype=bool)
    lines = np.arange(1, table.num_rows + 1, dtype=np.int64)[kept]
    cells = cells[kept].reset_index(drop=True)
    return RawTable(header, cells, lines, np.full(len(lines), len(header), dtype=np.int64), {}, decimal_comma=False)


def _parquet_table(path: Path) -> pa.Table:
    """Read the columns; texts stay dictionaries, or a text that stands in every row would be unpacked for each."""
    try:
        with pq.ParquetFile(path) as plain:
            texts = [column.name for column in plain.schema if column.physical_type == "BYTE_ARRAY"]
            _check_stated(path, plain.metadata)
        batches = []
        size = 0
        with pq.ParquetFile(path, read_dictionary=texts) as file:
            for batch in file.iter_batches(_BATCH_ROWS):
                size += sum(map(_written_out, batch.columns))
                _check_unpacked(path, size)
                batches.append(batch)
            return pa.Table.from_batches(batches, file.schema_arrow)
    except AftersunError:
        raise
    except OSError as error:
        if error.errno is not None:
            raise
        raise refusal("no_parquet", path=path) from error
    except Exception as error:  # a damaged file fails in many places of the library that reads it
        raise refusal("no_parquet", path=path) from error


def _check_stated(path: Path, stated: pq.FileMetaData) -> None:
    """Refuse a file for what it says of itself, before anything of it is unpacked."""
    rows, columns = stated.num_rows, stated.num_columns
    if rows > MOST_ROWS:
        raise too_much(path.name, f"{rows:,} rows; {MOST_ROWS:,} is the most")
    if columns > MOST_COLUMNS:
        raise too_much(path.name, f"{columns:,} columns; {MOST_COLUMNS:,} is the most")
    if rows * columns > MOST_CELLS:
        raise too_much(path.name, f"{rows * columns:,} cells; {MOST_CELLS:,} is the most")
    groups = map(stated.row_group, range(stated.num_row_groups))
    parts = [group.column(n).total_uncompressed_size for group in groups for n in range(columns)]
    if max(parts, default=0) > _LARGEST_PART:
        raise too_much(path.name, f"a column of it unpacks to more than {_LARGEST_PART:,} bytes at once")
    _check_unpacked(path, max(sum(parts), _CELL_BYTES * rows * columns))


def _check_unpacked(path: Path, size: int) -> None:
    if size > LARGEST_FILE:
        raise too_much(path.name, f"it unpacks to more than {LARGEST_FILE:,} bytes")
    if size > _SMALL_BYTES and size > _MOST_TIMES * path.stat().st_size:
        raise too_much(path.name, f"it unpacks to more than {_MOST_TIMES} times its own size")


def _written_out(column: pa.Array) -> int:
    """Bytes of a column with each value in its row, where the file has a row say only which value it is."""
    if isinstance(column, pa.DictionaryArray):
        lengths = pc.binary_length(column.dictionary)
        return int(pc.sum(pc.take(lengths, column.indices)).as_py() or 0)
    return int(column.nbytes)
