"""The most that a table to load may hold, and what is refused because it holds more.

A table of a hundred thousand roofs lies far within all of these. Beyond them a file is damaged, no table, or made to
take the machine's memory: a workbook of a few kilobytes can unpack to gigabytes. So workbooks are read row by row; a
reader that keeps a sheet as one block wants 550 GB for two cells in opposite corners, and takes the program down.
"""

from __future__ import annotations

import csv
import zipfile
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import IO
from xml.parsers import expat

from aftersun.model.errors import AftersunError

LARGEST_FILE = 1_000_000_000
"""Bytes of a file; of a workbook or Parquet file also unpacked; and characters in all its cells together."""
LONGEST_LINE = 1_000_000
"""Characters of a line of CSV, and bytes of a workbook's XML without a tag."""
LONGEST_CELL = csv.field_size_limit()
"""Characters of a cell: 131,072, the limit of Python's own CSV reader."""
MOST_COLUMNS = 2_000
MOST_ROWS = 10_000_000
"""Rows of a file; lines, where it is CSV."""
MOST_WORKBOOK_ROWS = 1_048_576
"""Rows of a sheet, the limit of the format."""
MOST_CELLS = 100_000_000
"""Cells in all, empty ones within rows too."""
MOST_TAGS = 30_000_000
"""Tags in the XML of a workbook. A hundred thousand sites with every column filled have twenty million."""
DEEPEST = 100
MOST_LOOSE = 1_000_000
"""Elements of a workbook's part outside of rows and shared texts: styles, merged cells and the like."""
MOST_IN_ROW = 20_000
"""Elements in a row of a sheet, or in a shared text."""

Progress = Callable[[int, int], None]

_PROGRESS_ROWS = 5000
_SPLIT = "Split it into several files; if it is no table of this size, write it out again."
_CHUNK = 1 << 18
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_CLEARED = (f"{_MAIN} row", f"{_MAIN} si")  # openpyxl lets go of them one by one


class RowsRead:
    """The rows of a file that say anything, with their lines, as far as it is read. ``total`` lines are expected."""

    def __init__(self, name: str, progress: Progress | None, total: int, most_rows: int = MOST_ROWS) -> None:
        self.cells: list[list[str]] = []
        self.lines: list[int] = []
        self._name, self._progress, self._total, self._most_rows = name, progress, total, most_rows
        self._cell_count = self._characters = 0

    def add(self, line: int, cells: list[str], width: int = 0) -> None:
        """Take a row, of ``width`` cells if there were empty ones at its end.

        Raises
        ------
        AftersunError
            If it, or all so far together, is more than a file may hold.
        """
        if line > self._most_rows:
            raise too_much(self._name, f"more than {self._most_rows:,} rows")
        if len(cells) > MOST_COLUMNS:
            raise too_much(self._name, f"{len(cells):,} cells on line {line}; {MOST_COLUMNS:,} is the most")
        if max(map(len, cells), default=0) > LONGEST_CELL:
            raise too_much(self._name, f"a cell of more than {LONGEST_CELL:,} characters on line {line}")
        self._cell_count += max(len(cells), width)
        self._characters += sum(map(len, cells))
        if self._cell_count > MOST_CELLS:
            raise too_much(self._name, f"more than {MOST_CELLS:,} cells")
        if self._characters > LARGEST_FILE:
            raise too_much(self._name, f"more than {LARGEST_FILE:,} characters")
        if any(map(str.strip, cells)):
            self.cells.append(cells)
            self.lines.append(line)
            if self._progress and len(self.lines) % _PROGRESS_ROWS == 0:
                self._progress(line, max(line, self._total))


def too_much(name: str, what: str) -> AftersunError:
    """Return the error that refuses a file."""
    return AftersunError(f"{name} holds too much for a table ({what}).", _SPLIT)


def check_size(path: Path) -> None:
    """Refuse what is no plain file, or a larger one than is read.

    Raises
    ------
    AftersunError
        If so. OSError if it cannot be looked at.
    """
    size = path.stat().st_size
    if not path.is_file():
        raise AftersunError(f"{path} cannot be read (not a file).", "Check the path.")
    if size > LARGEST_FILE:
        raise too_much(path.name, f"{size:,} bytes; {LARGEST_FILE:,} is the most")


def check_workbook(path: Path) -> None:
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
        if size > LARGEST_FILE:
            raise too_much(path.name, f"it unpacks to {size:,} bytes; {LARGEST_FILE:,} is the most")
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
        if tags > MOST_TAGS:
            raise too_much(name, f"more than {MOST_TAGS:,} tags")
        if bare > LONGEST_LINE:
            raise too_much(name, f"a part of it holds more than {LONGEST_LINE:,} bytes without a tag")
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
        if self._depth > DEEPEST:
            raise too_much(self._name, f"elements within elements, more than {DEEPEST} deep")
        if self._row_depth:
            self._in_row += 1
            if self._in_row > MOST_IN_ROW:
                raise too_much(self._name, f"more than {MOST_IN_ROW:,} elements in a row")
        else:
            self._loose += tag not in _CLEARED
            if self._loose > MOST_LOOSE:
                raise too_much(self._name, f"more than {MOST_LOOSE:,} elements that are no rows")
            if tag in _CLEARED:
                self._row_depth, self._in_row = self._depth, 0

    def _end(self, _tag: str) -> None:
        if self._depth == self._row_depth:
            self._row_depth = 0
        self._depth -= 1

    def _doctype(self, *_declared: object) -> None:
        raise AftersunError(
            f"{self._name} is not a readable XLSX workbook: it declares a document type.",
            "No spreadsheet program does so; ask where the file comes from.",
        )
