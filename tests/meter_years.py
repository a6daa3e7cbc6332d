"""Meter series of systems in the weather of single years, which shares nothing with the program's typical year.

The hours are of a public weather file, the facts a little other than those the program has; each year and each month
of it deviates by weather. Years: 3 to 5 % of yearly irradiation [1]_; months: 6 % in summer to 16 % in winter in the
middle latitudes, 3 to 8 % in the desert, from memory of the same maps. Days change places with others of their month.

.. [1] C. A. Gueymard, S. M. Wilcox, "Assessment of spatial and temporal variability in the US solar resource from
   radiometric measurements and predictions from models using ground-based or satellite data", Solar Energy 85,
   1068-1084, 2011: 2 to 6 % of yearly sums (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from readings_support import readings

from aftersun.climate.normals import normals_at
from aftersun.climate.read import read_weather
from aftersun.climate.synthesis.year import synthetic_year
from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.readings.present import evidence_of
from aftersun.energy.readings.quality import as_intervals
from aftersun.energy.readings.standstill import outages, snow_free_hours
from aftersun.model.cohort import Cohort
from aftersun.testing import build_cohort

# file: share of clear sky that lets months differ, the desert less
FILES = {
    "AZ-Phoenix_Sky_Harbor_Intl_Ap.tmy3": 0.5,
    "WA-Yakima_Air_Terminal.tmy3": 1.0,
    "WA-Port_Angeles_727885.epw": 1.0,
    "tmy_45.000_8.000_2005_2023.csv": 1.0,
}
_MONTH_SD = np.array([0.16, 0.13, 0.10, 0.08, 0.07, 0.06, 0.06, 0.06, 0.07, 0.10, 0.13, 0.16])
_COLUMNS = ("trend_per_year", "trend_low", "trend_high", "change", "factor_read", "shortfall", "outage_days")
AGEING = 0.005  # a year
_DAY_OF_MONTH = pd.date_range("2023-01-01", "2023-12-31").month.to_numpy() - 1


@dataclass(frozen=True)
class Place:
    """One roof of 6 kW: ``cohort`` as the program knows it, ``days`` its true output; months spread by ``calm``."""

    cohort: Cohort
    output: np.ndarray  # of the program's year, kWh (8760,)
    days: np.ndarray  # kWh (365,)
    calm: float


def place(folder: Path, name: str, rng: np.random.Generator, as_of: date) -> Place:
    """Return a roof at the place of a weather file, with the program's own built-in year and nearly right facts."""
    real = read_weather(folder / name).year
    facts = {
        "latitude": real.station.latitude,
        "longitude": real.station.longitude,
        "annual_demand_kwh": 4000.0,
        "inverter_rating_kw": 6.0,
        "export_rule": "net billing",
        "commissioned_on": pd.Timestamp("2012-05-01"),
    }
    told = {"site": 0, "dc_rating_kw": 6.0, "tilt_deg": float(rng.uniform(15, 45)), "azimuth_deg": rng.uniform(90, 270)}
    true = told | {
        "tilt_deg": max(told["tilt_deg"] + rng.normal(0, 4), 0.0),
        "azimuth_deg": told["azimuth_deg"] + rng.normal(0, 8),
        "dc_rating_kw": 6.0 * rng.normal(1.0, 0.04),
    }
    year = synthetic_year(
        normals_at(real.station.latitude, real.station.longitude), seed=1, utc_offset_h=real.station.utc_offset_h
    )
    cohort = build_cohort([facts], [told], year, as_of)
    there = build_cohort([facts], [true], real, as_of)
    hourly = simulate(there, baseline(there)).generated[0].astype(np.float64)
    output = simulate(cohort, baseline(cohort)).generated[0].astype(np.float64)
    return Place(cohort, output, hourly.reshape(365, 24).sum(axis=1), FILES[name])


def daily_output(spot: Place, years: int, until: date, rng: np.random.Generator) -> pd.Series:
    """Return a sound system's output of each day of the years up to ``until``, kWh."""
    days = pd.date_range(pd.Timestamp(until) - pd.DateOffset(years=years), until, inclusive="left")
    month_sd = spot.calm * _MONTH_SD
    share = np.bincount(_DAY_OF_MONTH, spot.days) / spot.days.sum()
    by_months = float(np.sqrt(((share * month_sd) ** 2).sum()))
    shared = np.sqrt(max(rng.uniform(0.03, 0.05) ** 2 - by_months**2, 0.0))
    of_year = dict(zip(range(days[0].year, until.year + 1), rng.normal(0, shared, years + 2), strict=False))
    kwh, by_month = np.empty(len(days)), [spot.days[m == _DAY_OF_MONTH] for m in range(12)]
    age = (days - days[-1]).days.to_numpy() / 365.25
    for (y, m), rows in pd.Series(np.arange(len(days)), index=days).groupby([days.year, days.month]):
        pool = by_month[m - 1]
        drawn = pool[rng.integers(len(pool), size=len(rows))]
        wanted = pool.mean() * max(1.0 + of_year[y] + rng.normal(0, month_sd[m - 1]), 0.1)
        kwh[rows.to_numpy()] = drawn * wanted / max(drawn.mean(), 1e-9)
    return pd.Series(kwh * (1.0 - AGEING) ** age * rng.normal(1.0, 0.015), index=days)


Fault = Callable[[pd.Series], pd.Series]


def step(on: str, left: float) -> Fault:
    """From a day on only a share is left."""
    return lambda kwh: kwh.where(kwh.index < pd.Timestamp(on), kwh * left)


def slope(per_year: float) -> Fault:
    """Besides ageing, output changes by a share a year."""
    return lambda kwh: kwh * (1.0 + per_year) ** ((kwh.index - kwh.index[0]).days.to_numpy() / 365.25)


def outage(first: str, days: int) -> Fault:
    """Nothing for some days."""
    start = pd.Timestamp(first)
    return lambda kwh: kwh.mask((kwh.index >= start) & (kwh.index < start + pd.Timedelta(days=days)), 0.0)


def by_factor(factor: float) -> Fault:
    """Everything times a factor."""
    return lambda kwh: kwh * factor


def table_of(kwh: pd.Series, freq: str = "D") -> pd.DataFrame:
    """Return rows of table reading, by day or by month ("MS")."""
    summed = kwh if freq == "D" else kwh.resample(freq).sum()
    starts = pd.Series(summed.index)
    step_to = pd.DateOffset(days=1) if freq == "D" else pd.DateOffset(months=1)
    return readings("S0", "production", starts, starts + step_to, summed.to_numpy())


def evidence(spot: Place, kwh: pd.Series, freq: str) -> dict[str, Any]:
    """Return what the program says of a series, as in a run but without checks and without calibrating a plant."""
    checked = as_intervals(table_of(kwh, freq))
    stopped = outages(checked, spot.output, snow_free_hours(spot.cohort.weather), 6.0)
    left = checked if stopped is None else checked.drop(stopped.rows)
    row = evidence_of(left, spot.output, AGEING, pd.Timestamp(spot.cohort.as_of), [])
    return {**dict.fromkeys(_COLUMNS, np.nan), "outages": 0, **row, **({} if stopped is None else stopped.figures)}


def raises(row: Mapping[str, Any]) -> bool:
    """Whether anything would be said of a fault."""
    trend = row["trend_low"] > 0 or row["trend_high"] < 0
    level = row["shortfall"] > 0 or not np.isnan(row["factor_read"])
    return bool(trend or level or not np.isnan(row["change"]) or row["outages"])
