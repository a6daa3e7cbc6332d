"""The workbook: sheets of one table each, written row by row, with header, filter, formats and print setup."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path
from typing import Any

import pandas as pd
import xlsxwriter

from aftersun import api
from aftersun_reports.call_sheet.text import CONTINUED, CONTINUES, MOST_LINES, pieces, plain

LARGEST_SHEET = 1_048_576  # rows, of the format

TEXT, SHORT, MONEY, NUMBER, HOURS, COUNT, RATIO, SHARE, ENTRY, ENTRY_DAY = (
    "text", "short", "money", "number", "hours", "count", "ratio", "share", "entry", "entry day",
)  # fmt: skip
_INK, _HEADER_FILL, _ENTRY_FILL = "#1f2a33", "#dde5e8", "#fff6d6"
_ENTRY_LOOK = {"bg_color": _ENTRY_FILL, "border": 4}
_FORMATS: Mapping[str, Mapping[str, Any]] = {
    TEXT: {"text_wrap": True},
    # Text that somebody types again into such a cell stays text. Not for long text: it would show as ####.
    SHORT: {"num_format": "@", "text_wrap": True},
    MONEY: {"num_format": "#,##0"},
    NUMBER: {},
    HOURS: {"num_format": "#,##0.0"},
    COUNT: {"num_format": "#,##0"},
    RATIO: {"num_format": "0.00"},
    # Shares here are chances: whole per cent, and one near 0 or 1 is never shown as certain.
    SHARE: {"num_format": '[>0.99]"over 99 %";[<0.01]"under 1 %";0%'},
    ENTRY: {"text_wrap": True, **_ENTRY_LOOK},
    ENTRY_DAY: {"num_format": "yyyy-mm-dd", **_ENTRY_LOOK},
}
ENTRIES = (ENTRY, ENTRY_DAY)
_PAPERS = {"a4": 9, "letter": 1}
# Lines of full width, or line feeds: with so few a text has at most MOST_LINES lines, however its words are broken.
_SURELY_FITS = MOST_LINES // 4


@dataclass(frozen=True)
class Column:
    """A column: what it is known by, title, width in characters, kind of its cells, what it says in plain words."""

    key: str
    title: str
    width: int
    kind: str
    says: str


@dataclass(frozen=True)
class Sheet:
    """One table. ``above`` are lines over the header; ``empty`` is said where there are no rows.

    ``keys`` is how many first columns tell rows apart and are repeated where a row is continued. ``held`` is how many
    first columns stay in sight; ``pages_wide`` how many pages it is printed across.
    """

    name: str
    above: Sequence[str]
    columns: Sequence[Column]
    empty: str = "none"
    keys: int = 1
    held: int = 1
    pages_wide: int = 1

    @property
    def header_row(self) -> int:
        """Row of the header, counted from 0."""
        return len(self.above)


@dataclass(frozen=True)
class Written:
    """One sheet as written: the library's worksheet, and its first and last row of data, counted from 0."""

    worksheet: Any
    first: int
    last: int


class Book:
    """A workbook that is being written; ``close`` makes the file, and without it there is none.

    Rows go out to files in ``scratch`` as they come, so that memory does not grow with their number.
    """

    def __init__(self, path: Path, run: api.RunView, scratch: Path) -> None:
        self.run = run
        options = {
            "constant_memory": True,
            "tmpdir": str(scratch),
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "strings_to_numbers": False,
        }
        self.workbook = xlsxwriter.Workbook(str(path), options)
        made = run.made_at
        self.workbook.set_properties(
            {
                "title": "Call sheet",
                "subject": f"Run {run.run_id}, as of {run.as_of:%Y-%m-%d}",
                # The same run gives the same file; the format knows no time zone.
                "created": made.replace(tzinfo=None),
            }
        )
        base = {"font_size": 10, "font_color": _INK, "valign": "top"}
        self._formats = {kind: self.workbook.add_format({**base, **own}) for kind, own in _FORMATS.items()}
        self._header = self.workbook.add_format(
            {**base, "bold": True, "text_wrap": True, "bg_color": _HEADER_FILL, "bottom": 2}
        )
        self._title = self.workbook.add_format({**base, "bold": True, "font_size": 14})
        self._above = self.workbook.add_format({**base, "valign": "vcenter"})

    def close(self) -> None:
        """Make the file."""
        self.workbook.close()

    def discard(self) -> None:
        """Let go of the scratch files of a workbook that is not to be made; harmless after ``close``."""
        for worksheet in self.workbook.worksheets():
            handle = getattr(worksheet, "row_data_fh", None)
            if handle is not None:
                handle.close()

    def formatted(self, kind: str) -> Any:
        """Return the library's format of a kind of cells."""
        return self._formats[kind]

    def write(self, sheet: Sheet, rows: Iterable[Sequence[Any]]) -> list[Written]:
        """Write a table and return its sheets: a second and more where one cannot hold all rows.

        A cell is text, a number, a day, or None or NaN for nothing.
        """
        written: list[Written] = []
        cells = [
            _Cells(self._formats[column.kind], column.width * _SURELY_FITS, column.kind in ENTRIES)
            for column in sheet.columns
        ]
        worksheet, at = self.begin(sheet), sheet.header_row + 1
        for row in rows:
            # A row that may be too long for one is written over from its beginning.
            for part in (row,) if at < LARGEST_SHEET and _put(worksheet, at, row, cells) else _parts(sheet, row):
                if at == LARGEST_SHEET:
                    written.append(self._end(sheet, worksheet, at))
                    worksheet, at = self.begin(sheet, len(written)), sheet.header_row + 1
                if part is not row:
                    _put(worksheet, at, part, cells, surely=True)
                at += 1
        if at == sheet.header_row + 1:
            worksheet.write_string(at, 0, sheet.empty, self._above)
            at += 1
        return [*written, self._end(sheet, worksheet, at)]

    def begin(self, sheet: Sheet, before: int = 0) -> Any:
        """Add a sheet with column widths, header and print setup; its rows are still to be written.

        ``before`` is how many sheets hold earlier rows of the same table.
        """
        worksheet = self.workbook.add_worksheet(f"{sheet.name} {before + 1}" if before else sheet.name)
        for number, column in enumerate(sheet.columns):
            worksheet.set_column(number, number, column.width)
        worksheet.freeze_panes(sheet.header_row + 1, sheet.held)
        worksheet.hide_gridlines(0)
        worksheet.ignore_errors({"number_stored_as_text": "A1:XFD1048576"})
        worksheet.set_landscape()
        worksheet.set_paper(_PAPERS.get(self.run.letterhead.paper, _PAPERS["a4"]))
        worksheet.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)
        worksheet.repeat_rows(sheet.header_row)
        if sheet.pages_wide > 1:
            worksheet.repeat_columns(0, sheet.held - 1)
        worksheet.fit_to_pages(sheet.pages_wide, 0)
        worksheet.set_footer(f"&L&A&C{self.run.run_id.replace('&', '&&')}&RPage &P of &N")
        for number, line in enumerate(sheet.above):
            if number == 0:
                worksheet.set_row(0, 21)
            worksheet.write_string(number, 0, plain(line), self._above if number else self._title)
        for number, column in enumerate(sheet.columns):
            worksheet.write_string(sheet.header_row, number, plain(column.title), self._header)
        return worksheet

    def _end(self, sheet: Sheet, worksheet: Any, at: int) -> Written:
        worksheet.autofilter(sheet.header_row, 0, at - 1, len(sheet.columns) - 1)
        return Written(worksheet, sheet.header_row + 1, at - 1)


