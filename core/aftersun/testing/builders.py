"""Cohorts, a weather year and a company made by hand, for tests. Figures are inputs only, never expected results."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from datetime import date
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
from pvlib import solarposition

import aftersun_datasets
from aftersun.energy.geometry import with_assumed_geometry
from aftersun.energy.readings.calibration import OPEN_STRING_COLUMN, SITE_COLUMNS
from aftersun.inventory.store.dictionary import Column, columns
from aftersun.model.change import ACCESS, CostLine
from aftersun.model.cohort import Cohort
from aftersun.model.ranges import Floats, Range
from aftersun.model.weather import HOURS_PER_YEAR, Station, WeatherYear
from aftersun.money.company import Company, company_template
from aftersun.scoring.value.cohorts import fleet_choices

Facts = Mapping[str, object]

AS_OF = date(2026, 6, 1)  # the day that ages are counted to
_PRICE_DATE = "2025-01-01"

# An ordinary home: what a mapping given to sample_cohort leaves out.
ORDINARY_SITE: Facts = {
    "latitude": 40.0,
    "longitude": 0.0,
    "roof_kind": "pitched tile",
    "storeys": 2,
    "commissioned_on": pd.Timestamp("2014-05-01"),
    "import_price": 0.30,
    "export_price": 0.05,
    "annual_demand_kwh": 4000.0,
    "inverter_rating_kw": 4.0,
}
ORDINARY_ARRAY: Facts = {
    "tilt_deg": 30.0,
    "azimuth_deg": 180.0,
    "dc_rating_kw": 4.0,
    "module_count": 12,
    "mounting": "flush roof",
}


def sample_cohort(*sites: Facts, weather: WeatherYear | None = None, as_of: date = AS_OF) -> Cohort:
    """Return a cohort with an ordinary home for each mapping, changed by it; without any, of one home.

    Parameters
    ----------
    sites
        Columns of the dictionary's tables site and tariff; None = unknown. Under ``"arrays"`` a mapping may have
        a list of mappings with columns of table array, each an ordinary array changed by it.
    weather
        Shared by all; else :func:`sample_weather`, the same object each time, so that its planes are computed once.
    as_of
        The day that ages are counted to.

    Raises
    ------
    ValueError
        If a mapping has a column that there is not.
    """
    given = sites or ({},)
    homes = [{**ORDINARY_SITE, **{name: value for name, value in facts.items() if name != "arrays"}} for facts in given]
    planes = [{**ORDINARY_ARRAY, **plane, "site": row} for row, facts in enumerate(given) for plane in _arrays(facts)]
    return build_cohort(homes, planes, _shared_weather() if weather is None else weather, as_of)


def build_cohort(sites: Sequence[Facts], arrays: Sequence[Facts], weather: WeatherYear, as_of: date = AS_OF) -> Cohort:
    """Return a cohort of which nothing is known but what the mappings say; geometry is assumed as in a run.

    Each of ``arrays`` names its site by position under ``"site"``. Every hour has the same share of the demand.
    """
    names = {column.name: column for table in ("site", "tariff") for column in columns(table) if not column.personal}
    of_meters = dict.fromkeys((*SITE_COLUMNS, OPEN_STRING_COLUMN), "Float64")
    known = _frame(names, sites, {**of_meters, "load_shape": "int64"})
    known["site_id"] = [str(facts.get("site_id", f"S{row}")) for row, facts in enumerate(sites)]
    of_array = {column.name: column for column in columns("array")}
    table = _frame(of_array, arrays, {"site": "int64"})
    table["array_id"] = [f"A{row}" for row in range(len(arrays))]
    table = table.sort_values("site", kind="stable")
    shapes = np.full((1, HOURS_PER_YEAR), 1.0 / HOURS_PER_YEAR)
    cohort = Cohort(
        known.set_index("site_id"),
        table.set_index("array_id"),
        weather,
        shapes,
        as_of,
        choices=fleet_choices(known.iloc[:0]),
    )
    return with_assumed_geometry(cohort)


def unknown_frame(table: str, rows: int = 0) -> pd.DataFrame:
    """Return a dictionary table in which everything is unknown."""
    return _frame({column.name: column for column in columns(table) if not column.personal}, [{}] * rows, {})


def _frame(names: Mapping[str, Column], rows: Sequence[Facts], others: Mapping[str, str]) -> pd.DataFrame:
    strange = sorted({name for facts in rows for name in facts} - set(names) - set(others))
    if strange:
        raise ValueError(f"there is no column {', '.join(strange)}; there are {', '.join(names)}")
    dtypes: Mapping[str, Any] = {name: column.dtype for name, column in names.items()} | dict(others)
    frame = {}
    for name, dtype in dtypes.items():
        unknown = 0 if dtype == "int64" else None  # the columns that belong to the frame are always known
        frame[name] = pd.array([facts.get(name, unknown) for facts in rows], dtype=dtype)
    return pd.DataFrame(frame)


def _arrays(facts: Facts) -> Sequence[Facts]:
    arrays: Any = facts.get("arrays", ({},))
    return tuple(arrays)


def sample_weather(rain_mm: Floats | str | None = "showers") -> WeatherYear:
    """Return a smooth synthetic year at 40 N: enough for tests of laws and signs, not of yields.

    ``rain_mm`` has shape (H,), mm an hour; None = the station has no rain record; as it stands, one good shower a
    month from October to May and a dry summer.
    """
    times = pd.date_range("2023-01-01 00:30", periods=HOURS_PER_YEAR, freq="h", tz="Etc/GMT")
    day = np.arange(HOURS_PER_YEAR) // 24
    declination = solarposition.declination_cooper69(day + 1)
    angle = np.radians(15 * (np.arange(HOURS_PER_YEAR) % 24 - 11.5))
    latitude = np.radians(40.0)
    zenith = solarposition.solar_zenith_analytical(latitude, angle, declination)
    azimuth = np.degrees(solarposition.solar_azimuth_analytical(latitude, angle, declination, zenith))
    cosine = np.cos(zenith)
    up = cosine > 0.02
    dni = np.where(up, 700.0, 0.0)
    dhi = np.where(up, 90.0, 0.0)
    return WeatherYear(
        station=Station("TEST", "synthetic", 40.0, 0.0, 100.0, 0.0, "synthetic year", "0" * 64, "synthetic"),
        times=times,
        ghi=dhi + dni * np.maximum(cosine, 0),
        dni=dni,
        dhi=dhi,
        temp_air=12 + 10 * np.sin(2 * np.pi * (day - 100) / 365),
        wind_speed=np.full(HOURS_PER_YEAR, 3.0),
        rain_mm=_showers() if isinstance(rain_mm, str) else rain_mm,
        albedo=np.full(HOURS_PER_YEAR, 0.2),
        zenith=np.degrees(zenith),
        azimuth=azimuth,
        dni_extra=np.full(HOURS_PER_YEAR, 1367.0),
        airmass=np.where(up, 1 / np.maximum(cosine, 0.05), np.nan),
    )


_shared_weather = cache(sample_weather)


def _showers() -> Floats:
    rain = np.zeros(HOURS_PER_YEAR)
    rain[12 :: 24 * 30] = 12.0
    rain[24 * 151 : 24 * 273] = 0.0  # June to September
    return rain


def shipped_prices() -> dict[str, dict[str, str]]:
    """Return the rows of the price book that comes with the program, by key."""
    return {row["key"]: row for row in aftersun_datasets.rows("price_items.csv")}


def sample_company(lines: Sequence[CostLine] = (), prices: Mapping[str, Range] = {}, *, worth: float = 1.0) -> Company:
    """Return a company that has a price for every line; amounts are in no currency (XTS, ISO 4217 for tests).

    A line without a price in the shipped book or in ``prices`` costs 1 a unit. ``worth`` multiplies what avoided
    work and risk, and what is paid to the owner, are worth. The base is where
    :data:`~aftersun.testing.ORDINARY_SITE` stands; nothing is too far.
    """
    rows = list(shipped_prices().values())
    rows += [_row(line, prices.get(line.item)) for line in lines if line.kind != ACCESS]
    raw = tomllib.loads(company_template(rows))
    raw["company"] |= {"name": "Test company", "currency": "XTS"}
    raw["travel"] |= {"base_latitude": 40.0, "base_longitude": 0.0, "max_distance_km": 1e6}
    for section in ("avoided", "income"):
        raw[section] = {key: worth * price for key, price in raw[section].items()}
    return Company.model_validate(raw)


def _row(line: CostLine, price: Range | None) -> dict[str, str]:
    ends = {end: "1" if price is None else str(getattr(price, end)) for end in ("low", "mode", "high")}
    named = {"key": line.item, "kind": line.kind, "unit": f"per {line.unit}", "meaning": line.item}
    return {**named, **ends, "price_date": _PRICE_DATE, "source": "assumption"}
