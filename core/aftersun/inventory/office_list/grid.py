"""Reads a list as text, CSV in whatever encoding or a workbook, and finds sheet and headings below title rows."""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.inventory.loading import bounds
from aftersun.inventory.loading.bounds import Progress, RowsRead
from aftersun.inventory.loading.csv_file import DELIMITERS, lines_of
from aftersun.inventory.loading.raw_table import raw_table, without_empty_end
from aftersun.inventory.loading.workbook_file import WORKBOOK_SUFFIXES, cell_text, opened_workbook, rows_of
from aftersun.inventory.office_list.vocabulary import all_unit_words, near_synonyms, synonyms, wordings
from aftersun.inventory.store.dictionary import columns, key_columns, tables
from aftersun.inventory.store.refusals import refusal

_LONGEST_HEADING = 60  # characters (own choice)
_LONGEST_TITLE = 1_000  # characters of it that are looked at
_TITLE_ROWS = 30  # of a sheet, among which the headings are looked for (assumption)
_LEAST_HEADINGS = 2
_ALIKE = 0.7  # of the headings known in the sheet chosen: another one with so many looks like the list too (assumption)
_SAMPLE = 100  # lines that the separator is told from
_LOOK = 1 << 16  # bytes
_CONTROL = re.compile(rb"[\x00-\x08\x0e-\x1a\x1c-\x1f\x7f]")
_MACHINE = re.compile(r"^(-?\d+(?:\.\d+)?)e0$")
CSV_SUFFIXES = (".csv", ".tsv", ".txt")


@dataclass(frozen=True, eq=False)
class Grid:
    """Rows of text under the headings found. ``fits`` says which rows have as many cells as there are headings.

    ``cells`` has a column for each heading by position, dtype string, NA where nothing stands; ``lines`` says where
    each row begins in the file. A number that a workbook holds as such ends in ``e0``: it needs no reading. ``title``
    is what stands above the headings.
    """

    sheet: str
    headings: tuple[str, ...]
    cells: pd.DataFrame
    lines: npt.NDArray[np.int64]
    fits: npt.NDArray[np.bool_]
    title: str = ""


def shown(text: str) -> str:
    """Return a cell as its file shows it."""
    return _MACHINE.sub(r"\1", text)


def is_list(path: Path) -> bool:
    """Tell whether a file is a list under headings of its own, and none of the program's own tables.

    Told from names of sheets and the first row that says anything. What cannot be read is no list.
    """
    suffix = path.suffix.lower()
    own = {key for table in tables() for key in key_columns(table)}
    if suffix in WORKBOOK_SUFFIXES:
        with opened_workbook(path) as book:
            if {sheet.title.strip().casefold() for sheet in book.worksheets} & set(tables()):
                return False
            first = [_first_row(sheet.iter_rows(values_only=True, max_row=_TITLE_ROWS)) for sheet in book.worksheets]
        rows = [[cell_text(cell) for cell in row] for row in first]
    elif suffix in CSV_SUFFIXES and path.is_file():
        with path.open("rb") as handle:
            head = handle.read(_LOOK)
        if head[:4] == b"PK\x03\x04" or not head.strip():
            return False
        text = head.decode(_encoding(head), errors="replace")
        rows = [re.split(r"[,;\t]", next((line for line in text.splitlines() if line.strip(' ,;\t"')), ""))]
    else:
        return False
    names = [{cell.strip(' "\ufeff').casefold() for cell in row} for row in rows]
    named = max(tables(), key=lambda table: len(table) if path.stem.strip().casefold().startswith(table) else 0)
    for found in names:
        ours = found & {column.name for column in columns(named)}
        if found & own or (len(ours) > len(found) / 2 and any("_" in name for name in ours)):
            return False
    return any(any(name for name in found) for found in names)


def _first_row(rows: object) -> Sequence[object]:
    return next((row for row in rows if any(cell is not None for cell in row)), ())  # type: ignore[attr-defined]


KnownHeading = Callable[[str], bool]


