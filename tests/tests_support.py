"""Builders that tests share: hand-made cohorts and a simple synthetic year. Figures here are inputs only."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from aftersun.inventory.dictionary import columns
from aftersun.model.cohort import Cohort
from aftersun.model.weather import HOURS_PER_YEAR, Station, WeatherYear


def empty_frame(table: str, rows: int) -> pd.DataFrame:
    """A frame of a dictionary table in which everything is unknown."""
    return pd.DataFrame(
        {c.name: pd.array([pd.NA] * rows, dtype=c.dtype) for c in columns(table) if c.personal is False}
    )


def make_cohort(weather: WeatherYear, sites: list[dict[str, object]], arrays: list[dict[str, object]]) -> Cohort:
    """Build a cohort from sparse dicts; what they leave out is unknown. ``arrays`` name their site by position."""
    frame = pd.concat([empty_frame("site", len(sites)), empty_frame("tariff", len(sites))], axis=1)
    frame = frame.loc[:, ~frame.columns.duplicated()]
    for row, facts in enumerate(sites):
        for name, value in facts.items():
            frame.loc[row, name] = value
    frame["site_id"] = [str(f.get("site_id", f"S{n}")) for n, f in enumerate(sites)]
    frame["load_shape"] = 0
    table = empty_frame("array", len(arrays))
    for row, facts in enumerate(arrays):
        for name, value in facts.items():
            if name != "site":
                table.loc[row, name] = value
    table["array_id"] = [f"A{n}" for n in range(len(arrays))]
    table["site"] = [int(str(f["site"])) for f in arrays]
    table = table.sort_values("site", kind="stable")
    shapes = np.full((1, HOURS_PER_YEAR), 1.0 / HOURS_PER_YEAR)
    return Cohort(frame.set_index("site_id"), table.set_index("array_id"), weather, shapes, date(2026, 6, 1))


def make_weather(rain_mm: np.ndarray | None = None) -> WeatherYear:
    """A smooth synthetic year at 40 N: enough for plugin and scoring tests that check laws, not yields."""
    times = pd.date_range("2023-01-01 00:30", periods=HOURS_PER_YEAR, freq="h", tz="Etc/GMT")
    day = np.arange(HOURS_PER_YEAR) // 24
    hour = np.arange(HOURS_PER_YEAR) % 24 + 0.5
    declination = np.radians(23.45 * np.sin(2 * np.pi * (284 + day + 1) / 365))
    angle = np.radians(15 * (hour - 12))
    latitude = np.radians(40.0)
    cosine = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(angle)
    zenith = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    azimuth = (
        np.degrees(np.arctan2(np.sin(angle), np.cos(angle) * np.sin(latitude) - np.tan(declination) * np.cos(latitude)))
        + 180
    ) % 360
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
        rain_mm=rain_mm,
        albedo=np.full(HOURS_PER_YEAR, 0.2),
        zenith=zenith,
        azimuth=azimuth,
        dni_extra=np.full(HOURS_PER_YEAR, 1367.0),
        airmass=np.where(up, 1 / np.maximum(cosine, 0.05), np.nan),
    )
