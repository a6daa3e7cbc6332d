"""Reads Parquet files of plain columns as text."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from aftersun.inventory.loading.bounds import LARGEST_FILE, LONGEST_CELL, MOST_COLUMNS, MOST_ROWS, too_much
from aftersun.inventory.loading.raw_table import RawTable
from aftersun.inventory.store.refusals import refusal
from aftersun.model.errors import AftersunError

_BATCH_ROWS = 1024


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
    try:
        with pq.ParquetFile(path) as file:
            stated = file.metadata
            if stated.num_rows > MOST_ROWS:
                raise too_much(path.name, f"{stated.num_rows:,} rows; {MOST_ROWS:,} is the most")
            if stated.num_columns > MOST_COLUMNS:
                raise too_much(path.name, f"{stated.num_columns:,} columns; {MOST_COLUMNS:,} is the most")
            size = 0
            for batch in file.iter_batches(_BATCH_ROWS):
                size += sum(map(_written_out, batch.columns))
                if size > LARGEST_FILE:
                    raise too_much(path.name, f"it unpacks to more than {LARGEST_FILE:,} bytes")
            return file.read()
    except AftersunError:
        raise
    except OSError as error:
        if error.errno is not None:
            raise
        raise refusal("no_parquet", path=path) from error
    except Exception as error:  # a damaged file fails in many places of the library that reads it
        raise refusal("no_parquet", path=path) from error


def _written_out(column: pa.Array) -> int:
    """Bytes of a column with each value in its row, where the file has a row say only which value it is."""
    if isinstance(column, pa.DictionaryArray) and pa.types.is_string(column.type.value_type):
        lengths = pc.binary_length(column.dictionary)
        return int(pc.sum(pc.take(lengths, column.indices)).as_py() or 0)
    return int(column.nbytes)
