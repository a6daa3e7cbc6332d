"""Fixtures that tests share."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tests_support import make_cohort, make_weather

from aftersun.model.cohort import Cohort
from aftersun.model.weather import HOURS_PER_YEAR, WeatherYear


@pytest.fixture(scope="session")
def samples() -> Path:
    """Folder of public weather years beside the repository; the project does not carry them."""
    folder = Path(__file__).parents[2] / "shared" / "weather"
    if not folder.is_dir():
        pytest.skip("the folder of sample weather years is not here")
    return folder


@pytest.fixture
def weather() -> WeatherYear:
    rain = np.zeros(HOURS_PER_YEAR)
    rain[12 :: 24 * 30] = 12.0  # one good shower a month
    return make_weather(rain)


@pytest.fixture
def cohort(weather: WeatherYear) -> Cohort:
    """Two ordinary sites, the second with two arrays."""
    ordinary = {
        "latitude": 40.0,
        "longitude": 0.0,
        "roof_kind": "pitched tile",
        "storeys": 2,
        "commissioned_on": pd.Timestamp("2014-05-01"),
        "import_price": 0.30,
        "export_price": 0.05,
        "annual_demand_kwh": 4000.0,
        "inverter_rating_kw": 4.0,
    }
    plane = {
        "tilt_deg": 30.0,
        "azimuth_deg": 180.0,
        "dc_rating_kw": 4.0,
        "module_count": 12,
        "mounting": "flush roof",
    }
    return make_cohort(
        weather,
        [ordinary, {**ordinary, "birds_seen": True, "inverter_rating_kw": 6.0}],
        [
            {"site": 0, **plane},
            {"site": 1, **plane},
            {"site": 1, **plane, "azimuth_deg": 90.0, "dc_rating_kw": 2.0},
        ],
    )
