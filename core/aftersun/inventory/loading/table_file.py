"""Reads CSV, XLSX and Parquet files into rows of text, each with its true line. Knows no column rules."""

from __future__ import annotations

import codecs
import csv
import warnings
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from itertools import zip_longest
from pathlib import Path
from typing import Any, TextIO

import numpy as np
import numpy.typing as npt
import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from aftersun.inventory.loading.bounds import (
    LARGEST_FILE,
    LONGEST_CELL,
    LONGEST_LINE,
    MOST_COLUMNS,
    MOST_ROWS,
    MOST_WORKBOOK_ROWS,
    Progress,
    RowsRead,
    check_size,
    check_workbook,
    too_much,
)
from aftersun.model.errors import AftersunError

DELIMITERS = (",", ";", "\t")
_CSV_SUFFIXES = (".csv", ".tsv", ".txt")
_XLSX_SUFFIXES = (".xlsx", ".xlsm")
_PARQUET_SUFFIXES = (".parquet", ".pq")
_CHUNK = 1 << 20
_BATCH_ROWS = 1024


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
    total = _checked_lines(path)
    delimiter = max(DELIMITERS, key=lambda candidate: _names(path, candidate))  # told from the header alone
    rows = RowsRead(path.name, progress, total)
    begins = 1
    with _text(path) as handle:
        # skipinitialspace: a blank after the separator does not hide a quotation mark
        reader = csv.reader(_lines(handle, path), delimiter=delimiter, skipinitialspace=True, strict=True)
        try:
            for row in reader:
                rows.add(begins, row)
                begins = reader.line_num + 1  # line_num is where a record ends; quoted cells may hold line breaks
        except csv.Error as error:
            raise AftersunError(
                f"{path.name}: the record that begins on line {begins} cannot be split into cells.",
                "A quotation mark there is not closed or misplaced, or a cell is longer than 131,072 characters; "
                "correct it and load the file again.",
            ) from error
    return _raw_table(path, rows, decimal_comma=delimiter == ";")


def _checked_lines(path: Path) -> int:
    """Return how many lines a file of text has, after a look at all of it in small pieces."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    feeds = returns = size = 0
    with path.open("rb") as handle:
        try:
            while chunk := handle.read(_CHUNK):
                decoder.decode(chunk)
                feeds += chunk.count(b"\n")
                returns += chunk.count(b"\r")
                size += len(chunk)
                if size > LARGEST_FILE:
                    raise too_much(path.name, f"more than {LARGEST_FILE:,} bytes")
                if max(feeds, returns) > MOST_ROWS:
                    raise too_much(path.name, f"more than {MOST_ROWS:,} lines")
            decoder.decode(b"", final=True)
        except UnicodeDecodeError as error:
            line = feeds + error.object.count(b"\n", 0, error.start) + 1
            raise AftersunError(
                f"{path.name} is not UTF-8 text (line {line}).", "Save it again as CSV in UTF-8, then load it."
            ) from error
    return feeds + 1


def _text(path: Path) -> TextIO:
    return path.open(encoding="utf-8-sig", newline="")


def _lines(handle: TextIO, path: Path) -> Iterator[str]:
    """Yield the lines of a file; one that does not end is not read to its end."""
    number = 0
    while line := handle.readline(LONGEST_LINE + 1):
        number += 1
        if len(line) > LONGEST_LINE:
            raise too_much(path.name, f"line {number} has more than {LONGEST_LINE:,} characters")
        yield line


def _names(path: Path, delimiter: str) -> int:
    """Return into how many names a separator splits the header, the first line that says anything."""
    blank = "".join(DELIMITERS) + " "
    with _text(path) as handle:
        records = csv.reader(_lines(handle, path), delimiter=delimiter, skipinitialspace=True)
        try:
            return len(next((record for record in records if any(cell.strip(blank) for cell in record)), []))
        except csv.Error:
            return 0


def _read_xlsx(path: Path, sheet: str, progress: Progress | None) -> RawTable:
    with _opened(path) as book:
        cells = _sheet(path, book, sheet)
        rows = RowsRead(path.name, progress, cells.max_row or 0, MOST_WORKBOOK_ROWS)
        cells.reset_dimensions()  # some programs state them wrongly
        for line, values in enumerate(cells.iter_rows(values_only=True), start=1):
            kept = len(values)
            while kept and values[kept - 1] is None:
                kept -= 1
            rows.add(line, _without_empty_end([_cell_text(value) for value in values[:kept]]), len(values))
    return _raw_table(path, rows, decimal_comma=False, padded=True)


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
        check_size(path)
        check_workbook(path)
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
    named = [candidate for candidate in sheets if candidate.title.strip().casefold() == name]
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
            raise AftersunError(
                f"{path.name}: the column {name!r} of type {column.type} cannot be read as text.",
                "Keep plain columns only: text, numbers, yes/no and dates.",
            ) from error
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
        raise _no_parquet(path) from error
    except Exception as error:  # a damaged file fails in many places of the library that reads it
        raise _no_parquet(path) from error


def _written_out(column: pa.Array) -> int:
    """Bytes of a column with each value in its row, where the file has a row say only which value it is."""
    if isinstance(column, pa.DictionaryArray) and pa.types.is_string(column.type.value_type):
        lengths = pc.binary_length(column.dictionary)
        return int(pc.sum(pc.take(lengths, column.indices)).as_py() or 0)
    return int(column.nbytes)


def _no_parquet(path: Path) -> AftersunError:
    return AftersunError(f"{path.name} is not a readable Parquet file.", "Write it again, then load it.")


def _raw_table(path: Path, read: RowsRead, *, decimal_comma: bool, padded: bool = False) -> RawTable:
    """Take the first row as header; ``padded`` = rows may stop short of it where the rest is empty."""
    rows = read.cells
    if not rows:
        raise AftersunError(f"{path.name} is empty.", "The first line must name the columns; see the templates.")
    header = tuple(name.strip() for name in _without_empty_end(rows[0]))
    if any("\0" in name for name in header):
        raise AftersunError(
            f"{path.name} is not UTF-8 text: its first line holds NUL characters, as UTF-16 does.",
            "Save it again as CSV in UTF-8, then load it.",
        )
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
        header, _columns(body, width), np.asarray(read.lines[1:], dtype=np.int64), widths, surplus, decimal_comma
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
