"""Fixtures that tests share."""

from __future__ import annotations

import lzma
from pathlib import Path

import numpy as np
import pytest
from tests_support import make_weather

from aftersun.model.cohort import Cohort
from aftersun.model.weather import HOURS_PER_YEAR, WeatherYear
from aftersun.scoring.run.demo import Demo, make_demo
from aftersun.scoring.run.rank import Settings, rank
from aftersun.testing import sample_cohort


@pytest.fixture(scope="session")
def samples(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of public weather years, unpacked from ``data/weather``; its README says where they come from."""
    folder = tmp_path_factory.mktemp("samples")
    for packed in (Path(__file__).parent / "data" / "weather").glob("*.xz"):
        (folder / packed.stem).write_bytes(lzma.decompress(packed.read_bytes()))
    return folder


@pytest.fixture
def weather() -> WeatherYear:
    rain = np.zeros(HOURS_PER_YEAR)
    rain[12 :: 24 * 30] = 12.0  # one good shower a month
    return make_weather(rain)


@pytest.fixture
def cohort(weather: WeatherYear) -> Cohort:
    """Two ordinary sites, the second with two arrays."""
    two_arrays = [{}, {"azimuth_deg": 90.0, "dc_rating_kw": 2.0}]
    return sample_cohort({}, {"birds_seen": True, "inverter_rating_kw": 6.0, "arrays": two_arrays}, weather=weather)


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """The demo, made and ranked once; copy its folder before changing anything in it."""
    made = make_demo(tmp_path_factory.mktemp("ranked") / "demo")
    rank(made.inventory, Settings(made.company, made.as_of))
    return made