@dataclass(frozen=True)
class _Cells:
    """What holds for the cells of a column: their format, how long a text surely fits, whether they are filled in."""

    formatted: Any
    fits: int
    entry: bool


def _put(worksheet: Any, at: int, row: Sequence[Any], cells: Sequence[_Cells], surely: bool = False) -> bool:
    """Write one row; return False at a text that may not fit into it, unless it ``surely`` does."""
    write_string, write_number = worksheet.write_string, worksheet.write_number
    for number, value in enumerate(row):
        kind = value.__class__
        if kind is str:
            text = plain(value)
            if not surely and (len(text) > cells[number].fits or text.count("\n") >= _SURELY_FITS):
                return False
            if text:
                write_string(at, number, text, cells[number].formatted)
            elif cells[number].entry:  # an empty cell to be filled in keeps its look
                worksheet.write_blank(at, number, None, cells[number].formatted)
        elif kind is float or kind is int:
            if value == value:  # NaN is nothing
                write_number(at, number, value, cells[number].formatted)
        elif value is not None and value is not pd.NaT:
            worksheet.write_datetime(at, number, value, cells[number].formatted)
    return True


def _parts(sheet: Sheet, row: Sequence[Any]) -> Iterator[list[Any]]:
    """Yield the rows that one row needs for its text to be seen whole; each says that it goes on, or from above."""
    parts = [
        pieces(plain(value), column.width) if value.__class__ is str else [value]
        for value, column in zip(row, sheet.columns, strict=True)
    ]
    for number, part in enumerate(zip_longest(*parts)):
        cells = list(part)
        for column, cell in enumerate(cells):
            if cell.__class__ is str and len(parts[column]) > 1:
                before = CONTINUED if number else ""
                after = CONTINUES if number + 1 < len(parts[column]) else ""
                cells[column] = f"{before}{cell}{after}"
            elif cell is None and column < sheet.keys:
                cells[column] = parts[column][0]
        yield cells


def values_of(series: pd.Series) -> list[Any]:
    """Return a column as plain Python values; what is missing is None or NaN."""
    if pd.api.types.is_bool_dtype(series.dtype):
        return [None if pd.isna(value) else "yes" if value else "no" for value in series]
    if pd.api.types.is_numeric_dtype(series.dtype):
        plain_numbers: list[Any] = series.to_numpy(dtype=float, na_value=float("nan")).tolist()
        return plain_numbers
    kept: list[Any] = series.astype(object).where(series.notna(), None).tolist()
    return kept


def records_of(frame: pd.DataFrame) -> list[Mapping[str, Any]]:
    """Return the rows of a frame by column name, as plain Python values."""
    names = [str(name) for name in frame]
    cells = zip(*(values_of(frame[name]) for name in names), strict=True)
    return [dict(zip(names, row, strict=True)) for row in cells]


NOT_DRAWN = "not drawn"


def drawn(value: Any, npv: Any) -> Any:
    """Return a number of the range of a net present value; where it has none, words instead of nothing."""
    return NOT_DRAWN if npv == npv and (value is None or value != value) else value
