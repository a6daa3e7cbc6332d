"""Tells from the middle of a whole column that it is in another unit than the dictionary's, by ``column_checks.csv``.

A check has a value for each row of a view, the band in which the middle one (median) lies in any sound portfolio, and
what would bring it there. One that nothing known would bring there is left alone: it may be an unusual portfolio.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa
from duckdb.func import PythonUDFType
from duckdb.sqltypes import DOUBLE

import aftersun_datasets
from aftersun.inventory.loading.units import column_of, expressions, units
from aftersun.inventory.store.dictionary import INTEGER, columns, key_columns
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.sql import quoted, registered
from aftersun.model import tables
from aftersun.model.sphere import great_circle_km

WARNING = "warning"  # something is wrong, or keeps sites out of the ranking
NOTE = "note"  # an answer would make the ranking better

Company = Mapping[str, float]
"""What is known of the company: base_latitude, base_longitude (deg), hour_price (currency); nothing if unknown."""
NOBODY: Company = {}
Replaced = Mapping[str, Mapping[str, str]]  # by table and column, the SQL that takes its place

_TABLES = ("site", "array", "tariff", "tariff_period", "tariff_hour", "reading", "horizon")
_FITTING = 0.9  # share of a column that has to be within its limits in the unit thought of (assumption)
_CHECKS = aftersun_datasets.rows("column_checks.csv", "aftersun.inventory")
_VIEWS = """
    base AS (
        SELECT coalesce({base_latitude}, median(latitude)) AS base_latitude,
            coalesce({base_longitude}, median(longitude)) AS base_longitude FROM weather_station
    ),
    placed_site AS (
        SELECT site_rows.*, great_circle_km(base_latitude, base_longitude, latitude, longitude) AS home_km
        FROM site_rows, base
    ),
    placed_array AS (
        SELECT array_rows.*, site_rows.inverter_rating_kw,
            CASE WHEN latitude >= 0 THEN 180 WHEN latitude < 0 THEN 0 END AS equator_deg
        FROM array_rows LEFT JOIN site_rows USING (site_id)
    ),
    sized_site AS (
        SELECT * FROM site_rows
        LEFT JOIN (SELECT site_id, sum(dc_rating_kw) AS dc_kw FROM array_rows GROUP BY site_id) USING (site_id)
    ),
    metered_site AS (
        SELECT site_id, meter, kwh, register_kwh, starts_at, ends_at,
            CASE meter WHEN 'import' THEN annual_demand_kwh / 8760 ELSE {mean_output} * dc_kw END AS expected_kw
        FROM reading_rows JOIN sized_site USING (site_id)
    ),
    metered AS (
        SELECT sum(kwh) AS kwh, sum(expected_kw * date_diff('minute', starts_at, ends_at) / 60) AS expected_kwh
        FROM metered_site WHERE kwh IS NOT NULL GROUP BY site_id, meter
    ),
    counted AS (
        SELECT max(register_kwh) - min(register_kwh) AS kwh,
            max(expected_kw) * date_diff('minute', min(starts_at), max(starts_at)) / 60 AS expected_kwh
        FROM metered_site WHERE register_kwh IS NOT NULL GROUP BY site_id, meter
    )
