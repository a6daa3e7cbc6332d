"""Reads the cells of a column as what it was found to be, deciding by all of them; one column at a time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from aftersun.inventory.office_list import compass, days, numerals, said
from aftersun.inventory.office_list.reading import Column, Decisions, Read, Seen, column, uniques
from aftersun.inventory.office_list.vocabulary import GALLON, Target, of, unit_in_heading
from aftersun.inventory.store import dictionary
from aftersun.inventory.store.dictionary import BOOLEAN, CHOICE, DATE, INTEGER, MOMENT, NUMBER

_DIRECTION, _POSITION = "azimuth_deg", ("latitude", "longitude")


def is_numeric(target: Target) -> bool:
    """Tell whether the cells of a column are numbers whose decimal sign matters."""
    entry = of(target)
    return entry.type in (NUMBER, INTEGER) and not _is_year(entry) and entry.name not in (_DIRECTION, *_POSITION)


def _is_year(entry: dictionary.Column) -> bool:
    return entry.type == INTEGER and entry.name.endswith("_year")


def evidence(target: Target, texts: list[str]) -> Seen:
    """Return what the distinct cells of a column show of how numbers and days are written in the list."""
    entry = of(target)
    if is_numeric(target):
        return numerals.evidence(entry, texts)
    return days.evidence(texts) if entry.type in (DATE, MOMENT) or _is_year(entry) else Seen()


def read_columns(
    cells: Mapping[Target, pd.Series],
    headings: Mapping[Target, str],
    units: Mapping[Target, str],
    decisions: Decisions,
) -> dict[Target, Column]:
    """Return the columns of a list as understood; ``units`` has the unit of cells that name none, where it was said."""
    distinct = {target: uniques(series) for target, series in cells.items()}
    own = {target: evidence(target, texts) for target, (_, texts) in distinct.items()}
    listed = Seen()
    for target, seen in own.items():
        listed |= seen
        if unit_in_heading(of(target), headings[target]).endswith(GALLON):
            listed |= Seen(volumes=frozenset([GALLON]))
    found = {}
    for target, (codes, texts) in distinct.items():
        unit = units.get(target) or unit_in_heading(of(target), headings[target])
        reads, notes = _reads(target, texts, decisions, own[target], listed, unit)
        if units.get(target):
            notes.append("unit_of_mapping")
        elif unit and is_numeric(target):
            notes.append("unit_of_heading")
        read = column(cells[target], codes, reads, notes)
        asked = {QUESTIONS[cause] for cause in set(read.cause.dropna()) & set(QUESTIONS)}
        found[target] = replace(read, questions=frozenset(asked), extra=_counted(target, cells[target], codes, texts))
    return found


QUESTIONS = {
    "decimal_or_thousands": "decimal",
    "day_or_month": "dates",
    "zero_north_or_south": "azimuth_zero",
    "east_or_west": "language",
    "gallons": "volumes",
    "litres_or_gallons": "volumes",
}
"""By the cause of a doubt the decision that would settle it."""


def _reads(
    target: Target, texts: list[str], decisions: Decisions, own: Seen, listed: Seen, unit: str
) -> tuple[list[Read], list[str]]:
    entry = of(target)
    if entry.name == _DIRECTION:
        return _directions(texts, decisions)
    if entry.name in _POSITION:
        return said.degrees(entry, texts), []
    if entry.type in (DATE, MOMENT) or _is_year(entry):
        first = days.order(decisions, own, listed)
        noted = [first.replace(" ", "_")] if first and own.dates else []
        return (days.years(texts, first) if _is_year(entry) else days.read(entry, texts, first)), noted
    if entry.type in (NUMBER, INTEGER):
        return numerals.read(entry, texts, decisions, own, listed, unit), _decimal_notes(own)
    if entry.type == BOOLEAN:
        return said.yes_or_no(texts), []
    if entry.type == CHOICE:
        return said.choices(entry, texts), []
    return said.texts_of(texts), []


def _decimal_notes(own: Seen) -> list[str]:
    return [{",": "decimal_comma", ".": "decimal_point"}[sign] for sign in sorted(own.decimal)]


def _directions(texts: list[str], decisions: Decisions) -> tuple[list[Read], list[str]]:
    bearings = compass.numbers(texts)
    shown = compass.counted_from(bearings)
    zero = decisions.azimuth_zero if bearings and shown in ("", decisions.azimuth_zero) else shown
    o_is = compass.meaning_of_o(texts, decisions.language) if compass.uses_o(texts) else ""
    notes = [f"from_{zero}"] if bearings and zero else []
    notes += [{"E": "o_east", "W": "o_west"}[o_is]] if o_is else []
    return compass.read(texts, o_is, zero), notes


def _counted(target: Target, cells: pd.Series, codes: np.ndarray, texts: list[str]) -> dict[str, pd.Series]:
    """Return the number of modules where a rating is written as so many times the power of one."""
    if target.column != "dc_rating_kw":
        return {}
    counts = [numerals.pieces(text) for text in texts]
    if not any(counts):
        return {}
    values = np.array([*counts, None], dtype=object)[codes]
    return {"module_count": pd.Series(values, index=cells.index, dtype="string")}
