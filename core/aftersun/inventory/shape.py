"""Reads CSV, XLSX and Parquet files into rows of text, each with its true line. Knows no column rules."""

from __future__ import annotations

import csv
import io
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from itertools import zip_longest
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from aftersun.model.errors import AftersunError

Progress = Callable[[int, int], None]

DELIMITERS = (",", ";", "\t")
_CSV_SUFFIXES = (".csv", ".tsv", ".txt")
_XLSX_SUFFIXES = (".xlsx", ".xlsm")
_PARQUET_SUFFIXES = (".parquet", ".pq")
_PROGRESS_ROWS = 5000


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


def read_file(path: Path, sheet: str, progress: Progress | None = None) -> RawTable:
    """Read a file by its suffix. In a workbook of several sheets the one named ``sheet`` is taken.

    ``progress(done, total)`` is called now and then with lines read so far and in all.

    Raises
    ------
    AftersunError
        If the file is missing, of another kind, damaged, empty, or not UTF-8 text.
    """
    suffix = path.suffix.lower()
    try:
        if suffix in _CSV_SUFFIXES:
            return _read_csv(path, progress)
        if suffix in _XLSX_SUFFIXES:
            return _read_xlsx(path, sheet, progress)
        if suffix in _PARQUET_SUFFIXES:
            return _read_parquet(path)
    except OSError as error:
        raise _unreadable(path, error) from error
    raise AftersunError(
        f"{path.name} is of a kind that cannot be loaded.",
        f"Save it as one of {', '.join(_CSV_SUFFIXES + _XLSX_SUFFIXES + _PARQUET_SUFFIXES)}.",
    )


def _read_csv(path: Path, progress: Progress | None) -> RawTable:
    data = path.read_bytes()
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise AftersunError(
            f"{path.name} is not UTF-8 text (line {line}).", "Save it again as CSV in UTF-8, then load it."
        ) from error
    delimiter = _delimiter(text)
    total = text.count("\n") + 1
    # skipinitialspace: a blank after the separator does not hide a quotation mark
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True, strict=True)
    rows: list[list[str]] = []
    lines: list[int] = []
    begins = 1
    try:
        for row in reader:
            if any(map(str.strip, row)):
                rows.append(row)
                lines.append(begins)
                if progress and len(rows) % _PROGRESS_ROWS == 0:
                    progress(begins, total)
            begins = reader.line_num + 1  # line_num is where a record ends; quoted cells may hold line breaks
    except csv.Error as error:
        raise AftersunError(
            f"{path.name}: the record that begins on line {begins} cannot be split into cells.",
            "A quotation mark there is not closed or misplaced; correct it and load the file again.",
        ) from error
    return _raw_table(path, rows, lines, decimal_comma=delimiter == ";")


def _delimiter(text: str) -> str:
    """Return the separator that splits the header, the first line that says anything, into most names."""
    blank = "".join(DELIMITERS) + " "

    def names(delimiter: str) -> int:
        records = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)
        try:
            return len(next((record for record in records if any(cell.strip(blank) for cell in record)), []))
        except csv.Error:
            return 0

    return max(DELIMITERS, key=names)


def _read_xlsx(path: Path, sheet: str, progress: Progress | None) -> RawTable:
    rows: list[list[str]] = []
    lines: list[int] = []
    with _opened(path) as book:
        found = _sheet(path, book, sheet)
        total = found.max_row or 0
        found.reset_dimensions()  # some programs state them wrongly
        for line, values in enumerate(found.iter_rows(values_only=True), start=1):
            row = [_cell_text(value) for value in values]
            if any(map(str.strip, row)):
                rows.append(row)
                lines.append(line)
                if progress and len(rows) % _PROGRESS_ROWS == 0:
                    progress(line, max(line, total))
    return _raw_table(path, rows, lines, decimal_comma=False, padded=True)


