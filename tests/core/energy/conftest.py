"""A weather year and cohorts for the tests of the energy room."""

from __future__ import annotations

from datetime import date, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pvlib
import pytest

from aftersun.energy.demand import standard_load_shapes
from aftersun.inventory.store.dictionary import columns
from aftersun.model.cohort import Cohort
from aftersun.model.weather import HOURS_PER_YEAR, Station, WeatherYear

GREENSBORO = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"


def weather_year(hours: pd.DataFrame, rain_mm: np.ndarray | None, **station: Any) -> WeatherYear:
    """Make a weather year from the columns that pvlib's readers give, hours in order from 1 January."""
    zone = timezone(timedelta(hours=station["utc_offset_h"]))
    times = pd.date_range("2001-01-01 00:30", periods=HOURS_PER_YEAR, freq="h", tz=zone)
    sun = pvlib.location.Location(
        station["latitude"], station["longitude"], altitude=station["elevation_m"]
    ).get_solarposition(times, method="nrel_numpy")
    columns = {name: hours[name].to_numpy(dtype=np.float64) for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed")}
    return WeatherYear(
        station=Station(source="", sha256="", rain_basis="", **station),
        times=times,
        rain_mm=rain_mm,
        albedo=np.full(HOURS_PER_YEAR, 0.2),
        zenith=sun["apparent_zenith"].to_numpy(),
        azimuth=sun["azimuth"].to_numpy(),
        dni_extra=pvlib.irradiance.get_extra_radiation(times.day_of_year.to_numpy()),
        airmass=pvlib.atmosphere.get_relative_airmass(sun["apparent_zenith"].to_numpy()),
        **columns,
    )


@pytest.fixture(scope="session")
def greensboro_hours() -> pd.DataFrame:
    """The typical year of 36.1 N 79.95 W that pvlib carries; its rain column is in tenths of a millimetre."""
    hours, _ = pvlib.iotools.read_tmy3(GREENSBORO, coerce_year=1990, map_variables=True)
    return hours


@pytest.fixture(scope="session")
def weather(greensboro_hours: pd.DataFrame) -> WeatherYear:
    return weather_year(
        greensboro_hours,
        greensboro_hours["Lprecip depth (mm)"].to_numpy(dtype=np.float64) / 10,
        station_id="723170",
        name="Greensboro",
        latitude=36.1,
        longitude=-79.95,
        elevation_m=273.0,
        utc_offset_h=-5.0,
    )


@pytest.fixture(scope="session")
def make_weather() -> Any:
    return weather_year


def _frame(table: str, rows: list[dict[str, Any]]) -> pd.DataFrame:
    """A table of the dictionary; what a row leaves out is unknown."""
    dtypes = {column.name: column.dtype for column in columns(table)}
    assert not {name for row in rows for name in row} - set(dtypes), "no such column"
    return pd.DataFrame(
        {name: pd.Series([row.get(name) for row in rows], dtype=dtype) for name, dtype in dtypes.items()}
    )


@pytest.fixture(scope="session")
def make_cohort(weather: WeatherYear) -> Any:
    """Make a cohort: one mapping of known facts a site, whose "arrays" lists one mapping an array."""

    def make(*rows: dict[str, Any], on: WeatherYear = weather) -> Cohort:
        sites, arrays = [], []
        for place, row in enumerate(rows):
            facts = {"site_id": f"S{place}", "latitude": 36.0, "longitude": -80.0} | row
            for array in facts.pop("arrays", [{}]):
                fixed = {"array_id": f"A{len(arrays)}", "site_id": facts["site_id"]}
                usual = {"tilt_deg": 30.0, "azimuth_deg": 180.0, "dc_rating_kw": 4.0}
                arrays.append((place, fixed | usual | array))
            sites.append(facts)
        return Cohort(
            sites=_frame("site", sites).set_index("site_id").assign(load_shape=0),
            arrays=_frame("array", [array for _, array in arrays])
            .set_index("array_id")
            .assign(site=np.array([place for place, _ in arrays], dtype=np.intp)),
            weather=on,
            load_shapes=standard_load_shapes(on.times),
            as_of=date(2025, 1, 1),
        )

    return make
