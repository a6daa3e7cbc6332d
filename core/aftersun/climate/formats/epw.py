"""EPW weather files."""

from __future__ import annotations

from io import StringIO

import pandas as pd
import pvlib

from aftersun.climate.formats.raw import RawWeather, numbers, place_name, position, station_number
from aftersun.climate.text import Unusable

# From these values on a field counts as missing (documentation of the format, Auxiliary Programs, EPW fields).
EPW_MISSING = pd.Series(
    {"ghi": 9999.0, "dni": 9999.0, "dhi": 9999.0, "ghi_extra": 9999.0, "temp_air": 99.9, "wind_speed": 999.0}
    | {"albedo": 999.0, "rain_mm": 999.0, "rain_period_h": 99.0}
)
_NAMES = {
    "rain_mm": "liquid_precipitation_depth",
    "rain_period_h": "liquid_precipitation_quantity",
    "ghi_extra": "etr",
}
_HEADER_LINES = 8


def read_epw(text: str) -> RawWeather:
    """Read an EPW file with `pvlib.iotools.read_epw`.

    Records are labelled 1 to 24, the end of their hour. Rain is in mm. The EPW files of PVGIS, known by a comment,
    hold instants by UTC under the header of another time zone and are not read.
    """
    head = text.split("\n", _HEADER_LINES)[:_HEADER_LINES]
    if any("Irradiance Time Offset" in line for line in head):
        raise Unusable(
            "it is an EPW file of PVGIS, whose hours do not stand in the time zone of its header",
            "Get the same typical year from PVGIS as CSV or JSON.",
        )
    frame, meta = pvlib.iotools.read_epw(StringIO(text))
    hours = numbers(frame, _NAMES)
    hours = hours.mask(hours >= EPW_MISSING[hours.columns])
    clock = {name: frame[name].to_numpy(dtype=int) for name in ("year", "month", "day", "hour")}
    hours = hours.assign(**clock | {"hour": clock["hour"] - 1})
    return RawWeather(
        station_id=station_number(meta["WMO_code"]),
        name=place_name(meta["city"], meta["state-prov"]),
        **position(meta),
        source=f"EPW file ({str(meta['data_type']).strip() or 'origin not stated'})",
        hours=hours,
    )
