"""Reads a CSV, XLSX or Parquet file into rows of text, each with its true line. Knows no column rules."""

from __future__ import annotations

from pathlib import Path

from aftersun.inventory.loading.bounds import Progress, check_size, unreadable
from aftersun.inventory.loading.csv_file import read_csv
from aftersun.inventory.loading.parquet_file import read_parquet
from aftersun.inventory.loading.raw_table import RawTable
from aftersun.inventory.loading.workbook_file import WORKBOOK_SUFFIXES, read_workbook
from aftersun.inventory.store.refusals import refusal

_CSV_SUFFIXES = (".csv", ".tsv", ".txt")
_PARQUET_SUFFIXES = (".parquet", ".pq")


def read_file(path: Path, sheet: str, progress: Progress | None = None) -> RawTable:
    """Read a file by its suffix. In a workbook of several sheets the one named ``sheet`` is taken.

    ``progress(done, total)`` is called now and then with lines read so far and in all. Files that hold more than
    `aftersun.inventory.loading.bounds` allows are refused, within seconds and without being held in memory: 1 GB, 1 GB
    unpacked, 10 million rows, 2,000 columns, lines of 1 MB, cells of 131,072 characters.

    Raises
    ------
    AftersunError
        If the file is missing, of another kind, damaged, empty, not UTF-8 text, or holds too much.
    """
    suffix = path.suffix.lower()
    try:
        check_size(path)
        if suffix in _CSV_SUFFIXES:
            return read_csv(path, progress)
        if suffix in WORKBOOK_SUFFIXES:
            return read_workbook(path, sheet, progress)
        if suffix in _PARQUET_SUFFIXES:
            return read_parquet(path)
    except OSError as error:
        raise unreadable(path, error) from error
    raise refusal("unknown_kind", path=path, kinds=", ".join(_CSV_SUFFIXES + WORKBOOK_SUFFIXES + _PARQUET_SUFFIXES))
