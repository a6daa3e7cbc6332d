"""Reads sheets of XLSX workbooks row by row, after a look at all parts of the archive.

A workbook of a few kilobytes can unpack to gigabytes. So nothing is taken up whole that was not looked through. Readers
that keep a sheet as one block are no way out: for two cells in opposite corners they want 550 GB and end the program.
"""

from __future__ import annotations

import warnings
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, datetime
from functools import lru_cache, partial
from pathlib import Path
from typing import IO, Any
from xml.etree.ElementTree import Element, iterparse
from xml.parsers import expat

from openpyxl.reader.excel import ExcelReader
from openpyxl.utils import column_index_from_string
from openpyxl.worksheet._reader import WorkSheetParser
from openpyxl.xml.constants import SHARED_STRINGS

from aftersun.inventory.loading import bounds
from aftersun.inventory.loading.raw_table import RawTable, raw_table, without_empty_end
from aftersun.inventory.store.refusals import refusal
from aftersun.model.errors import AftersunError

WORKBOOK_SUFFIXES = (".xlsx", ".xlsm")

_CHUNK = 1 << 18
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_ITEM, _TEXT, _RUN, _ROW, _VALUE, _FORMULA = (f"{{{_MAIN}}}{name}" for name in ("si", "t", "r", "row", "v", "f"))
_CLEARED = (f"{_MAIN} row", f"{_MAIN} si")  # openpyxl lets go of them one by one


def read_workbook(path: Path, sheet: str, progress: bounds.Progress | None) -> RawTable:
    """Read the sheet of that name, or the only one."""
    with opened_workbook(path) as book:
        cells = _sheet(path, book, sheet)
        rows = bounds.RowsRead(path.name, progress, cells.max_row or 0, bounds.MOST_WORKBOOK_ROWS)
        for line, values in rows_of(cells):
            rows.add(line, without_empty_end([cell_text(value) for value in values]), len(values))
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
                reader = _Reader(file, read_only=True, data_only=True)
                reader.path = path
                reader.read()
                yield reader.wb
    except OSError as error:
        raise bounds.unreadable(path, error) from error
    except AftersunError:
        raise
    except _NotCalculated as error:
        raise refusal("not_calculated", path=path) from error
    except Exception as error:  # a damaged or locked workbook fails in many places of the libraries that read it
        raise refusal("no_workbook", path=path) from error


def rows_of(sheet: Any) -> Iterator[tuple[int, list[Any]]]:
    """Return the rows of a sheet that are there, each with its line and its values up to the last cell.

    What a sheet states of its size is not looked at: some programs state it wrongly.
    """
    book = sheet.parent
    with sheet._get_source() as source:
        yield from _Rows(
            source,
            sheet._shared_strings,
            data_only=True,
            epoch=book.epoch,
            date_formats=book._date_formats,
            timedelta_formats=book._timedelta_formats,
        ).parse()


class _NotCalculated(Exception):
    """A formula has no value: the program that saved the workbook did not calculate it."""


class _Rows(WorkSheetParser):  # type: ignore[misc]
    """Reads rows of values in half of the library's time: nothing else of a sheet, no cells as objects of their own."""

    row_counter: int
    col_counter: int

    def parse(self) -> Iterator[tuple[int, list[Any]]]:
        for _, element in iterparse(self.source):
            if element.tag == _ROW:
                yield self.parse_row(element)
                element.clear()

    def parse_row(self, row: Element) -> tuple[int, list[Any]]:
        self.row_counter = int(float(row.get("r") or self.row_counter + 1))
        self.col_counter = 0
        values: list[Any] = []
        for cell in row:
            if cell.get("t") == "s" and (name := cell.get("r")) and (number := cell.findtext(_VALUE)):
                self.col_counter, value = _position(name.rstrip("0123456789")), self.shared_strings[int(number)]
            else:
                read = self.parse_cell(cell)
                self.col_counter, value = read["column"], read["value"]
            if value is None:
                if cell.get("t") != "str" and cell.find(_FORMULA) is not None:  # a saved "" is a string
                    raise _NotCalculated
                continue
            if self.col_counter > len(values):
                values += [None] * (self.col_counter - len(values))
            values[self.col_counter - 1] = value
        return self.row_counter, values


_position = lru_cache(maxsize=bounds.MOST_COLUMNS)(column_index_from_string)


class _Reader(ExcelReader):  # type: ignore[misc]
    """Reads the shared texts of a workbook in a fifth of the library's time: plainly, not through its objects."""

    path = Path()

    def read_strings(self) -> None:
        """Read them, once for all that is looked for in the workbook."""
        part = self.package.find(SHARED_STRINGS)
        if part is not None:
            now = self.path.stat()
            self.shared_strings = _shared_strings(self.path, part.PartName[1:], now.st_size, now.st_mtime_ns)


@lru_cache(maxsize=1)
def _shared_strings(path: Path, part: str, _size: int, _changed_ns: int) -> list[str]:
    """Return the shared texts: letters with a format of their own are part of one, aids to pronounce it are not."""
    with zipfile.ZipFile(path) as archive, archive.open(part) as source:
        return [_shared(item) for item in _items(source)]


def _items(source: IO[bytes]) -> Iterator[Element]:
    for _, element in iterparse(source):
        if element.tag == _ITEM:
            yield element
            element.clear()


def _shared(item: Element) -> str:
    texts = [part.text if part.tag == _TEXT else part.findtext(_TEXT) for part in item if part.tag in (_TEXT, _RUN)]
    return "".join(filter(None, texts)).replace("x005F_", "")


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
        self._over = False
        self._parser = expat.ParserCreate(namespace_separator=" ")
        self._parser.StartElementHandler, self._parser.EndElementHandler = _counting(name)
        self._parser.StartDoctypeDeclHandler = partial(_refuse_document_type, name)

    def feed(self, chunk: bytes) -> None:
        """Follow the next piece."""
        if self._over:
            return
        try:
            self._parser.Parse(chunk)
        except expat.ExpatError:
            self._over = True


def _counting(name: str) -> tuple[Callable[[str, object], None], Callable[[str], None]]:
    """Return what counts the elements that begin and end; for millions of them local names are the quickest."""
    depth = loose = in_row = 0
    row_depth = 0  # depth of the row or text that is open, 0 = none

    def start(tag: str, _attributes: object) -> None:
        nonlocal depth, loose, in_row, row_depth
        depth += 1
        if depth > bounds.DEEPEST:
            raise bounds.too_much(name, f"elements within elements, more than {bounds.DEEPEST} deep")
        if row_depth:
            in_row += 1
            if in_row > bounds.MOST_IN_ROW:
                raise bounds.too_much(name, f"more than {bounds.MOST_IN_ROW:,} elements in a row")
        else:
            cleared = tag in _CLEARED
            loose += not cleared
            if loose > bounds.MOST_LOOSE:
                raise bounds.too_much(name, f"more than {bounds.MOST_LOOSE:,} elements that are no rows")
            if cleared:
                row_depth, in_row = depth, 0

    def end(_tag: str) -> None:
        nonlocal depth, row_depth
        if depth == row_depth:
            row_depth = 0
        depth -= 1

    return start, end


def _refuse_document_type(name: str, *_declared: object) -> None:
    raise refusal("document_type", name=name)
