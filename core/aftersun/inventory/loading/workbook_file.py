"""Reads sheets of XLSX workbooks row by row, after a look at all parts of the archive.

A workbook of a few kilobytes can unpack to gigabytes. So nothing is taken up whole that was not looked through. Readers
that keep a sheet as one block are no way out: for two cells in opposite corners they want 550 GB and end the program.
"""

from __future__ import annotations

import warnings
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime
from functools import lru_cache
from pathlib import Path
from typing import IO, Any
from xml.parsers import expat

import openpyxl

from aftersun.inventory.loading import bounds
from aftersun.inventory.loading.raw_table import RawTable, raw_table, without_empty_end
from aftersun.inventory.store.refusals import refusal
from aftersun.model.errors import AftersunError

WORKBOOK_SUFFIXES = (".xlsx", ".xlsm")

_CHUNK = 1 << 18
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_CLEARED = (f"{_MAIN} row", f"{_MAIN} si")  # openpyxl lets go of them one by one


def read_workbook(path: Path, sheet: str, progress: bounds.Progress | None) -> RawTable:
    """Read the sheet of that name, or the only one."""
    with opened_workbook(path) as book:
        cells = _sheet(path, book, sheet)
        rows = bounds.RowsRead(path.name, progress, cells.max_row or 0, bounds.MOST_WORKBOOK_ROWS)
        cells.reset_dimensions()  # some programs state them wrongly
        for line, values in enumerate(cells.iter_rows(values_only=True), start=1):
            kept = len(values)
            while kept and values[kept - 1] is None:
                kept -= 1
            rows.add(line, without_empty_end([cell_text(value) for value in values[:kept]]), len(values))
    return raw_table(path, rows, decimal_comma=False, padded=True)


def sheet_names(path: Path) -> tuple[str, ...]:
    """Return the names of a workbook's sheets in lower case; none if the file is no workbook.

    Raises
    ------
    AftersunError
        If the file is a workbook that cannot be read.
    """
    if path.suffix.lower() not in WORKBOOK_SUFFIXES:
        return ()
    with opened_workbook(path) as book:
        return tuple(sheet.title.strip().casefold() for sheet in book.worksheets)


@contextmanager
def opened_workbook(path: Path) -> Iterator[Any]:
    """Open a workbook while the block runs, once all its parts were looked at.

    Raises
    ------
    AftersunError
        If it holds too much or cannot be read.
    """
    try:
        bounds.check_size(path)
        _check_workbook(path)
        with warnings.catch_warnings():
            # About styles and extensions that do not concern the values.
            warnings.filterwarnings("ignore", category=UserWarning, module="openpyxl")
            with path.open("rb") as file:  # by us: openpyxl leaves open what it cannot read
                yield openpyxl.load_workbook(file, read_only=True, data_only=True)
    except OSError as error:
        raise bounds.unreadable(path, error) from error
    except AftersunError:
        raise
    except Exception as error:  # a damaged or locked workbook fails in many places of the libraries that read it
        raise refusal("no_workbook", path=path) from error


def _sheet(path: Path, book: Any, name: str) -> Any:
    sheets = book.worksheets
    named = [candidate for candidate in sheets if candidate.title.strip().casefold() == name]
    if named:
        return named[0]
    if len(sheets) == 1:
        return sheets[0]
    raise refusal("no_such_sheet", path=path, sheets=len(sheets), name=name)


def cell_text(value: Any) -> str:
    """Return the value of a cell as a table to load says it."""
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


def _check_workbook(path: Path) -> None:
    """Look through a workbook's parts, piece by piece, before any is taken up whole.

    Refused are more than `LARGEST_FILE` unpacked, `MOST_TAGS` in all, `LONGEST_LINE` bytes without any tag, elements
    deeper than `DEEPEST`, more than `MOST_LOOSE` outside of rows and texts or `MOST_IN_ROW` within one, and a document
    type: what that declares (entities within entities, entities from other files) has no place in a workbook. No more
    of a part is ever unpacked than the archive states.

    Raises
    ------
    AftersunError
        If something is refused. What zipfile raises, if it is no archive.
    """
    now = path.stat()
    _check_parts(path, now.st_size, now.st_mtime_ns)


@lru_cache(maxsize=8)  # a workbook is opened once for each of its tables
def _check_parts(path: Path, _size: int, _changed_ns: int) -> None:
    with zipfile.ZipFile(path) as archive:
        parts = archive.infolist()
        size = sum(part.file_size for part in parts)
        if size > bounds.LARGEST_FILE:
            raise bounds.too_much(path.name, f"it unpacks to {size:,} bytes; {bounds.LARGEST_FILE:,} is the most")
        tags = 0
        for part in parts:
            with archive.open(part) as content:
                tags = _check_part(content, path.name, tags)


def _check_part(content: IO[bytes], name: str, tags: int) -> int:
    """Look through a part; returns ``tags``, those of the workbook so far, with its own."""
    check = _PartCheck(name)
    bare = 0
    while chunk := content.read(_CHUNK):
        in_chunk = chunk.count(b"<")
        tags += in_chunk
        bare = 0 if in_chunk else bare + len(chunk)
        if tags > bounds.MOST_TAGS:
            raise bounds.too_much(name, f"more than {bounds.MOST_TAGS:,} tags")
        if bare > bounds.LONGEST_LINE:
            raise bounds.too_much(name, f"a part of it holds more than {bounds.LONGEST_LINE:,} bytes without a tag")
        check.feed(chunk)
    return tags


class _PartCheck:
    """Follows the elements of a part without keeping any. A part that is no XML is followed as far as it is."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._depth = self._loose = self._in_row = 0
        self._row_depth = 0  # depth of the row or text that is open, 0 = none
        self._over = False
        self._parser = expat.ParserCreate(namespace_separator=" ")
        self._parser.StartElementHandler = self._start
        self._parser.EndElementHandler = self._end
        self._parser.StartDoctypeDeclHandler = self._doctype

    def feed(self, chunk: bytes) -> None:
        """Follow the next piece."""
        if self._over:
            return
        try:
            self._parser.Parse(chunk)
        except expat.ExpatError:
            self._over = True

    def _start(self, tag: str, _attributes: object) -> None:
        self._depth += 1
        if self._depth > bounds.DEEPEST:
            raise bounds.too_much(self._name, f"elements within elements, more than {bounds.DEEPEST} deep")
        if self._row_depth:
            self._in_row += 1
            if self._in_row > bounds.MOST_IN_ROW:
                raise bounds.too_much(self._name, f"more than {bounds.MOST_IN_ROW:,} elements in a row")
        else:
            self._loose += tag not in _CLEARED
            if self._loose > bounds.MOST_LOOSE:
                raise bounds.too_much(self._name, f"more than {bounds.MOST_LOOSE:,} elements that are no rows")
            if tag in _CLEARED:
                self._row_depth, self._in_row = self._depth, 0

    def _end(self, _tag: str) -> None:
        if self._depth == self._row_depth:
            self._row_depth = 0
        self._depth -= 1

    def _doctype(self, *_declared: object) -> None:
        raise refusal("document_type", name=self._name)
