"""Our own plain table of a year of hours, for measurements and weather of any other origin.

Lines ``# name = value`` give the station, then follows a CSV table with the columns that the inventory keeps::

    # station_id = depot
    # name = Roof of the depot
    # latitude = 45.0
    # longitude = 8.0
    # elevation_m = 250
    # utc_offset_h = 1
    # source = own pyranometer
    # year = 2024
    hour,ghi,dni,dhi,temp_air,wind_speed,rain_mm,albedo
    0,0,0,0,2.1,0.8,0,0.2

``hour`` counts from 0, the hour from 0 to 1 h on 1 January in standard time, to 8759, without 29 February; all other
values are means of that hour, ``rain_mm`` its sum. station_id, name, source and year may be left out, and so may the
columns ``rain_mm`` and ``albedo``. An empty cell is a missing value. ``year`` says that all is of that one year.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from aftersun.climate.formats.raw import RawWeather, numbers
from aftersun.climate.plain_table import read_plain_table, to_numbers
from aftersun.climate.sun import VALUES
from aftersun.climate.text import Unusable
from aftersun.model.weather import HOURS_PER_YEAR, calendar

OPTIONAL = ("rain_mm", "albedo")
_NEEDED = ("hour", *(name for name in VALUES if name not in OPTIONAL))
_PLACE = ("latitude", "longitude", "elevation_m", "utc_offset_h")
_OTHER = ("station_id", "name", "source", "year")
_LINES = f"Lines '# name = value' before the header give {', '.join(_PLACE)}; they may give {', '.join(_OTHER)}."


def read_plain(text: str) -> RawWeather:
    """Read the plain table described above."""
    table = read_plain_table(text, _NEEDED, OPTIONAL)
    columns = {name: to_numbers(table.rows, name) for name in map(str, table.rows)}
    entries = table.entries
    place: dict[str, Any] = {name: _number(entries, name) for name in _PLACE}
    year = _number(entries, "year") if "year" in entries else math.nan
    hour = columns.pop("hour").to_numpy()
    if not (np.isin(hour, np.arange(HOURS_PER_YEAR))).all():
        raise Unusable(
            "its hour column does not run from 0 to 8759",
            "Number the hours of the year from 0, without 29 February.",
        )
    hours = numbers(pd.DataFrame(columns).assign(rain_period_h=1.0))
    month, day, hour_of_day = calendar(hour.astype(int))
    return RawWeather(
        station_id=entries.get("station_id", ""),
        name=entries.get("name", ""),
        source=entries.get("source") or "plain table",
        hours=hours.assign(year=year, month=month, day=day, hour=hour_of_day),
        **place,
    )


def _number(entries: dict[str, str], name: str) -> float:
    if name not in entries:
        raise Unusable(f"it has no line '# {name} = ...'", _LINES)
    try:
        return float(entries[name])
    except ValueError:
        raise Unusable(f"its line '# {name} = ...' holds no number", _LINES) from None
