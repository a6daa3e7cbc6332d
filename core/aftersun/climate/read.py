"""From a weather file to a checked weather year."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from aftersun.climate.formats.known import parse
from aftersun.climate.formats.raw import RawWeather
from aftersun.climate.gate.checks import check_hours
from aftersun.climate.rain import Rain, settle_rain
from aftersun.climate.sun import weather_year
from aftersun.climate.text import read_bytes, to_text
from aftersun.model.errors import AftersunError
from aftersun.model.weather import HOURS_PER_YEAR, Station, WeatherYear


@dataclass(frozen=True, eq=False)
class WeatherReading:
    """A weather year and what is worth knowing about it: what was changed, left out or looked odd.

    What its rain is, if it has any, stands in ``year.station.rain_basis``.
    """

    year: WeatherYear
    remarks: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class ReadingOptions:
    """What is to be done to a file that does not follow from it.

    ``rain`` takes the place of the file's. ``correct_clock`` moves irradiance in months whose clock is provably wrong,
    instead of refusing the file. ``utc_offset_h`` is the standard time that hours by UTC are turned to, by default that
    of the longitude.
    """

    rain: Rain | None = None
    correct_clock: bool = False
    utc_offset_h: float | None = None


AS_IT_IS = ReadingOptions()

_LEAST_OFFSET_H, _MOST_OFFSET_H = -12.0, 14.0


def read_weather(path: Path, *, options: ReadingOptions = AS_IT_IS) -> WeatherReading:
    """Read a typical or single year of hours from a file of any format in `aftersun.climate.formats`, and check it.

    Parameters
    ----------
    path : Path
        The file. Its format is recognised by content.
    options : ReadingOptions
        What else to do to it.

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
    content = read_bytes(path)
    raw = parse(to_text(content), path.name)
    return checked_reading(raw, path.name, content, options)


def checked_reading(raw: RawWeather, label: str, content: bytes, options: ReadingOptions) -> WeatherReading:
    """Take raw weather through the gate; ``label`` names it in messages, ``content`` is what it was made of.

    Raises
    ------
    AftersunError
        As `read_weather`.
    """
    if options.utc_offset_h is not None:
        if raw.standard_offset_h is None:
            raise AftersunError(
                f"{label} states its own time zone, UTC{raw.utc_offset_h:+g}, so --utc-offset does not apply.",
                "Leave out --utc-offset; it is for files whose hours are UTC.",
            )
        if not _LEAST_OFFSET_H <= options.utc_offset_h <= _MOST_OFFSET_H:
            raise AftersunError("There is no such standard time.", "--utc-offset runs from -12 to 14 hours.")
        raw = replace(raw, standard_offset_h=options.utc_offset_h)
    checked = check_hours(raw, label, correct_clock=options.correct_clock)
    remarks = checked.remarks
    rain = options.rain or settle_rain(checked.hours)
    if rain.mm is None:
        remarks += (f"rain is not used: {rain.basis}; soiling then goes by the rain of the built-in normals",)
    name = raw.station_id.strip()
    if not name:
        name = f"{raw.latitude:.3f}_{raw.longitude:.3f}"
        remarks += (f"the file names no station number, so the station is called {name}",)
    years = raw.hours["year"].dropna().unique()
    of_one_year = len(years) == 1 and raw.hours["year"].notna().all() and not raw.typical
    year = int(years[0]) if of_one_year else None
    if year is not None:
        name = f"{name}-{year}"
        remarks += (f"all hours are of {year}: a station of its own, beside other years of the place",)
    digest = hashlib.sha256(content)
    if options.rain is not None:
        digest.update(rain.basis.encode() + (b"" if rain.mm is None else rain.mm.tobytes()))
    if checked.correction or options.utc_offset_h is not None:
        digest.update(f"{checked.correction} {options.utc_offset_h}".encode())
    station = Station(
        station_id=name,
        name=raw.name or name,
        latitude=raw.latitude,
        longitude=raw.longitude,
        elevation_m=raw.elevation_m,
        utc_offset_h=raw.zone_h,
        source="; ".join(part for part in (raw.source, checked.correction) if part),
        sha256=digest.hexdigest(),
        rain_basis=rain.basis if rain.mm is not None else f"no rain: {rain.basis}",
        year=year,
    )
    columns = checked.hours.assign(hour=np.arange(HOURS_PER_YEAR), rain_mm=np.nan if rain.mm is None else rain.mm)
    return WeatherReading(weather_year(station, columns), remarks)