def sheet_names(path: Path) -> tuple[str, ...]:
    """Return the names of a workbook's sheets in lower case; none if the file is no workbook.

    Raises
    ------
    AftersunError
        If the file is a workbook that cannot be read.
    """
    if path.suffix.lower() not in _XLSX_SUFFIXES:
        return ()
    with _opened(path) as book:
        return tuple(sheet.title.strip().casefold() for sheet in book.worksheets)


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    try:
        with warnings.catch_warnings():
            # About styles and extensions that do not concern the values.
            warnings.filterwarnings("ignore", category=UserWarning, module="openpyxl")
            book = openpyxl.load_workbook(path, read_only=True, data_only=True)
            try:
                yield book
            finally:
                book.close()
    except OSError as error:
        raise _unreadable(path, error) from error
    except AftersunError:
        raise
    except Exception as error:  # a damaged or locked workbook fails in many places of the libraries that read it
        raise AftersunError(
            f"{path.name} is not a readable XLSX workbook.",
            "Open it in a spreadsheet program and save it again.",
        ) from error


def _unreadable(path: Path, error: OSError) -> AftersunError:
    return AftersunError(f"{path} cannot be read ({error.strerror or 'damaged file'}).", "Check the path.")


def _sheet(path: Path, book: Any, name: str) -> Any:
    sheets = book.worksheets
    named = [found for found in sheets if found.title.strip().casefold() == name]
    if named:
        return named[0]
    if len(sheets) == 1:
        return sheets[0]
    raise AftersunError(
        f"{path.name} has {len(sheets)} sheets, and none is named {name!r}.",
        f"Name the sheet to load {name!r}.",
    )


def _cell_text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else repr(value)
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == datetime.min.time() else value.isoformat(sep=" ")
    if isinstance(value, date):
        return value.isoformat()
    return str(value)


def _read_parquet(path: Path) -> RawTable:
    try:
        table = pq.ParquetFile(path).read()
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError) as error:
        raise AftersunError(f"{path.name} is not a readable Parquet file.", "Write it again, then load it.") from error
    columns = []
    for name, column in zip(table.column_names, table.columns, strict=True):
        try:
            if pa.types.is_floating(column.type):
                column = pc.if_else(pc.is_nan(column), pa.scalar(None, column.type), column)
            text = pc.cast(column, pa.string())
        except (pa.ArrowInvalid, pa.ArrowNotImplementedError) as error:
            raise AftersunError(
                f"{path.name}: the column {name!r} of type {column.type} cannot be read as text.",
                "Keep plain columns only: text, numbers, yes/no and dates.",
            ) from error
        columns.append(pd.Series(text.combine_chunks().to_pandas(), dtype="string"))
    header = tuple(name.strip() for name in table.column_names)
    cells = pd.DataFrame(dict(enumerate(columns)), index=pd.RangeIndex(table.num_rows))
    kept = cells.notna().any(axis=1).to_numpy() if len(cells) else np.zeros(0, dtype=bool)
    lines = np.arange(1, table.num_rows + 1, dtype=np.int64)[kept]
    cells = cells[kept].reset_index(drop=True)
    return RawTable(header, cells, lines, np.full(len(lines), len(header), dtype=np.int64), {}, decimal_comma=False)


def _raw_table(
    path: Path, rows: list[list[str]], lines: list[int], *, decimal_comma: bool, padded: bool = False
) -> RawTable:
    """Take the first row as header; ``padded`` = rows may stop short of it where the rest is empty."""
    if not rows:
        raise AftersunError(f"{path.name} is empty.", "The first line must name the columns; see the templates.")
    header = tuple(name.strip() for name in _without_empty_end(rows[0]))
    width = len(header)
    body = rows[1:]
    widths = np.fromiter(map(len, body), dtype=np.int64, count=len(body))
    surplus: dict[int, tuple[str, ...]] = {}
    spare = 0 if padded else len(rows[0]) - width  # empty cells that the header itself ends with
    for row in np.flatnonzero(widths > width):
        beyond = body[row][width:]
        extra = _without_empty_end(beyond) if padded or len(beyond) <= spare else beyond
        widths[row] = width + len(extra)
        if extra:
            surplus[int(row)] = tuple(extra)
    if padded:
        widths = np.maximum(widths, width)
    return RawTable(
        header, _columns(body, width), np.asarray(lines[1:], dtype=np.int64), widths, surplus, decimal_comma
    )


def _without_empty_end(cells: Sequence[str]) -> list[str]:
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
