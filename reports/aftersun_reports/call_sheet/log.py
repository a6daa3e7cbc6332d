"""The sheet that ``aftersun log load`` takes: it gathers what is entered on the sheet of calls, row by row."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from xlsxwriter.utility import xl_col_to_name

from aftersun_reports.call_sheet.book import ENTRIES, ENTRY_DAY, LARGEST_SHEET, Book, Column, Sheet, Written
from aftersun_reports.call_sheet.calls import CALLED_ON, LEAVE_UNTIL, OUTCOME, REMARK, RETROFIT, SITE, CallList
from aftersun_reports.call_sheet.layout import OUTCOMES, name_of

SPARE_ROWS = 10  # rows that may be put in between on the sheet of calls
FREE_ROWS = 200  # rows to type into
_RUN = "run_id"
_FIRST_DAY = date(2000, 1, 1)  # what is earlier is a slip


def write_log(book: Book, calls: CallList, shown: Sequence[Column], written: Written, retrofits: str) -> None:
    """Write the sheet, and the drop-downs of the cells to be filled in on it and on the sheet of calls.

    ``shown`` are the columns of the sheet of calls, ``written`` where its rows are; ``retrofits`` is the range of cells
    with the ids of all retrofits.

    Every cell looks at the row of the other sheet that has its own number, so sorting, filtering and deleting there
    does no harm. An offer of several retrofits has an entry for each: one block of rows for the first of them, one
    for the second.
    """
    mine = calls.columns("call_log")
    worksheet = book.begin(Sheet(name_of("call_log"), (), mine))
    number_of = {column.title: number for number, column in enumerate(shown)}
    length = written.last - written.first + 1 + SPARE_ROWS if calls.calls else 0
    row = 1
    for member in range(calls.members if length else 0):
        about = RETROFIT if member == 0 else f"{RETROFIT}_{member + 1}"
        away = written.first - row
        given = {
            SITE: _cell(number_of["site"], away),
            _RUN: f'"{book.run.run_id.replace(chr(34), chr(34) * 2)}"',
            RETROFIT: _cell(number_of[about], away),
            **{name: _cell(number_of[name], away) for name in (CALLED_ON, OUTCOME, LEAVE_UNTIL, REMARK)},
            # What was learnt is told once.
            **{fact: _cell(number_of[fact], away) for fact in calls.facts if member == 0},
        }
        filled = [f'{given[OUTCOME]}=""', *([f'{given[RETROFIT]}=""'] if member else [])]
        nothing = filled[0] if len(filled) == 1 else f"OR({','.join(filled)})"
        for _ in range(min(length, LARGEST_SHEET - FREE_ROWS - row)):
            for at, column in enumerate(mine):
                if column.title in given:
                    value = given[column.title]
                    either = f'OR({nothing},{value}="")' if column.title not in (OUTCOME, _RUN) else nothing
                    worksheet.write_formula(row, at, f'=IF({either},"",{value})', book.formatted(column.kind), "")
            row += 1
    for free in range(row, row + FREE_ROWS):
        for at, column in enumerate(mine):
            worksheet.write_blank(free, at, None, book.formatted(column.kind))
    last = row + FREE_ROWS - 1
    worksheet.autofilter(0, 0, last, len(mine) - 1)
    _drop_downs(worksheet, mine, row, last, calls, retrofits)
    if calls.calls:
        _drop_downs(written.worksheet, shown, written.first, written.last, calls, retrofits)


def _cell(number: int, away: int) -> str:
    """Return a formula's word for a column of the sheet of calls, in the row ``away`` rows below one's own."""
    column = xl_col_to_name(number, col_abs=True)
    step = f"+{away}" if away > 0 else str(away) if away else ""
    return f"INDEX({name_of('calls')}!{column}:{column},ROW(){step})"


def _drop_downs(
    worksheet: Any, shown: Sequence[Column], first: int, last: int, calls: CallList, retrofits: str
) -> None:
    for at, column in enumerate(shown):
        if column.kind not in ENTRIES:
            continue
        rule: dict[str, Any]
        if column.title == OUTCOME:
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