"""


@dataclass(frozen=True)
class Finding:
    """``level`` is WARNING or NOTE, ``text`` a sentence with counts, ``what_to_do`` the next step.

    Of a whole column, ``cause`` is the likely cause as a code, as in ``array.tilt_deg=rad``, and ``what_to_do`` the
    command that mends it.
    """

    level: str
    text: str
    what_to_do: str
    cause: str = ""


def find(
    inventory: Inventory,
    company: Company,
    as_of: date,
    loaded: tuple[str, pd.DataFrame, Path] | None = None,
) -> list[Finding]:
    """Return what the portfolio tells of its columns, in the order of ``column_checks.csv``.

    With ``loaded``, a table, its rows from a file and that file, they alone stand for that table, those that were
    rejected included, and only what concerns the table is returned.

    A finding is taken as mended by those after it, so that one slip is told once.
    """
    table, rows, path = loaded or ("", pd.DataFrame(), Path())
    checks = [check for check in _CHECKS if not table or table in check["tables"].split()]
    if not checks:
        return []
    given = [column for column in columns(table) if column.name in rows] if table else []
    frame = rows[[column.name for column in given]].astype({column.name: column.dtype for column in given})
    with registered(inventory.connection, **({"loaded_rows": frame} if table else {})):
        engine = Engine(inventory.connection, company, as_of, table, tuple(column.name for column in given))
        if all(engine.sound(check, *seen) for check, seen in zip(checks, engine.middles(checks, {}), strict=True)):
            return []
        slips = engine.slips()
    return [_finding(inventory, slip, (table, path)) for slip in slips if not table or slip.check in checks]


def would_spoil(
    connection: duckdb.DuckDBPyConnection, company: Company, as_of: date, table: str, sql: Mapping[str, str]
) -> bool:
    """Tell whether stored columns look right now, and would not with this SQL in their place."""
    checks = [
        check
        for check in _CHECKS
        if any(owner == table and set(names) & set(sql) for owner, names, _ in map(_cause, check["likely"].split()))
    ]
    engine = Engine(connection, company, as_of)

    def look_right(replaced: Replaced) -> bool:
        seen = engine.middles(checks, replaced) if checks else []
        return all(engine.sound(check, *middle) for check, middle in zip(checks, seen, strict=True))

    return look_right({}) and not look_right({table: sql})


@dataclass(frozen=True)
class Slip:
    """A check whose middle value ``seen`` lies outside its band, and the causes that would explain it, likeliest first.

    A cause is a table, its columns and their unit.
    """

    check: Mapping[str, str]
    rows: int
    seen: float
    causes: Sequence[tuple[str, tuple[str, ...], str]]


@dataclass(frozen=True)
class Engine:
    """Computes middle values over the stored tables.

    Of ``loaded``, the registered frame ``loaded_rows`` gives the rows and the columns ``given``.
    """

    connection: duckdb.DuckDBPyConnection
    company: Company
    as_of: date
    loaded: str = ""
    given: tuple[str, ...] = ()

    def middles(self, checks: Sequence[Mapping[str, str]], replaced: Replaced) -> list[tuple[int, float | None]]:
        """Return number of rows and middle value of each check."""
        figures = {name: self.company.get(name, "NULL::DOUBLE") for name in _COMPANY_FIGURES} | {"day": self.as_of}
        parts = [
            f"SELECT {n}, count(v), median(v) FROM (SELECT ({check['value'].format_map(figures)})::DOUBLE AS v "
            f"FROM {check['rows']})"
            for n, check in enumerate(checks)
        ]
        bases = ", ".join(f"{table}_rows AS ({self._rows(table, replaced.get(table, {}))})" for table in _TABLES)
        mean_output = tables.mode("readings_limits.csv", "mean_output")
        views = _VIEWS.format_map({**figures, "mean_output": mean_output})
        query = f"WITH {bases}, {views} {' UNION ALL '.join(parts)} ORDER BY 1"
        with _measuring_distances(self.connection):
            found = self.connection.execute(query).fetchall()
        return [(count, middle) for _, count, middle in found]

    def sound(self, check: Mapping[str, str], count: int, middle: float | None) -> bool:
        """Tell whether a middle value is in the band of its check, or there are too few rows to say."""
        if middle is None or count < int(check["least_rows"]):
            return True
        return float(check["low"]) <= middle <= float(check["high"])

    def slips(self) -> list[Slip]:
        """Return the checks that known causes explain."""
        found: list[Slip] = []
        mended: dict[str, dict[str, str]] = {}
        # Readings, by far the largest table, are left out where another one was loaded.
        left = [check for check in _CHECKS if check["tables"] != "reading" or self.loaded in ("", "reading")]
        while left:
            middles = self.middles(left, mended)
            first = next((n for n, check in enumerate(left) if not self.sound(check, *middles[n])), len(left))
            for check, (count, middle) in zip(left[first : first + 1], middles[first:], strict=False):
                causes = [one for one in map(_cause, check["likely"].split()) if self._explains(check, mended, one)]
                if causes and middle is not None:
                    found.append(Slip(check, count, middle, causes))
                    table, names, unit = causes[0]
                    mended.setdefault(table, {}).update(expressions(table, dict.fromkeys(names, unit)))
            left = left[first + 1 :]
        return found

    def _explains(self, check: Mapping[str, str], mended: Replaced, cause: tuple[str, tuple[str, ...], str]) -> bool:
        table, names, unit = cause
        sql = expressions(table, dict.fromkeys(names, unit))
        if set(sql) & set(mended.get(table, {})) or not self._fits(table, sql):
            return False
        ((count, middle),) = self.middles([check], {**mended, table: {**mended.get(table, {}), **sql}})
        return middle is not None and self.sound(check, count, middle)

    def _fits(self, table: str, sql: Mapping[str, str]) -> bool:
        """Tell whether nearly all of the columns would be within their limits, and whole if they must be."""
        conditions = []
        for name, expression in sql.items():
            column = column_of(table, name)
            conditions += [check.replace(quoted(name), f"({expression})") for check in column.sql_checks]
            if column.type == INTEGER:
                conditions.append(f"({expression}) = round({expression})")
        known = " AND ".join(f"{quoted(name)} IS NOT NULL" for name in sql)
        query = f"SELECT avg(({' AND '.join(conditions) or 'true'})::INT) FROM ({self._rows(table, {})}) WHERE {known}"
        share = self.connection.execute(query).fetchall()[0][0]
        return share is not None and share >= _FITTING

    def _rows(self, table: str, sql: Mapping[str, str]) -> str:
        source = f"main.{quoted(table)}"
        if table == self.loaded:
            names, keys = (", ".join(map(quoted, some)) for some in (self.given, key_columns(table)))
            stored = f"(SELECT {keys}, * EXCLUDE ({names}) FROM {source})"
            source = f"(SELECT * FROM loaded_rows LEFT JOIN {stored} USING ({keys}))"
        replaced = ", ".join(f"{expression} AS {quoted(name)}" for name, expression in sql.items())
        return f"SELECT *{f' REPLACE ({replaced})' if replaced else ''} FROM {source}"


@contextmanager
def _measuring_distances(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Let queries within the block ask for ``great_circle_km``; where a position is unknown, so is the distance."""

    def in_km(base_lat: Any, base_lon: Any, lat: Any, lon: Any) -> Any:
        return pa.array(great_circle_km(*(given.to_numpy() for given in (base_lat, base_lon, lat, lon))))

    name = great_circle_km.__name__
    connection.create_function(name, in_km, [DOUBLE] * 4, DOUBLE, type=PythonUDFType.ARROW)
    try:
        yield
    finally:
        connection.remove_function(name)


