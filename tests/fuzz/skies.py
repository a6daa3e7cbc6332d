"""Good weather and rain files of each format, and what can happen to their lines and values."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pvlib
from fuzz.damage import BYTE_DAMAGES, NASTY, Damage, damaged_bytes, damages
from hypothesis import strategies as st
from weather_support import Sky, nsrdb, nsrdb_records, pvgis_hourly, pvgis_hourly_csv, pvgis_tmy, pvgis_tmy_csv

_DATA = Path(pvlib.__file__).parent / "data"
_RECORDS = 200
"""Hours that a short file keeps: enough to be parsed, and refused soon after."""

WILD = (
    *("", " ", "nan", "inf", "-inf", "1e999", "-9999", "9999", "-1", "0", "0.0000001", "24", "25", "60", "366", "1e5"),
    *("9" * 30, "-99999999999999999999", "1e300", "-1e300", "1,5", "5 W", "null", "x", "\0", "é", '"', "a" * 5_000),
    *("29", "2", "02/29/2000", "13/45/1999", "24:00", "24:30", "-01:00", "20200230:0011", "99991231:2300", "S", "-"),
)


def _tmy3() -> str:
    return (_DATA / "723170TYA.CSV").read_text(encoding="ascii")


def _tmy2() -> str:
    return (_DATA / "12839.tm2").read_text(encoding="ascii")


def _epw() -> str:
    now = Sky(45.0, 8.0, 250.0, 1.0).at(0.5)
    day = now["clock"].dt
    table = pd.DataFrame(0, index=now.index, columns=range(35))
    table[0], table[1], table[2], table[3] = day.year, day.month, day.day, day.hour + 1
    table[5] = "?"
    for place, name in {6: "temp_air", 13: "ghi", 14: "dni", 15: "dhi", 21: "wind_speed"}.items():
        table[place] = now[name].round(1).to_numpy()
    table[32], table[33], table[34] = 0.18, 999, 99
    head = ["LOCATION,Depot,-,IT,TMYx,160590,45.0,8.0,1.0,250.0", *(f"LINE {number}" for number in range(2, 8))]
    head.append("DATA PERIODS,1,1,Data,Sunday, 1/ 1,12/31")
    return "\n".join(head) + "\n" + table.to_csv(index=False, header=False, lineterminator="\n")


def _plain() -> str:
    now = Sky(45.0, 8.0, 250.0, 1.0).at(0.5)
    table = now[["ghi", "dni", "dhi", "temp_air", "wind_speed"]].round(2).assign(rain_mm=0.1, albedo=0.2)
    table.insert(0, "hour", np.arange(len(table)))
    entries = {"station_id": "depot", "name": "Depot"}
    entries |= {"latitude": "45", "longitude": "8", "elevation_m": "250", "utc_offset_h": "1"}
    head = "".join(f"# {name} = {value}\n" for name, value in entries.items())
    return head + table.to_csv(index=False, lineterminator="\n")


def _rain_days() -> str:
    days = pd.date_range("2023-01-01", "2023-12-31").strftime("%Y-%m-%d")
    return "# own gauge\ndate,rain_mm\n" + "".join(f"{day},{number % 9}\n" for number, day in enumerate(days))


def _rain_months() -> str:
    return "month,rain_mm,rain_days\n" + "".join(f"{month},{40 + month},{month}\n" for month in range(1, 13))


def _json(answer: dict[str, Any], hours: int | None) -> str:
    name = "tmy_hourly" if "tmy_hourly" in answer["outputs"] else "hourly"
    return json.dumps(answer | {"outputs": answer["outputs"] | {name: answer["outputs"][name][:hours]}})


_MADE: dict[str, Callable[[], str]] = {
    "tmy3": _tmy3,
    "tmy2": _tmy2,
    "epw": _epw,
    "pvgis csv": lambda: pvgis_tmy_csv(pvgis_tmy()),
    "pvgis hourly csv": lambda: pvgis_hourly_csv(pvgis_hourly()),
    "pvgis json": lambda: _json(pvgis_tmy(), None),
    "pvgis hourly json": lambda: _json(pvgis_hourly(), None),
    "nsrdb": nsrdb,
    "nsrdb half hours": lambda: nsrdb(records=nsrdb_records(Sky(36.1, -79.95, 273.0, -5.0), 30, 15)),
    "plain": _plain,
}
_MADE_RAIN: dict[str, Callable[[], str]] = {"rain of days": _rain_days, "rain of months": _rain_months}
WEATHER = tuple(_MADE)
RAIN = tuple(_MADE_RAIN)


@cache
def good_text(kind: str, short: bool) -> str:
    """A file that is read as it is, or its beginning."""
    if kind in _MADE_RAIN:
        return _MADE_RAIN[kind]()
    if short and "json" in kind:
        return _json(pvgis_hourly() if "hourly" in kind else pvgis_tmy(), _RECORDS)
    lines = _MADE[kind]().splitlines(keepends=True)
    return "".join(lines[: _RECORDS + 30] if short else lines)


# ---- what happens to lines

Lines = list[str]


def _line(lines: Lines, a: int) -> int:
    """The place of a line; one in two is near the beginning, where the header is."""
    return (a // 2 % min(len(lines), 24)) if a % 2 else (a // 2 % len(lines))


def _separator(line: str) -> str | None:
    return next((mark for mark in (",", "\t", ";", ": ") if mark in line), None)


def _field(lines: Lines, a: int, b: int, c: int) -> None:
    place = _line(lines, a)
    fields = lines[place].rstrip("\r\n").split(_separator(lines[place]))
    if fields:
        fields[b % len(fields)] = (*WILD, *NASTY)[c % (len(WILD) + len(NASTY))]
    lines[place] = (_separator(lines[place]) or " ").join(fields) + "\n"


def _field_everywhere(lines: Lines, a: int, b: int, c: int) -> None:
    text = WILD[c % len(WILD)]
    start = 10 + a % 30
    for place in range(min(start, len(lines)), len(lines)):
        fields = lines[place].split(",")
        if len(fields) > 1:
            fields[b % len(fields)] = text
            lines[place] = ",".join(fields).rstrip("\r\n") + "\n"


def _columns(lines: Lines, a: int, b: int, c: int) -> None:
    """Something at the same place of each line: fixed columns move."""
    for place in range(min(a % 3, len(lines)), len(lines)):
        lines[place] = lines[place][: b % 60] + WILD[c % len(WILD)][:4] + lines[place][b % 60 + c % 4 :]


def _letters(lines: Lines, a: int, b: int, c: int) -> None:
    place = _line(lines, a)
    at = b % (len(lines[place]) + 1)
    lines[place] = lines[place][:at] + WILD[c % len(WILD)] + lines[place][at + c % 5 :]


def _drop(lines: Lines, a: int, b: int, c: int) -> None:
    place = _line(lines, a)
    del lines[place : place + 1 + (b % 100 if c % 2 else 0)]


def _double(lines: Lines, a: int, b: int, c: int) -> None:
    lines.insert(b % len(lines), lines[_line(lines, a)])


def _blank(lines: Lines, a: int, b: int, c: int) -> None:
    lines.insert(_line(lines, a), "\n" * (b % 3 + 1))


def _swap(lines: Lines, a: int, b: int, c: int) -> None:
    one, other = _line(lines, a), _line(lines, b)
    lines[one], lines[other] = lines[other], lines[one]


def _mix(lines: Lines, a: int, b: int, c: int) -> None:
    start = a % 20
    rest = lines[start:]
    random.Random(b).shuffle(rest)
    lines[start:] = rest


def _commas(lines: Lines, a: int, b: int, c: int) -> None:
    lines[:] = [line.replace(",", ";").replace(".", ",") for line in lines]


def _stretch(lines: Lines, a: int, b: int, c: int) -> None:
    place = _line(lines, a)
    lines[place] = lines[place].rstrip("\r\n") + "," * (b % 9) + "\n"


LINE_DAMAGES: dict[str, Callable[[Lines, int, int, int], None]] = {
    "field": _field,
    "field again": _field,
    "field everywhere": _field_everywhere,
    "columns": _columns,
    "letters": _letters,
    "letters again": _letters,
    "drop": _drop,
    "double": _double,
    "blank": _blank,
    "swap": _swap,
    "mix": _mix,
    "commas": _commas,
    "stretch": _stretch,
}

_JSON_VALUES: tuple[Any, ...] = (
    *(None, "", "x", -1, 0, 1e308, 10**400, True, [], {}, [[]], {"a": 1}, "20060101:0010", float("nan")),
)


def _damaged_json(text: str, done: list[Damage]) -> str:
    """Put something else at places of the tree, the shallow ones as often as the deep ones."""
    tree = json.loads(text)
    for _, a, b, c in done:
        turns = random.Random(a)
        node = tree
        for _ in range(b % 6):
            below = node.values() if isinstance(node, dict) else node
            children = [child for child in below if isinstance(child, dict | list) and child]
            if not children:
                break
            node = turns.choice(children)
        keys = list(node) if isinstance(node, dict) else range(len(node))
        if not keys:
            continue
        key = turns.choice(keys)
        if c % 4:
            node[key] = deepcopy(_JSON_VALUES[c % len(_JSON_VALUES)])
        else:
            del node[key]
    return json.dumps(tree)


@dataclass(frozen=True)
class SkyCase:
    """A good file of this kind and what was done to it."""

    kind: str
    short: bool
    lines: list[Damage]
    encoding: str
    bytes_: list[Damage]

    @property
    def content(self) -> bytes:
        """The file after all that was done to it."""
        text = good_text(self.kind, self.short)
        if "json" in self.kind:
            text = _damaged_json(text, self.lines)
        else:
            lines = text.splitlines(keepends=True)
            for name, a, b, c in self.lines:
                if lines:
                    LINE_DAMAGES[name](lines, a, b, c)
            text = "".join(lines)
        return damaged_bytes(text.encode(self.encoding, errors="replace"), self.bytes_)


def sky_cases(kinds: tuple[str, ...], short: bool) -> st.SearchStrategy[SkyCase]:
    """Damaged files of these kinds."""
    encodings = st.sampled_from(("utf-8",) * 9 + ("utf-8-sig", "utf-16", "cp1252"))
    some = st.one_of(st.just([]), damages(BYTE_DAMAGES, 1, 2))
    return st.builds(SkyCase, st.sampled_from(kinds), st.just(short), damages(LINE_DAMAGES, 1, 3), encodings, some)
