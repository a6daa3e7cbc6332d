"""Sites that a retrofit meets sooner or later: nothing known, everything at its limit, every choice once."""

from __future__ import annotations

from collections.abc import Callable
from zlib import crc32

import numpy as np
import pandas as pd

from aftersun.inventory.store.dictionary import BOOLEAN, CHOICE, DATE, INTEGER, NUMBER, Column, columns
from aftersun.testing.builders import AS_OF, Facts

Value = Callable[[Column], object]

_RANDOM_SITES = 12
_UNKNOWN_CHANCE = 0.25
_POSITION = ("latitude", "longitude")  # a site without is kept and never shown to a retrofit
_OLD, _TODAY, _FAR = pd.Timestamp("1990-01-01"), pd.Timestamp(AS_OF), pd.Timestamp("2060-01-01")


def odd_sites() -> tuple[Facts, ...]:
    """Return sites for :func:`sample_cohort` that the column dictionary allows and that are seldom met.

    Nothing known; every number at its least, at its most; every choice of every column; yes, and no, to all; dates
    long past, today and to come; the far north and south; arrays lying, standing, tiny and huge; two arrays of
    different kinds; and some drawn at random within the limits. The same ones each time.
    """
    return (
        {},
        unknown_site(),
        _site(lambda column: _at_limit(column, column.minimum, _OLD, 0)),
        _site(lambda column: _at_limit(column, column.maximum, _FAR, -1)),
        *_every_choice(),
        *({**_given(BOOLEAN, answer), "arrays": [{}]} for answer in (True, False)),
        *(_given(DATE, day) for day in (_OLD, _TODAY, _FAR)),
        {"latitude": -66.0, "arrays": [{"tilt_deg": 0.0, "azimuth_deg": 360.0}]},
        {"latitude": 72.0, "arrays": [{"tilt_deg": 90.0, "azimuth_deg": 0.0}]},
        {"inverter_rating_kw": None, "arrays": [{"dc_rating_kw": 0.05, "module_count": 1}]},
        {"inverter_rating_kw": None, "arrays": [{"dc_rating_kw": 5000.0, "module_count": None}]},
        {"inverter_rating_kw": 0.1, "arrays": [{"dc_rating_kw": 5000.0}]},
        {"arrays": [{"mounting": "flush roof"}, {"mounting": "ground frame", "tilt_deg": 10.0, "module_rows": 3}]},
        {"annual_demand_kwh": 0.0, "occupants": 0, "import_price": 0.0, "export_price": 0.0},
        *legal_sites(_RANDOM_SITES),
    )


def unknown_site() -> Facts:
    """Return a site of which only what the dictionary requires is known, and where it stands."""
    return {
        **{column.name: None for column in _optional("site", "tariff")},
        "arrays": [{column.name: None for column in _optional("array")}],
    }


def legal_sites(count: int, seed: int = 0) -> tuple[Facts, ...]:
    """Return sites drawn evenly within the limits of the dictionary, a quarter of the facts unknown."""
    generators: dict[str, np.random.Generator] = {}

    def drawn(column: Column) -> object:
        place = f"{column.table}.{column.name}"  # a column that is added leaves the others as they are
        random = generators.setdefault(place, np.random.default_rng([seed, crc32(place.encode())]))
        if not _always_known(column) and random.random() < _UNKNOWN_CHANCE:
            return None
        if column.type == BOOLEAN:
            return bool(random.integers(2))
        if column.type == CHOICE:
            return column.choices[random.integers(len(column.choices))]
        if column.type == DATE:
            return _OLD + pd.Timedelta(days=int(random.integers((_FAR - _OLD).days)))
        value = random.uniform(column.minimum or 0.0, 1.0 if column.maximum is None else column.maximum)
        return round(value) if column.type == INTEGER else value

    return tuple(_site(drawn) for _ in range(count))


def _site(value: Value) -> Facts:
    return {
        **{column.name: value(column) for column in _open("site", "tariff")},
        "arrays": [{column.name: value(column) for column in _open("array")}],
    }


def _open(*tables: str) -> list[Column]:
    """Return the columns that have a value of their own: neither keys nor texts that anybody may write."""
    kinds = (NUMBER, INTEGER, BOOLEAN, CHOICE, DATE)
    return [column for table in tables for column in columns(table) if column.type in kinds and not column.key]


def _optional(*tables: str) -> list[Column]:
    return [column for column in _open(*tables) if not _always_known(column)]


def _always_known(column: Column) -> bool:
    return column.required or column.name in _POSITION


def _at_limit(column: Column, limit: float | None, day: pd.Timestamp, position: int) -> object:
    if column.type in (NUMBER, INTEGER):
        return limit if limit is None or column.type == NUMBER else round(limit)
    if column.type == CHOICE:
        return column.choices[position]
    return day if column.type == DATE else bool(position)


def _every_choice() -> list[Facts]:
    """Return as many sites as the column with most choices has; shorter columns begin again."""
    of_site, of_array = ([column for column in _open(table) if column.type == CHOICE] for table in ("site", "array"))

    def turned(table: list[Column], turn: int) -> Facts:
        return {column.name: column.choices[turn % len(column.choices)] for column in table}

    turns = max(len(column.choices) for column in (*of_site, *of_array))
    return [{**turned(of_site, turn), "arrays": [turned(of_array, turn)]} for turn in range(turns)]


def _given(kind: str, value: object) -> Facts:
    return {column.name: value for column in _open("site", "tariff") if column.type == kind}