_COMPANY_FIGURES = ("base_latitude", "base_longitude", "hour_price")


def _cause(code: str) -> tuple[str, tuple[str, ...], str]:
    """Split a cause as ``column_checks.csv`` writes it: TABLE.COLUMN=UNIT, columns joined by +."""
    place, _, unit = code.partition("=")
    table, _, names = place.partition(".")
    return table, tuple(names.split("+")), unit


def _finding(inventory: Inventory, slip: Slip, loaded: tuple[str, Path]) -> Finding:
    """Say what was seen, the likely cause and the command that mends it."""
    table, names, unit = slip.causes[0]
    words = units(column_of(table, names[0]))[unit]["likely"]
    low, high = (f"{float(slip.check[end]):.10g}" for end in ("low", "high"))
    text = (
        f"{slip.check['measure']}: the middle of {slip.rows:,} is {slip.seen:.3g}, usual is {low} to {high}. "
        f"Likely {table}.{' and '.join(names)} {'is' if len(names) == 1 else 'are'} {words}"
    )
    others = [f"{'.'.join((t, '+'.join(n)))} {units(column_of(t, n[0]))[u]['likely']}" for t, n, u in slip.causes[1:]]
    text += f" (or: {'; '.join(others)})." if others else "."
    file = shlex.quote(str(inventory.path))
    if table == loaded[0]:
        stated = " ".join(f"--unit {table}.{name}={unit}" for name in names)
        command = f"aftersun inventory load {file} {shlex.quote(str(loaded[1]))} --table {table} {stated}"
    else:
        command = f"aftersun inventory convert {file} {' '.join(f'{table}.{name}' for name in names)} --from {unit}"
    return Finding(WARNING, text, command, f"{table}.{'+'.join(names)}={unit}")
