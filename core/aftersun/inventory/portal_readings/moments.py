"""Reads moments, days and months as portals write them: with T, Z, offsets, seconds, 24:00, in words."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from aftersun.inventory.office_list import days
from aftersun.inventory.office_list.reading import Seen
from aftersun.inventory.office_list.vocabulary import plain

MOMENT, DAY, MONTH, YEAR, CLOCK = "moment", "day", "month", "year", "clock"
_TIME = (
    r"(?P<hour>[0-9]{1,2})[:.h](?P<minute>[0-5][0-9])(?:[:.](?P<second>[0-5][0-9])(?:[.,][0-9]+)?)?"
    r"\s*(?P<half>[ap]\.?m\.?)?\s*(?:uhr|h|hrs)?"
)
_ZONE = r"\s*(?P<zone>z|utc|gmt|(?:utc|gmt)?[+-][0-9]{1,2}(?::?[0-9]{2})?)?(?:\[[^\]]*\])?"
_WITH_TIME = re.compile(rf"(?P<date>.*?[0-9a-z.])(?:t|\s+|,\s*){_TIME}{_ZONE}$", re.IGNORECASE)
_ONLY_TIME = re.compile(rf"{_TIME}$", re.IGNORECASE)
_SERIAL = re.compile(r"([0-9]{5})[.,]([0-9]+)(?:e0)?$")
_SINCE_1970 = re.compile(r"([0-9]{10})(?:[0-9]{3})?$")
_MONTH_NUMBERS = (
    re.compile(r"(?P<month>0?[1-9]|1[0-2])\s*[-/.]\s*(?P<year>(?:19|20)[0-9]{2})$"),
    re.compile(r"(?P<year>(?:19|20)[0-9]{2})\s*[-/.]?\s*m?(?P<month>0[1-9]|1[0-2])$"),
    re.compile(r"(?P<year>(?:19|20)[0-9]{2})\s*[-/.]\s*(?P<month>[1-9])$"),
)
_YEAR = re.compile(r"(?:19|20)[0-9]{2}$")


@dataclass(frozen=True)
class Said:
    """What a cell says of when: ``at`` by the clock it was written by, its ``kind``, minutes ahead of UTC if said.

    Of a month ``at`` is its first day, of a time alone one of 1 January 1970. ``cause`` is a code if it says nothing.
    """

    kind: str = ""
    at: datetime | None = None
    offset_min: int | None = None
    late: bool = False  # written as 24:00
    seconds: bool = False
    cause: str = ""


def evidence(texts: Sequence[str]) -> Seen:
    """Return which of day and month comes first in cells that leave no doubt."""
    return days.evidence([_date_part(text) for text in texts])


def _date_part(text: str) -> str:
    found = _WITH_TIME.match(text.strip())
    return (found["date"] if found else text).strip(" ,")


def has_date(text: str) -> bool:
    """Tell whether a cell says a day or a moment."""
    return read(text, days.DAY_FIRST).kind in (MOMENT, DAY)


def month(text: str) -> tuple[int, int] | None:
    """Return year and month of a month alone, by name or number; the year is 0 if there is none."""
    bare = text.strip().casefold()
    for form in _MONTH_NUMBERS:
        if found := form.match(bare):
            return int(found["year"]), int(found["month"])
    parts = re.sub(r"([a-z])([0-9])", r"\1 \2", plain(bare)).split()
    named = [number for part in parts if (number := days.month_called(part))]
    rest = [part for part in parts if not days.month_called(part)]
    if len(named) != 1 or len(rest) > 1:
        return None
    if not rest:
        return 0, named[0]
    if _YEAR.match(rest[0]):
        return int(rest[0]), named[0]
    return (2000 + int(rest[0]), named[0]) if re.fullmatch(r"[0-9]{2}", rest[0]) else None


def read(text: str, first: str) -> Said:
    """Return what a cell says of when; ``first`` is what comes first where day and month could be either."""
    bare = " ".join(text.strip().split())
    if of_month := month(bare):
        year, number = of_month
        return Said(MONTH, datetime(year or 1970, number, 1), cause="" if year else "no_year")
    if _YEAR.match(bare):
        return Said(YEAR, datetime(int(bare), 1, 1))
    if found := _SERIAL.match(bare):
        at = datetime(1899, 12, 30) + timedelta(days=float(f"{found[1]}.{found[2]}"))
        return Said(MOMENT, _to_the_minute(at))
    if found := _SINCE_1970.match(bare):
        return Said(MOMENT, datetime.fromtimestamp(int(found[1]), UTC).replace(tzinfo=None), 0)
    if found := _ONLY_TIME.match(bare):
        return _at(date(1970, 1, 1), found, CLOCK)
    found = _WITH_TIME.match(bare)
    said = days.one(found["date"].strip(" ,") if found else bare, first)
    if said.text is None:
        return Said(cause=said.cause or "no_date")
    if {"years_only", "months_only"} & set(said.marks):
        return Said(cause="no_date")
    day = date.fromisoformat(said.text)
    return _at(day, found, MOMENT) if found else Said(DAY, datetime.combine(day, time.min))


def _at(day: date, found: re.Match[str], kind: str) -> Said:
    hour, minute, second = int(found["hour"]), int(found["minute"]), int(found["second"] or 0)
    if half := (found["half"] or "").casefold().replace(".", ""):
        if not 1 <= hour <= 12:
            return Said(cause="no_time")
        hour = hour % 12 + (12 if half == "pm" else 0)
    if hour > 24 or (hour == 24 and (minute or second)):
        return Said(cause="no_time")
    at = datetime.combine(day, time.min) + timedelta(hours=hour, minutes=minute, seconds=second)
    zone = found.groupdict().get("zone")
    return Said(kind, _to_the_minute(at), _minutes(zone) if zone else None, hour == 24, second != 0)


def _to_the_minute(at: datetime) -> datetime:
    return (at + timedelta(seconds=30)).replace(second=0, microsecond=0)


def _minutes(zone: str) -> int:
    """Return how many minutes a zone written as Z, UTC or an offset is ahead of UTC."""
    digits = re.search(r"([+-])([0-9]{1,2}):?([0-9]{2})?$", zone)
    if not digits:
        return 0
    return (1 if digits[1] == "+" else -1) * (60 * int(digits[2]) + int(digits[3] or 0))
