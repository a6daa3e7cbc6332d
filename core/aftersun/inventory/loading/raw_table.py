"""Rows of text under a header, each with its true line: what every kind of file is read into."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from aftersun.inventory.loading.bounds import RowsRead
from aftersun.inventory.store.refusals import refusal


@dataclass(frozen=True, eq=False)
class RawTable:
    """N rows of text under a header of M names.

    ``cells`` has a column for each position 0..M-1, dtype string, NA where a cell is missing; ``lines`` says
    where each row begins (CSV and XLSX: line or row of the file; Parquet: number of the row from 1).
    ``widths`` is the number of cells a row has: where it is not M, the cells cannot be told apart;
    ``surplus`` keeps those beyond the header.
    """

    header: tuple[str, ...]
    cells: pd.DataFrame
    lines: npt.NDArray[np.int64]
    widths: npt.NDArray[np.int64]
    surplus: dict[int, tuple[str, ...]]
    decimal_comma: bool

    def __len__(self) -> int:
        return len(self.lines)

    @property
    def fits(self) -> npt.NDArray[np.bool_]:
        """Which rows have as many cells as the header, shape (N,)."""
        return np.equal(self.widths, len(self.header))


def raw_table(path: Path, read: RowsRead, *, decimal_comma: bool, padded: bool = False) -> RawTable:
    """Take the first row as header; ``padded`` = rows may stop short of it where the rest is empty."""
    rows = read.cells
    if not rows:
        raise refusal("empty_file", path=path)
    header = tuple(name.strip() for name in without_empty_end(rows[0]))
    if any("\0" in name for name in header):
        raise refusal("utf_16", path=path)
    width = len(header)
    body = rows[1:]
    widths = np.fromiter(map(len, body), dtype=np.int64, count=len(body))
    surplus: dict[int, tuple[str, ...]] = {}
    spare = 0 if padded else len(rows[0]) - width  # empty cells that the header itself ends with
    for row in np.flatnonzero(widths > width):
        beyond = body[row][width:]
        extra = without_empty_end(beyond) if padded or len(beyond) <= spare else beyond
        widths[row] = width + len(extra)
        if extra:
            surplus[int(row)] = tuple(extra)
    if padded:
        widths = np.maximum(widths, width)
    return RawTable(
        header, _columns(body, width), np.asarray(read.lines[1:], dtype=np.int64), widths, surplus, decimal_comma
    )


def without_empty_end(cells: Sequence[str]) -> list[str]:
    kept = len(cells)
    while kept and not cells[kept - 1].strip():
        kept -= 1
    return list(cells[:kept])


def _columns(body: list[list[str]], width: int) -> pd.DataFrame:
    columns: Iterable[tuple[str | None, ...]] = zip_longest(*body)
    cells = {
        position: pd.Series(pd.array(pa.array(values, type=pa.string()), dtype="string"))
        for position, values in zip(range(width), columns, strict=False)
    }
    empty = pd.Series(pd.NA, index=pd.RangeIndex(len(body)), dtype="string")
    return pd.DataFrame({position: cells.get(position, empty) for position in range(width)})