def read_grid(
    path: Path, sheet: str = "", progress: Progress | None = None, is_known: KnownHeading | None = None
) -> Grid:
    """Read a list; of a workbook the sheet named, else the one that looks like a list.

    ``is_known`` tells which headings are known; without it, those of a list.

    Raises
    ------
    AftersunError
        If it cannot be read as text or workbook, holds too much, has no headings that are known, or several sheets
        look alike.
    """
    try:
        bounds.check_size(path)
        if path.suffix.lower() in WORKBOOK_SUFFIXES:
            return _of_workbook(path, sheet, progress, is_known)
        rows = _csv_rows(path, progress)
    except OSError as error:
        raise bounds.unreadable(path, error) from error
    head, known = _head(rows.cells, is_known)
    if known < _LEAST_HEADINGS:
        raise refusal("no_headings", path=path)
    return _grid(path, "", rows, head, padded=False)


def first_rows(path: Path) -> list[list[str]]:
    """Return the first rows of a CSV file, or of all sheets of a workbook, among which headings are looked for."""
    if path.suffix.lower() in WORKBOOK_SUFFIXES:
        with opened_workbook(path) as book:
            sheets = [list(sheet.iter_rows(values_only=True, max_row=_TITLE_ROWS)) for sheet in book.worksheets]
        return [[cell_text(cell).strip() for cell in row] for rows in sheets for row in rows]
    with path.open("rb") as handle:
        head = handle.read(_LOOK)
    lines = head.decode(_encoding(head), errors="replace").splitlines()[:_SAMPLE]
    delimiter = max(DELIMITERS, key=lambda one: _splits(lines, one))
    try:
        rows = list(csv.reader(lines[:_TITLE_ROWS], delimiter=delimiter, skipinitialspace=True))
    except csv.Error:
        return []
    return [[cell.strip(' "\ufeff') for cell in row] for row in rows]


def known_headings(row: Sequence[str]) -> int:
    """Return how many cells of a row are headings of a list."""
    return _known(row)


def _csv_rows(path: Path, progress: Progress | None) -> RowsRead:
    with path.open("rb") as handle:
        head = handle.read(_LOOK)
    encoding = _encoding_of_file(path, head)
    if head[:4] == b"PK\x03\x04" or (not encoding.startswith("utf-16") and len(_CONTROL.findall(head)) > 0):
        raise refusal("no_text", path=path)
    with path.open(encoding=encoding, newline="") as handle:
        sample = list(islice(lines_of(handle, path), _SAMPLE))
    delimiter = max(DELIMITERS, key=lambda one: _splits(sample, one))
    rows = RowsRead(path.name, progress, 0)
    begins = 1
    with path.open(encoding=encoding, newline="") as handle:
        reader = csv.reader(lines_of(handle, path), delimiter=delimiter, skipinitialspace=True, strict=True)
        try:
            for row in reader:
                rows.add(begins, row)
                begins = reader.line_num + 1
        except csv.Error as error:
            raise refusal("unsplit_record", path=path, begins=begins) from error
        except UnicodeDecodeError as error:
            raise refusal("no_text", path=path) from error
    return rows


def _encoding(head: bytes) -> str:
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    if len(head) > 3 and head[1::2].count(0) > len(head) / 4:
        return "utf-16-le"
    if len(head) > 3 and head[::2].count(0) > len(head) / 4:
        return "utf-16-be"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8-sig"


def _encoding_of_file(path: Path, head: bytes) -> str:
    encoding = _encoding(head)
    if encoding != "utf-8-sig":
        return encoding
    decoder = codecs.getincrementaldecoder("utf-8")()
    with path.open("rb") as handle:
        try:
            while chunk := handle.read(1 << 20):
                decoder.decode(chunk)
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            return "cp1252"
    return encoding


def _splits(sample: list[str], delimiter: str) -> float:
    """Return how well a separator splits lines into many cells, the same number in most of them."""
    try:
        widths = Counter(len(row) for row in csv.reader(sample, delimiter=delimiter, skipinitialspace=True) if row)
    except csv.Error:
        return 0
    return max(((width - 1) * count for width, count in widths.items()), default=0)


