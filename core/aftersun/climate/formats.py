"""Weather file formats: how each is recognised and how its columns and units become ours.

A further format is one function from text to `RawWeather` and one row in `FORMATS`. A reader settles names,
units, codes for missing values and the hour that each row stands for; what the values are worth is judged by
the gate.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from io import StringIO

import numpy as np
import pandas as pd
import pvlib

from aftersun.model.errors import AftersunError


@dataclass(frozen=True, eq=False)
class RawWeather:
    """What a file says, not yet checked.

    ``hours`` has one row a record: ``year``, ``month``, ``day`` and ``hour`` (0..23, the beginning of the
    hour) in the station's standard time; ``ghi``, ``dni``, ``dhi`` in W/m2 as hourly mean; ``temp_air`` in
    degrees C; ``wind_speed`` in m/s; ``albedo`` 0..1; ``rain_mm``, the rain in mm that fell in the
    ``rain_period_h`` hours up to the end of the hour. Missing values are NaN. ``station_id`` is empty where
    the file names none.
    """

    station_id: str
    name: str
    latitude: float
    longitude: float
    elevation_m: float
    utc_offset_h: float
    source: str
    hours: pd.DataFrame


def _numbers(frame: pd.DataFrame, rain_mm: str, rain_period_h: str) -> pd.DataFrame:
    """Pick the columns, as numbers; pvlib names all but rain. A column that the file lacks is missing."""
    names = {name: name for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed", "albedo")}
    names |= {"rain_mm": rain_mm, "rain_period_h": rain_period_h}
    columns = {}
    for ours, theirs in names.items():
        values = frame.get(theirs, pd.Series(np.nan, frame.index))
        columns[ours] = pd.to_numeric(values, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    return pd.DataFrame(columns)


TMY3_MISSING = -9900


def read_tmy3(text: str) -> RawWeather:
    """Read a TMY3 file [1]_ with `pvlib.iotools.read_tmy3`.

    Records are labelled 01:00 to 24:00, the end of their hour. The rain column is headed mm, but the
    typical-year files hold whole tenths of mm: at 723170 the year sums to 8345, which is 834.5 mm. A column
    with decimals is taken as headed.

    References
    ----------
    .. [1] S. Wilcox and W. Marion, Users manual for TMY3 data sets, NREL/TP-581-43156, revised May 2008.
    """
    frame, meta = pvlib.iotools.read_tmy3(StringIO(text))
    hours = _numbers(frame, "Lprecip depth (mm)", "Lprecip quantity (hr)")
    hours = hours.mask(hours == TMY3_MISSING)
    rain = hours["rain_mm"].dropna()
    if (rain == rain.round()).all():
        hours["rain_mm"] /= 10
    # The file's own date, not the index: that one moves 29 February to 1 March.
    label = frame["Time (HH:MM)"].str.split(":", expand=True).astype(int)
    if label[1].any():
        raise ValueError("its times are not full hours")
    date = pd.to_datetime(frame["Date (MM/DD/YYYY)"], format="%m/%d/%Y")
    # Some files write midnight as 00:00 of the next day; its hour belongs to the day before.
    date = date.mask(label[0] == 0, date - pd.Timedelta(days=1))
    day = pd.DatetimeIndex(date)
    hours = hours.assign(year=day.year, month=day.month, day=day.day, hour=(label[0].to_numpy() - 1) % 24)
    place = (str(meta["Name"]).strip('" '), str(meta["State"]).strip('" '))
    return RawWeather(
        station_id=f"{meta['USAF']:06d}",
        name=", ".join(part for part in place if part),
        latitude=meta["latitude"],
        longitude=meta["longitude"],
        elevation_m=meta["altitude"],
        utc_offset_h=meta["TZ"],
        source="TMY3 file",
        hours=hours,
    )


# From these values on a field counts as missing (EnergyPlus documentation, Auxiliary Programs, EPW fields).
EPW_MISSING = pd.Series(
    {"ghi": 9999.0, "dni": 9999.0, "dhi": 9999.0, "temp_air": 99.9, "wind_speed": 999.0}
    | {"albedo": 999.0, "rain_mm": 999.0, "rain_period_h": 99.0}
)


def read_epw(text: str) -> RawWeather:
    """Read an EPW file with `pvlib.iotools.read_epw`.

    Records are labelled 1 to 24, the end of their hour. Rain is in mm.
    """
    frame, meta = pvlib.iotools.read_epw(StringIO(text))
    hours = _numbers(frame, "liquid_precipitation_depth", "liquid_precipitation_quantity")
    hours = hours.mask(hours >= EPW_MISSING[hours.columns])
    clock = {name: frame[name].to_numpy(dtype=int) for name in ("year", "month", "day", "hour")}
    hours = hours.assign(**clock | {"hour": clock["hour"] - 1})
    number = str(meta["WMO_code"]).strip()
    place = (str(meta["city"]).strip(), str(meta["state-prov"]).strip(" -"))
    return RawWeather(
        station_id=number if re.search("[1-9]", number) else "",
        name=", ".join(part for part in place if part),
        latitude=meta["latitude"],
        longitude=meta["longitude"],
        elevation_m=meta["altitude"],
        utc_offset_h=meta["TZ"],
        source=f"EPW file ({str(meta['data_type']).strip() or 'origin not stated'})",
        hours=hours,
    )


@dataclass(frozen=True)
class Format:
    """A format: its name, a pattern that the beginning of its files matches, and its reader."""

    name: str
    opening: re.Pattern[str]
    read: Callable[[str], RawWeather]


FORMATS = (
    Format("TMY3", re.compile(r'[^\n]*\n"?Date \(MM/DD/YYYY\)"?,"?Time \(HH:MM\)'), read_tmy3),
    Format("EPW", re.compile(r"LOCATION,"), read_epw),
)


def parse(text: str, file_name: str) -> RawWeather:
    """Recognise the format by the file's content and read it.

    Raises
    ------
    AftersunError
        If the format is unknown, or known and the file is broken.
    """
    for known in FORMATS:
        if not known.opening.match(text):
            continue
        try:
            return known.read(text)
        except (ValueError, KeyError, IndexError, AttributeError) as error:
            reason = (str(error).strip() or type(error).__name__).splitlines()[0]
            raise AftersunError(
                f"{file_name} looks like {known.name} but cannot be read: {reason}.",
                "Get the file again from its source, unchanged by a spreadsheet program.",
            ) from error
    names = [known.name for known in FORMATS]
    raise AftersunError(
        f"{file_name} is not a weather file that can be read: it is neither {' nor '.join(names)}.",
        f"Get hourly values of a typical year as {' or '.join(names)}; only the file's content counts.",
    )
