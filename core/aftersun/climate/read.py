"""From a weather file to a checked weather year."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from aftersun.climate.formats import parse
from aftersun.climate.gate import check_hours
from aftersun.climate.rain import settle_rain
from aftersun.climate.sun import weather_year
from aftersun.model.errors import AftersunError
from aftersun.model.weather import HOURS_PER_YEAR, Station, WeatherYear


@dataclass(frozen=True, eq=False)
class WeatherReading:
    """A weather year and what is worth knowing about it: what was changed, left out or looked odd.

    What its rain is, if it has any, stands in ``year.station.rain_basis``.
    """

    year: WeatherYear
    remarks: tuple[str, ...]


def _text(content: bytes) -> str:
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("latin-1")


def read_weather(path: Path, *, station_id: str | None = None) -> WeatherReading:
    """Read a typical or single year of hours from a TMY3 or EPW file, and check it.

    Parameters
    ----------
    path : Path
        The file. Its format is recognised by content.
    station_id : str, optional
        The company's own name for the station. Default is the station number in the file, or its position.

    Returns
    -------
    WeatherReading
        The year with the sun's position, on one non-leap calendar year in the station's standard time.

    Raises
    ------
    AftersunError
        If the file cannot be read, has another format, or does not pass the quality gate.
    """
    path = Path(path)
    try:
        content = path.read_bytes()
    except OSError as error:
        raise AftersunError(
            f"{path.name} cannot be read: {error.strerror}.", "Check the path and the file's rights."
        ) from error
    raw = parse(_text(content), path.name)
    hours, remarks = check_hours(raw, path.name)
    rain = settle_rain(hours)
    if rain.mm is None:
        remarks += (f"rain is not used: {rain.basis}; soiling then goes by a fixed yearly loss",)
    name = (station_id or raw.station_id).strip()
    if not name:
        name = f"{raw.latitude:.3f}_{raw.longitude:.3f}"
        remarks += (f"the file names no station number, so the station is called {name}",)
    station = Station(
        station_id=name,
        name=raw.name or name,
        latitude=raw.latitude,
        longitude=raw.longitude,
        elevation_m=raw.elevation_m,
        utc_offset_h=raw.utc_offset_h,
        source=raw.source,
        sha256=hashlib.sha256(content).hexdigest(),
        rain_basis=rain.basis if rain.mm is not None else f"no rain: {rain.basis}",
    )
    columns = hours.assign(hour=np.arange(HOURS_PER_YEAR), rain_mm=np.nan if rain.mm is None else rain.mm)
    return WeatherReading(weather_year(station, columns), remarks)
