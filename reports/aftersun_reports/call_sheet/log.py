"""The sheet that ``aftersun log load`` takes: it gathers what is entered on the sheet of calls, row by row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from xlsxwriter.utility import xl_col_to_name

from aftersun_reports.call_sheet.book import ENTRIES, ENTRY_DAY, LARGEST_SHEET, Book, Column, Sheet, Written
from aftersun_reports.call_sheet.calls import FILLED_IN_ON_CALLS, OUTCOME, RETROFIT, SITE, CallList
from aftersun_reports.call_sheet.layout import OUTCOMES, name_of

SPARE_ROWS = 10  # rows that may be put in between on the sheet of calls
FREE_ROWS = 200  # rows to type into
_RUN = "run_id"
_FIRST_DAY = date(2000, 1, 1)  # what is earlier is a slip


@dataclass(frozen=True)
class FilledIn:
    """A sheet with cells to be filled in, and where its rows are."""

    layout: Sheet
    written: Written

    def column(self, name: str) -> str:
        """Return the letter of a column by its key or its title."""
        columns = self.layout.columns
        return str(
            xl_col_to_name(next(at for at, one in enumerate(columns) if name in (one.title, one.key)), col_abs=True)
        )


def write_log(book: Book, calls: CallList, first: FilledIn, details: FilledIn, retrofits: str) -> None:
    """Write the sheet, and the drop-downs of the cells to be filled in on it, on the calls and on their details.

    ``retrofits`` is the range of cells with the ids of all retrofits.

    Every cell looks at the row of the calls that has its own number, and for the details by the number of that call,
    so sorting, filtering and deleting on either does no harm. An offer of several retrofits has an entry for each: one
    block of rows for the first of them, one for the second.
    """
    mine = calls.columns("call_log")
    worksheet = book.begin(Sheet(name_of("call_log"), (), mine))
    length = first.written.last - first.written.first + 1 + SPARE_ROWS if calls.calls else 0
    row = 1
    for member in range(calls.members if length else 0):
        about = RETROFIT if member == 0 else f"{RETROFIT}_{member + 1}"
        away = first.written.first - row
        given = {
            _RUN: f'"{book.run.run_id.replace(chr(34), chr(34) * 2)}"',
            SITE: _detail(first, details, "site", away),
            RETROFIT: _detail(first, details, about, away),
            **{name: _call(first, name, away) for name in FILLED_IN_ON_CALLS},
            # What was learnt is told once.
            **{fact: _detail(first, details, fact, away) for fact in calls.facts if member == 0},
        }
        needed = [OUTCOME, *([RETROFIT] if member else [])]
        for _ in range(min(length, LARGEST_SHEET - FREE_ROWS - row)):
            for at, column in enumerate(mine):
                if column.title in given:
                    names = dict.fromkeys([*needed, *([] if column.title == _RUN else [column.title])])
                    formula = given[column.title]
                    # one after another: where nothing is entered there may be no details to look up
                    for name in reversed(names):
                        formula = f'IF({given[name]}="","",{formula})'
                    worksheet.write_formula(row, at, f"={formula}", book.formatted(column.kind), "")
            row += 1
    for free in range(row, row + FREE_ROWS):
        for at, column in enumerate(mine):
            worksheet.write_blank(free, at, None, book.formatted(column.kind))
    last = row + FREE_ROWS - 1
    worksheet.autofilter(0, 0, last, len(mine) - 1)
    _drop_downs(worksheet, mine, row, last, calls, retrofits)
    for sheet in (first, details) if calls.calls else ():
        written = sheet.written
        _drop_downs(written.worksheet, sheet.layout.columns, written.first, written.last, calls, retrofits)


def _call(first: FilledIn, name: str, away: int) -> str:
    """Return a formula's word for a column of the sheet of calls, in the row ``away`` rows below one's own."""
    column = first.column(name)
    step = f"+{away}" if away > 0 else str(away) if away else ""
    return f"INDEX({first.layout.name}!{column}:{column},ROW(){step})"


def _detail(first: FilledIn, details: FilledIn, name: str, away: int) -> str:
    """Return a formula's word for a column of the details, in the row of the call in that row."""
    sheet, column, number = details.layout.name, details.column(name), details.column("position")
    return f"INDEX({sheet}!{column}:{column},MATCH({_call(first, 'position', away)},{sheet}!{number}:{number},0))"


def _drop_downs(
    worksheet: Any, shown: Sequence[Column], first: int, last: int, calls: CallList, retrofits: str
) -> None:
    for at, column in enumerate(shown):
        if column.kind not in ENTRIES:
            continue
        rule: dict[str, Any]
        if OUTCOME in (column.key, column.title):
            rule = {"validate": "list", "source": list(OUTCOMES), "error_message": "Choose one of the outcomes."}
        elif column.title in calls.facts:
            rule = {"validate": "list", "source": ["yes", "no"], "error_message": "yes, no, or leave it empty."}
        elif column.title.startswith(RETROFIT):
            rule = {"validate": "list", "source": f"={retrofits}", "error_message": "Choose one of the retrofits."}
        elif column.kind == ENTRY_DAY:
            day = {"validate": "date", "criteria": ">=", "value": _FIRST_DAY}
            rule = {**day, "error_message": "Type a day, for example 2026-03-31."}
        else:
            continue
        worksheet.data_validation(first, at, last, at, {"error_title": column.title, **rule})
