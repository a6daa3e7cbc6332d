"""A weather year as a plain table, the form in which it is stored."""

from __future__ import annotations

import numpy as np
import pandas as pd

from aftersun.model.weather import HOURS_PER_YEAR, WeatherYear

VALUES = ("ghi", "dni", "dhi", "temp_air", "wind_speed", "rain_mm", "albedo")


def hours_table(year: WeatherYear) -> pd.DataFrame:
    """Return the hours as a frame: ``hour`` 0..8759 and the columns of `VALUES`, ``rain_mm`` NaN where
    unknown.

    `aftersun.climate.sun.weather_year` makes the same year of it again, bit for bit.
    """
    columns = {name: getattr(year, name) for name in VALUES}
    return pd.DataFrame({"hour": np.arange(HOURS_PER_YEAR)} | columns).astype({"rain_mm": np.float64})