def _of_workbook(path: Path, wanted: str, progress: Progress | None, is_known: KnownHeading | None = None) -> Grid:
    found: list[tuple[int, int, str, RowsRead]] = []
    with opened_workbook(path) as book:
        names = [sheet.title for sheet in book.worksheets]
        for sheet in book.worksheets:
            if wanted and sheet.title.strip().casefold() != wanted.strip().casefold():
                continue
            rows = RowsRead(path.name, progress, sheet.max_row or 0, bounds.MOST_WORKBOOK_ROWS)
            for line, values in rows_of(sheet):
                rows.add(line, without_empty_end([_cell(value) for value in values]), len(values))
            head, known = _head(rows.cells, is_known)
            found.append((known, head, sheet.title, rows))
    if wanted and not found:
        raise refusal("no_sheet", path=path, name=wanted, names=", ".join(names))
    found.sort(key=lambda one: -one[0])
    known, head, title, rows = found[0]
    if known < _LEAST_HEADINGS:
        raise refusal("no_headings", path=path)
    alike = [
        name
        for count, at, name, more in found
        if count >= max(_LEAST_HEADINGS, _ALIKE * known) and len(more.cells) > at + 1
    ]
    if len(alike) > 1:
        raise refusal("sheets_alike", path=path, names=" and ".join(map(repr, alike)))
    return _grid(path, title, rows, head, padded=True)


def _cell(value: object) -> str:
    if isinstance(value, float) and not isinstance(value, bool) and not value.is_integer():
        return f"{value!r}e0" if "e" not in repr(value) else repr(value)
    return cell_text(value)


def _head(rows: Sequence[Sequence[str]], is_known: KnownHeading | None = None) -> tuple[int, int]:
    """Return which row has the headings, and how many of them are known."""
    if is_known is not None:
        counts = [sum(map(is_known, {cell.strip() for cell in row if cell.strip()})) for row in rows[:_TITLE_ROWS]]
        best = max(range(len(counts)), key=lambda n: counts[n], default=0)
        return best, counts[best] if counts else 0
    known = [_known(row) for row in rows[:_TITLE_ROWS]]
    if max(known, default=0) < _LEAST_HEADINGS:
        known = [_known(row, near=True) for row in rows[:_TITLE_ROWS]]
    best = max(range(len(known)), key=lambda n: known[n], default=0)
    return best, known[best] if known else 0


def _known(row: Sequence[str], near: bool = False) -> int:
    """Return how many cells of a row are headings that are known, or are spelt nearly so."""
    names = {cell for cell in row if 0 < len(cell) < _LONGEST_HEADING}
    return sum(
        any(form in synonyms() or (near and near_synonyms(form)) for form, _ in wordings(name)) for name in names
    )


def _grid(path: Path, sheet: str, rows: RowsRead, head: int, padded: bool) -> Grid:
    cells, lines = rows.cells[head:], rows.lines[head:]
    title = " ".join(cell for row in rows.cells[:head] for cell in row if cell)[:_LONGEST_TITLE]
    first = without_empty_end(cells[0])
    if len(cells) > 1 and (below := _units_below(cells[1])):
        first = [
            f"{name} [{unit}]" if unit else name
            for name, unit in zip(first, [*below, *[""] * len(first)], strict=False)
        ]
        del cells[1], lines[1]
    rows.cells, rows.lines = [[*first, *cells[0][len(first) :]], *cells[1:]], lines
    raw = raw_table(path, rows, decimal_comma=False, padded=padded)
    fits = np.ones(len(raw), dtype=bool) if padded else raw.fits
    header = tuple(" ".join(name.split()) for name in raw.header)
    return Grid(sheet, header, raw.cells, raw.lines, fits, title)


def _units_below(row: Sequence[str]) -> list[str]:
    """Return the units of a row that stands below the headings and holds nothing else; empty if it is none."""
    units = [cell.strip(" ()[]") for cell in row]
    given = [unit for unit in units if unit]
    return units if len(given) > 1 and all(unit.casefold() in all_unit_words() for unit in given) else []
