"""Reads numbers as people type them, with units: decimal comma or point is told from all cells of the column."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from functools import cache

import aftersun_datasets
from aftersun.inventory.office_list.days import MONTH_FIRST
from aftersun.inventory.office_list.reading import ABOUT, NOTHING, Decisions, Read, Seen, says_nothing
from aftersun.inventory.office_list.vocabulary import GALLON, GALLONS, VOLUMES, plain, units_of, words
from aftersun.inventory.store import dictionary

_NUMBER = re.compile(
    r"(?P<money>[€$£]\s*)?(?P<sign>[+\-−–])?\s*"
    r"(?P<digits>[0-9](?:[0-9.,'’\u00a0\u202f ]*[0-9])?|[.,][0-9]+)(?P<machine>e[+-]?[0-9]+)?\s*(?P<unit>\D.*)?$",
    re.IGNORECASE | re.DOTALL,
)
_GROUPED = re.compile(r"[0-9]{1,3}(?:([ '’\u00a0\u202f])[0-9]{3})(?:\1[0-9]{3})*(?P<rest>[.,][0-9]+)?$")
_PIECES = re.compile(r"([0-9]+)\s*(?:[a-zäöüéóí.]+\s*)?[x×*]\s*([0-9.,]+)\s*(wp?|wc|kwp?)\.?$", re.IGNORECASE)
_AMPERE_HOURS = (
    re.compile(r"([0-9.,]+)\s*ah\s*[x×*@/,à a-]*\s*([0-9.,]+)\s*v(?:olt)?$", re.IGNORECASE),
    re.compile(r"([0-9.,]+)\s*v(?:olt)?\s*[x×*@/,à a-]*\s*([0-9.,]+)\s*ah$", re.IGNORECASE),
)
_SPAN = re.compile(r"(?:[-–/]|to|bis|à|a|tot|até|-)\s*[0-9]")
_RISE = re.compile(r"([0-9]{1,2})\s*[/:]\s*12$")
_HOUR = re.compile(r"([01]?[0-9]|2[0-3])[:h.]00(?::00)?$")
_TWELVE = re.compile(r"(1[0-2]|[1-9])(?::00)?\s*([ap])\.?m\.?$", re.IGNORECASE)
NONE_IS_ZERO = (
    "battery_kwh",
    "water_store_litres",
    "element_kw",
    "cleanings_per_year",
    "shading_pct",
    "roof_reserve_kg_m2",
)


def evidence(column: dictionary.Column, texts: Sequence[str]) -> Seen:
    """Return which decimal sign the cells of a column show beyond doubt."""
    found: set[str] = set()
    volumes: set[str] = set()
    for text in texts:
        match = _NUMBER.match(ABOUT.sub("", text.strip()))
        if match and column.unit in VOLUMES and (word := _unit_word(match)):
            volumes.add(GALLON if "gal" in word else "L")
        if match and not match["machine"] and _unit(column, match) is not None:
            found |= _forms(match["digits"])[1]
    return Seen(decimal=frozenset(found), volumes=frozenset(volumes))


def read(
    column: dictionary.Column, texts: Sequence[str], decisions: Decisions, own: Seen, listed: Seen, unit: str
) -> list[Read]:
    """Return the distinct cells of a column as numbers; ``unit`` is that of cells which name none.

    A volume without unit is none of litres for sure in a list that has gallons, or writes days as only the US do.
    """
    decimal = decisions.decimal if not own.decimal or decisions.decimal in own.decimal else ""
    for seen in () if decimal else (own, listed):
        if len(seen.decimal) == 1:
            (decimal,) = seen.decimal
        if seen.decimal:
            break
    if column.unit in VOLUMES and not unit and "L" not in own.volumes:
        american = listed.dates == {MONTH_FIRST} or (decisions.dates == MONTH_FIRST and not listed.dates)
        unit = _UNSAID if GALLON in own.volumes | listed.volumes or american else ""
    return [_read(column, text, decimal, unit, decisions.volumes) for text in texts]


_UNSAID = "litres or gallons"
_GALLON_OF = {"us gallons": "us gal", "imperial gallons": "imp gal"}


def _read(column: dictionary.Column, text: str, decimal: str, unit: str, volumes: str) -> Read:
    stripped = text.strip()
    if column.name in NONE_IS_ZERO and plain(stripped) in words("none"):
        return Read("0")
    if says_nothing(stripped):
        return NOTHING
    if special := _special(column, stripped, decimal):
        return special
    bare = ABOUT.sub("", stripped)
    marks: tuple[str, ...] = ("about",) if bare != stripped else ()
    match = _NUMBER.match(bare)
    if not match:
        return Read(cause="no_number")
    cell_unit = _unit_word(match)
    if column.unit in VOLUMES and (cell_unit in GALLONS or (not cell_unit and unit in (GALLON, _UNSAID))):
        if not cell_unit and unit == _UNSAID and volumes in ("", "litres"):
            if not volumes:
                return Read(cause="litres_or_gallons")
            cell_unit, factor = "l", 1.0
        elif volumes not in _GALLON_OF:
            return Read(cause="gallons")
        else:
            cell_unit, factor = GALLON, units_of(column)[_GALLON_OF[volumes]]
            marks += (volumes.replace(" ", "_"),)
    elif (known := _unit(column, match)) is None:
        return Read(cause="two_numbers" if _SPAN.match(cell_unit) else "unknown_unit")
    else:
        factor = known
    own_unit = bool(cell_unit) and factor != 1
    if not cell_unit and unit:
        factor = units_of(column)[unit]
    values, _ = _forms(match["digits"])
    if match["machine"]:
        values = {".": float(match["digits"] + match["machine"])} if "," not in match["digits"] else {}
    sign = -1 if (match["sign"] or "+") in "-−–" else 1
    degrees = column.name == "tilt_deg" and cell_unit in ("%", "percent", "prozent", "pct")
    possible = {key: _in_unit(sign * value, factor, degrees) for key, value in values.items()}
    if not possible:
        return Read(cause="no_number")
    if len(set(possible.values())) > 1:
        if decimal:
            possible = {decimal: possible[decimal]}
        else:
            possible = {key: value for key, value in possible.items() if not _fault(column, value)}
            if len(possible) > 1:  # nobody uses 3.5 kWh a year
                possible = {key: value for key, value in possible.items() if not value < _least(column)} or possible
            if len(possible) != 1:
                return Read(cause="decimal_or_thousands" if possible else "beyond_limits")
        if ("," in match["digits"] and "," not in possible) or ("." in match["digits"] and "." not in possible):
            marks += ("thousands",)
    elif _grouped(match["digits"]):
        marks += ("thousands",)
    (value,) = set(possible.values())
    if fault := _fault(column, value):
        return Read(cause=fault)
    return Read(f"{value:.12g}", marks=(*marks, *(("units_in_cells",) if own_unit or degrees else ())))


def _fault(column: dictionary.Column, value: float) -> str:
    low, high = column.minimum, column.maximum
    if (low is not None and value < low) or (high is not None and value > high):
        return "beyond_limits"
    return "not_whole" if column.type == dictionary.INTEGER and value != math.floor(value) else ""


@cache
def _least(column: dictionary.Column) -> float:
    """Return what a value of a column is doubted below, as the checks of an inventory do."""
    checks = aftersun_datasets.rows("checks.csv", "aftersun.inventory")
    lows = [float(row["low"]) for row in checks if f"{column.name} < {{low}}" in row["condition"].split(" AND ")]
    return max(lows, default=-math.inf)


def _in_unit(value: float, factor: float, percent_slope: bool) -> float:
    if percent_slope:
        return float(f"{math.degrees(math.atan(value / 100)):.6g}")
    return float(f"{value * factor:.12g}")


def _grouped(digits: str) -> bool:
    return any(sign in digits for sign in " '’\u00a0\u202f") or ("," in digits and "." in digits)


def _forms(digits: str) -> tuple[dict[str, float], set[str]]:
    """Return what digits may mean by the decimal sign assumed, and the signs that they show beyond doubt."""
    if spaced := _GROUPED.match(digits):
        rest = spaced["rest"] or ""
        whole = re.sub(r"[^0-9]", "", digits[: len(digits) - len(rest)])
        value = float(whole + rest.replace(",", "."))
        return {",": value, ".": value}, {rest[0]} if rest else set()
    if not re.fullmatch(r"[0-9.,]+", digits):
        return {}, set()
    points, commas = digits.count("."), digits.count(",")
    if not points and not commas:
        value = float(digits)
        return {",": value, ".": value}, set()
    if points and commas:
        sign = max(",.", key=digits.rfind)
        other = "." if sign == "," else ","
        whole, _, rest = digits.rpartition(sign)
        if sign in whole or not re.fullmatch(rf"[0-9]{{1,3}}(?:{re.escape(other)}[0-9]{{3}})+", whole):
            return {}, set()
        value = float(f"{whole.replace(other, '')}.{rest}")
        return {",": value, ".": value}, {sign}
    sign = "." if points else ","
    other = "," if points else "."
    grouped = re.fullmatch(rf"[1-9][0-9]{{0,2}}(?:{re.escape(sign)}[0-9]{{3}})+", digits)
    if points + commas > 1:
        value = float(digits.replace(sign, ""))
        return ({",": value, ".": value}, {other}) if grouped else ({}, set())
    value = float(digits.replace(",", "."))
    if grouped:
        return {sign: value, other: float(digits.replace(sign, ""))}, set()
    return {",": value, ".": value}, {sign}


def _unit_word(match: re.Match[str]) -> str:
    return " ".join((match["unit"] or "").casefold().strip().rstrip(".").split()).strip("() ")


def _unit(column: dictionary.Column, match: re.Match[str]) -> float | None:
    """Return what turns a number of its cell's unit into the dictionary's, None if the unit is not known here."""
    word = _unit_word(match)
    if not word:
        return 1.0
    known = units_of(column)
    if column.name == "tilt_deg" and word in ("%", "percent", "prozent", "pct"):
        return 1.0
    return known.get(word, known.get(word.replace(" ", "")))


def _special(column: dictionary.Column, text: str, decimal: str) -> Read | None:
    """Return what a cell means that is a product or a time of day; None if it is neither."""
    if column.name == "dc_rating_kw" and (pieces := _PIECES.match(text)):
        per = 1 if pieces[3].casefold().startswith("k") else 0.001
        return _product(column, pieces[1], pieces[2], per, decimal)
    if column.name == "battery_kwh":
        for form in _AMPERE_HOURS:
            if found := form.match(text):
                return _product(column, found[1], found[2], 0.001, decimal)
    if column.name == "tilt_deg" and (rise := _RISE.match(text)):
        return Read(f"{math.degrees(math.atan(int(rise[1]) / 12)):.6g}", marks=("units_in_cells",))
    if column.unit == "h":
        if hour := _HOUR.match(text):
            return Read(str(int(hour[1])))
        if twelve := _TWELVE.match(text):
            return Read(str(int(twelve[1]) % 12 + (12 if twelve[2].casefold() == "p" else 0)))
    return None


def pieces(text: str) -> str | None:
    """Return how many modules a rating written as a product has, None if it is written otherwise."""
    found = _PIECES.match(text.strip())
    return found[1] if found else None


def _product(column: dictionary.Column, one: str, other: str, factor: float, decimal: str) -> Read:
    product = factor
    for digits in (one, other):
        values = _forms(digits)[0]
        if not values or (len(set(values.values())) > 1 and not decimal):
            return Read(cause="decimal_or_thousands" if values else "no_number")
        product *= values[decimal or "."]
    value = float(f"{product:.10g}")
    fault = _fault(column, value)
    return Read(cause=fault) if fault else Read(f"{value:.12g}", marks=("units_in_cells",))
