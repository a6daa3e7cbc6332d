"""The most that a table to load may hold, and what is refused because it holds more.

A table of a hundred thousand roofs lies far within all of these. Beyond them a file is damaged, no table, or made to
take the machine's memory.
"""

from __future__ import annotations

import csv
import gc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from aftersun.inventory.store.refusals import refusal
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


@contextmanager
def uncollected() -> Iterator[None]:
    """Leave out the search for objects that hold each other: over millions of cells it costs a third of the time.

    Rows of text make none of these.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def too_much(name: str, what: str) -> AftersunError:
    """Return the error that refuses a file."""
    return refusal("too_much", name=name, what=what)


def check_size(path: Path) -> None:
    """Refuse what is no plain file, or a larger one than is read.

    Raises
    ------
    AftersunError
        If so. OSError if it cannot be looked at.
    """
    size = path.stat().st_size
    if not path.is_file():
        raise refusal("no_file", path=path)
    if size > LARGEST_FILE:
        raise too_much(path.name, f"{size:,} bytes; {LARGEST_FILE:,} is the most")


def unreadable(path: Path, error: OSError) -> AftersunError:
    """Return the error that says that a file cannot be read."""
    return refusal("unreadable_file", path=path, why=error.strerror or "damaged file")
