"""Typical years and hourly series of PVGIS, the European Commission's photovoltaic geographical information system.

Their stamps are UTC and their irradiance of satellite origin is that of one instant an hour, the satellite's
overpass; irradiance of a reanalysis is the mean of the hour and stated as its middle.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from io import BytesIO, StringIO
from typing import Any

import numpy as np
import pandas as pd
import pvlib

from aftersun.climate.formats.raw import Instants, RawWeather, numbers
from aftersun.climate.text import Unusable
from aftersun.model.weather import HOURS_PER_YEAR

_TABLE = re.compile(r"^time.*(\n.+)+", re.MULTILINE)
_LOWEST_SUN_DEG = 1.0
"""Sun height below which the beam on the horizontal says nothing of the beam itself."""


def read_pvgis_tmy(text: str) -> RawWeather:
    """Read a typical year as CSV or JSON with `pvlib.iotools.read_pvgis_tmy`."""
    if _is_json(text):
        return raw_pvgis_tmy(*pvlib.iotools.read_pvgis_tmy(StringIO(text), pvgis_format="json"))
    if (rows := _rows(text)) != HOURS_PER_YEAR:
        raise ValueError(f"it holds {rows} complete hours instead of {HOURS_PER_YEAR}")
    return raw_pvgis_tmy(*pvlib.iotools.read_pvgis_tmy(BytesIO(text.encode()), pvgis_format="csv"))


def read_pvgis_hourly(text: str) -> RawWeather:
    """Read an hourly series as CSV or JSON with `pvlib.iotools.read_pvgis_hourly`."""
    if not _is_json(text):
        _rows(text)
    kind = "json" if _is_json(text) else "csv"
    return _raw_hourly(*pvlib.iotools.read_pvgis_hourly(StringIO(text), pvgis_format=kind))


def _is_json(text: str) -> bool:
    return text.lstrip().startswith("{")


def _rows(text: str) -> int:
    """Count the rows of the table, which ends at an empty line; pvlib would fill up rows that are cut short."""
    table = _TABLE.search(text)
    if table is None:
        raise ValueError("it holds no hours")
    header, *rows = table.group().split("\n")
    if any(row.count(",") != header.count(",") for row in rows):
        raise ValueError("an hour is cut short")
    return len(rows)


def raw_pvgis_tmy(frame: pd.DataFrame, meta: Mapping[str, Any]) -> RawWeather:
    """Take over a typical year as pvlib returns it, with the stamps of its own years.

    Temperature and wind stand at the full hour; irradiance at the offset from it that the file states. Files from
    before the end of 2024 state none and are not read.
    """
    place = _place(meta)
    offset = place.get("irradiance_time_offset", place.get("irradiance time offset"))
    if offset is None:
        raise Unusable(
            "it does not say at which minute its irradiance stands",
            "Get it again from its source, which states the irradiance time offset now.",
        )
    return replace(_raw(frame, meta, "PVGIS typical year", Instants(float(offset), 0.0)), typical=True)


def _raw_hourly(frame: pd.DataFrame, meta: Mapping[str, Any]) -> RawWeather:
    """Take over an hourly series: on the horizontal, with beam and diffuse apart, all values at one minute."""
    slope = _slope(meta)
    needed = ("poa_direct", "poa_sky_diffuse", "solar_elevation")
    if slope != 0 or any(name not in frame for name in needed):
        kind = "of unknown slope" if slope is None else f"of {slope:g} deg slope" if slope else "without its components"
        raise Unusable(
            f"its irradiance is that of a plane {kind}",
            "Ask PVGIS for hourly radiation with slope 0 and the radiation components, or for the typical year.",
        )
    minutes = pd.DatetimeIndex(frame.index).minute.unique()
    if len(minutes) != 1:
        raise ValueError("its times do not all stand at the same minute of the hour")
    height = frame["solar_elevation"].to_numpy(dtype=float)
    beam = frame["poa_direct"].to_numpy(dtype=float)
    sine = np.sin(np.radians(np.maximum(height, _LOWEST_SUN_DEG)))
    ground = frame.get("poa_ground_diffuse", 0.0)
    columns = {
        "ghi": beam + frame["poa_sky_diffuse"] + ground,
        "dni": np.where(height > _LOWEST_SUN_DEG, beam / sine, 0.0),
        "dhi": frame["poa_sky_diffuse"] + ground,
    }
    at = float(minutes[0]) / 60
    return _raw(frame.assign(**columns), meta, "PVGIS hourly series", Instants(at, at))


def _raw(frame: pd.DataFrame, meta: Mapping[str, Any], source: str, instants: Instants) -> RawWeather:
    place = _place(meta)
    stamps = pd.DatetimeIndex(frame.index)
    hours = numbers(frame).assign(year=stamps.year, month=stamps.month, day=stamps.day, hour=stamps.hour)
    longitude = float(place["longitude"])
    database = meta["inputs"].get("meteo_data", {}).get("radiation_db", meta["inputs"].get("radiation_database"))
    return RawWeather(
        station_id="",
        name="",
        latitude=float(place["latitude"]),
        longitude=longitude,
        elevation_m=float(place["elevation"]),
        utc_offset_h=0.0,
        source=f"{source} ({database})" if database else source,
        hours=hours,
        instants=instants,
        standard_offset_h=float(round(longitude / 15)),
    )


def _place(meta: Mapping[str, Any]) -> Mapping[str, Any]:
    """Where the place stands: JSON has it one level deeper than CSV."""
    inputs: Mapping[str, Any] = meta["inputs"]
    place: Mapping[str, Any] = inputs.get("location", inputs)
    return place


def _slope(meta: Mapping[str, Any]) -> float | None:
    """Slope of the plane in degrees, None where there is no fixed one."""
    inputs = meta["inputs"]
    fixed = inputs.get("mounting_system", {}).get("fixed", {}).get("slope", {}).get("value")
    stated = inputs.get("Slope", fixed)
    number = re.match(r"-?[\d.]+", str(stated))
    return float(number.group()) if number else None
