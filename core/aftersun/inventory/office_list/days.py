"""Reads days as people type them: day or month first is told from all cells, then from the list's language."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date, timedelta
from functools import cache

from babel.dates import get_month_names

from aftersun.inventory.office_list.reading import NOTHING, Decisions, Read, Seen, says_nothing
from aftersun.inventory.office_list.vocabulary import LANGUAGES, plain
from aftersun.inventory.store import dictionary

DAY_FIRST, MONTH_FIRST = "day first", "month first"
_TIME = r"(?:[ T][0-9]{1,2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]+)?)?Z?)?"
_ISO = re.compile(rf"([0-9]{{4}})([-/.])([0-9]{{1,2}})\2([0-9]{{1,2}}){_TIME}$")
_PLAIN = re.compile(rf"([0-9]{{1,2}})\s*([-/.])\s*([0-9]{{1,2}})\s*\2\s*'?([0-9]{{4}}|[0-9]{{2}}){_TIME}$")
_COMPACT = re.compile(r"((?:19|20)[0-9]{2})([01][0-9])([0-3][0-9])$")
_YEAR = re.compile(r"((?:19|20|21)[0-9]{2})$")
_MONTH_YEAR = re.compile(r"([0-9]{1,2})\s*[-/.]\s*((?:19|20|21)[0-9]{2})$")
_YEAR_MONTH = re.compile(r"((?:19|20|21)[0-9]{2})\s*[-/]\s*([0-9]{1,2})$")
_SERIAL = re.compile(r"([0-9]{5})(?:\.0+|\.[0-9]+e0)?$")
_FIRST_SERIAL, _LAST_SERIAL = 18264, 73050  # 1950-01-01 and 2099-12-31 in days from 1899-12-30
_BEFORE_2000 = 70  # years of two digits from here on are of 1900, as in POSIX
NO_MARKS: tuple[str, ...] = ()
_FIRST_YEAR, _LAST_YEAR = 1900, 2199  # as the dictionary's rules


def evidence(texts: Sequence[str]) -> Seen:
    """Return which of day and month comes first in cells that leave no doubt."""
    found = set()
    for text in texts:
        if (match := _PLAIN.match(text.strip())) and match[2] != ".":
            first, second = int(match[1]), int(match[3])
            if 12 < first <= 31 and second <= 12:
                found.add(DAY_FIRST)
            elif 12 < second <= 31 and first <= 12:
                found.add(MONTH_FIRST)
    return Seen(dates=frozenset(found))


def order(decisions: Decisions, own: Seen, listed: Seen) -> str:
    """Return what comes first in cells that could be read either way; empty if it cannot be told.

    All languages but English write the day first; English is written in either way.
    """
    if decisions.dates and (not own.dates or decisions.dates in own.dates):
        return decisions.dates
    for seen in (own, listed):
        if seen.dates:
            return next(iter(seen.dates)) if len(seen.dates) == 1 else ""
    return DAY_FIRST if decisions.language not in ("", "en") else ""


def read(column: dictionary.Column, texts: Sequence[str], first: str) -> list[Read]:
    """Return the distinct cells of a column as days; where a year or month stands alone, its first day.

    Of a column that says until when something holds it is the last day.
    """
    last = column.name.endswith("_until")
    return [NOTHING if says_nothing(text) else _read(text.strip(), first, last) for text in texts]


def one(text: str, first: str) -> Read:
    """Return one cell as a day; where a year or month stands alone, its first day."""
    return _read(text.strip(), first, False)


def month_called(name: str) -> int:
    """Return the number of a month by its plain name, whole or short, in the languages of lists; 0 if it is none."""
    return _months().get(name, 0)


def years(texts: Sequence[str], first: str) -> list[Read]:
    """Return the distinct cells of a column of years, of which some may be days."""
    reads = [NOTHING if says_nothing(text) else _read(text.strip(), first, False) for text in texts]
    return [Read(read.text[:4]) if read.text else read for read in reads]


def _read(text: str, first: str, last: bool) -> Read:
    if match := _ISO.match(text):
        return _day(int(match[1]), int(match[3]), int(match[4]))
    if match := _COMPACT.match(text):
        return _day(int(match[1]), int(match[2]), int(match[3]))
    if match := _PLAIN.match(text):
        return _either(match, first)
    if match := _YEAR.match(text):
        return _part(int(match[1]), 0, last)
    if match := _MONTH_YEAR.match(text):
        return _part(int(match[2]), int(match[1]), last)
    if match := _YEAR_MONTH.match(text):
        return _part(int(match[1]), int(match[2]), last)
    if match := _SERIAL.match(text):
        number = int(match[1])
        if _FIRST_SERIAL <= number <= _LAST_SERIAL:
            return Read((date(1899, 12, 30) + timedelta(days=number)).isoformat(), marks=("serials",))
    return _with_name(text, last)


def _either(match: re.Match[str], first: str) -> Read:
    one, two, written = int(match[1]), int(match[3]), match[4]
    year, marks = int(written), NO_MARKS
    if len(written) == 2:
        year, marks = year + (1900 if year >= _BEFORE_2000 else 2000), ("short_years",)
    if match[2] == "." or one > 12:
        return _day(year, two, one, marks)
    if two > 12:
        return _day(year, one, two, marks)
    if one == two:
        return _day(year, one, two, marks)
    if not first:
        return Read(cause="day_or_month")
    return _day(year, two, one, marks) if first == DAY_FIRST else _day(year, one, two, marks)


def _with_name(text: str, last: bool) -> Read:
    words = (_ORDINAL.sub(r"\1", part) for part in plain(text).split())
    parts = [part for part in words if part not in _SMALL_WORDS]
    months = [_months()[part] for part in parts if part in _months()]
    numbers = [part for part in parts if part.isdigit()]
    if len(months) != 1 or len(months) + len(numbers) != len(parts) or not 1 <= len(numbers) <= 2:
        return Read(cause="no_date")
    written = numbers[-1] if len(numbers[-1]) in (2, 4) else ""
    if len(numbers) == 2 and len(numbers[0]) == 4:
        numbers, written = numbers[::-1], numbers[0]
    if not written:
        return Read(cause="no_date")
    year, marks = int(written), NO_MARKS
    if len(written) == 2:
        year, marks = year + (1900 if year >= _BEFORE_2000 else 2000), ("short_years",)
    if len(numbers) == 1:
        return _part(year, months[0], last, marks)
    return _day(year, months[0], int(numbers[0]), marks)


_ORDINAL = re.compile(r"^([0-9]{1,2})(?:er|st|nd|rd|th|e|o|a)$")
_SMALL_WORDS = ("de", "del", "den", "of", "the", "le", "il", "do", "di", "el")


@cache
def _months() -> dict[str, int]:
    """Return months by their plain names, whole and short, in the languages of lists."""
    names = {
        plain(name): number
        for language in LANGUAGES
        for width in ("wide", "abbreviated")
        for context in ("format", "stand-alone")
        for number, name in get_month_names(width, context, language).items()
    }
    return {**names, "mrz": 3, "sept": 9, "mrt": 3, "set": 9, "dic": 12, "ene": 1}


def _part(year: int, month: int, last: bool, marks: tuple[str, ...] = ()) -> Read:
    """Return the first or last day of a year, or of a month of it."""
    if month > 12:
        return Read(cause="no_such_day")
    mark = "months_only" if month else "years_only"
    if not last:
        return _day(year, month or 1, 1, (*marks, mark))
    following = date(year + 1, 1, 1) if month in (0, 12) else date(year, month + 1, 1)
    end = following - timedelta(days=1)
    return _day(end.year, end.month, end.day, (*marks, mark))


def _day(year: int, month: int, day: int, marks: tuple[str, ...] = ()) -> Read:
    try:
        found = date(year, month, day)
    except ValueError:
        return Read(cause="no_such_day")
    return Read(found.isoformat(), marks=marks) if _FIRST_YEAR <= year <= _LAST_YEAR else Read(cause="no_such_day")
