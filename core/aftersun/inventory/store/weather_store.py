"""Keeps weather years in the inventory: one station and its 8760 hours each."""

from __future__ import annotations

from dataclasses import asdict, fields

import numpy as np
import pandas as pd

from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.sql import scalar, typed_frame
from aftersun.inventory.store.tables import OTHER_TABLES, insert_frame, insert_row
from aftersun.model.weather import HOURS_PER_YEAR, Station

_HOURS = OTHER_TABLES["weather_hour"]
HOUR_COLUMNS = tuple(name for name in _HOURS.columns if name != "station_id")
_STATION_COLUMNS = tuple(column.name for column in fields(Station))


def put_weather(inventory: Inventory, station: Station, hours: pd.DataFrame) -> bool:
    """Store a weather year; a station of the same id with another content is replaced.

    ``hours`` has 8760 rows with the columns hour (0..8759), ghi, dni, dhi (W/m2), temp_air (degrees C),
    wind_speed (m/s), rain_mm (mm, NA = unknown) and albedo (0..1).

    Returns
    -------
    bool
        False if this very content (by ``station.sha256``) is there already; nothing is changed then.

    Raises
    ------
    ValueError
        If columns or hours are missing, or a value other than rain is unknown or not finite.
    """
    _check_hours(hours)
    with inventory.transaction() as connection:
        if scalar(connection, "SELECT count(*) FROM weather_station WHERE sha256 = ?", [station.sha256]):
            return False
        for table in ("weather_hour", "weather_station"):
            connection.execute(f"DELETE FROM {table} WHERE station_id = ?", [station.station_id])
        insert_row(connection, "weather_station", asdict(station))
        insert_frame(connection, _HOURS, hours.sort_values("hour").assign(station_id=station.station_id))
    return True


def _check_hours(hours: pd.DataFrame) -> None:
    missing = [name for name in HOUR_COLUMNS if name not in hours]
    if missing:
        raise ValueError(f"a weather year lacks the columns {', '.join(missing)}")
    if not np.array_equal(np.sort(hours["hour"].to_numpy(dtype=np.int64)), np.arange(HOURS_PER_YEAR)):
        raise ValueError(f"a weather year needs each hour from 0 to {HOURS_PER_YEAR - 1} once")
    for name in HOUR_COLUMNS:
        values = hours[name].to_numpy(dtype=np.float64, na_value=np.nan)
        if np.isinf(values).any() or (name not in ("hour", "rain_mm") and np.isnan(values).any()):
            raise ValueError(f"{name} of a weather year has values that are not finite")


def stations(inventory: Inventory) -> list[Station]:
    """Return all stations, by id."""
    rows = inventory.connection.execute(
        f"SELECT {', '.join(_STATION_COLUMNS)} FROM weather_station ORDER BY station_id"
    ).fetchall()
    return [Station(*row) for row in rows]


def weather_hours(inventory: Inventory, station_id: str) -> pd.DataFrame:
    """Return the hours of a station in order, columns as in :func:`put_weather`, NaN where rain is unknown.

    Raises
    ------
    AftersunError
        If there is no such station.
    """
    hours = typed_frame(
        inventory.connection,
        "SELECT * FROM weather_hour WHERE station_id = ? ORDER BY hour",
        {name: "int64" if name == "hour" else "float64" for name in HOUR_COLUMNS},
        [station_id],
    )
    if hours.empty:
        raise refusal("no_such_station", station_id=station_id)
    return hours
