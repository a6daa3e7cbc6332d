"""Typical meteorological years of the National Renewable Energy Laboratory, second and third issue."""

from __future__ import annotations

from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd
import pvlib

from aftersun.climate.formats.raw import RawWeather, numbers, place_name, position

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
    hours = numbers(frame, {"rain_mm": "Lprecip depth (mm)", "rain_period_h": "Lprecip quantity (hr)"})
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
    return RawWeather(
        station_id=f"{meta['USAF']:06d}",
        name=place_name(meta["Name"], meta["State"]),
        **position(meta),
        source="TMY3 file",
        hours=hours,
    )


TMY2_MISSING = pd.Series({"ghi": 9999.0, "dni": 9999.0, "dhi": 9999.0, "temp_air": 999.9, "wind_speed": 99.9})
_TMY2_NAMES = {"ghi": "GHI", "dni": "DNI", "dhi": "DHI", "ghi_extra": "ETR"}
_CITY = slice(7, 29)  # columns 8 to 29 of the first line, table 3-1 of the manual


def read_tmy2(text: str) -> RawWeather:
    """Read a TMY2 file [1]_ with `pvlib.iotools.read_tmy2`.

    Records are labelled 1 to 24, the end of their hour. There is no rain in the format.

    References
    ----------
    .. [1] W. Marion and K. Urban, User's manual for TMY2s, NREL 1995, doi:10.2172/87130.
    """
    first, rest = text.split("\n", 1)
    city = first[_CITY].strip()
    # pvlib reads from a path alone and takes the first line apart at blanks, so the city must have none.
    one_word = (city.replace(" ", "_") or "unknown").ljust(_CITY.stop - _CITY.start)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "year.tm2"
        path.write_text(first[: _CITY.start] + one_word + first[_CITY.stop :] + "\n" + rest, encoding="utf-8")
        frame, meta = pvlib.iotools.read_tmy2(path)
    scaled = frame.assign(temp_air=frame["DryBulb"] / 10, wind_speed=frame["Wspd"] / 10)
    hours = numbers(scaled, _TMY2_NAMES)
    for name, missing in TMY2_MISSING.items():
        hours[name] = hours[name].mask(hours[name] >= missing)
    date = {name: frame[name].to_numpy(dtype=int) for name in ("year", "month", "day", "hour")}
    hours = hours.assign(**date | {"year": date["year"] + 1900, "hour": date["hour"] - 1})
    return RawWeather(
        station_id=str(meta["WBAN"]),
        name=place_name(city, meta["State"]),
        **position(meta),
        source="TMY2 file",
        hours=hours,
    )
