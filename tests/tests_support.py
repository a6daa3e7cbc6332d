"""Builders that tests share, besides those of aftersun.testing. Figures here are inputs only."""

from __future__ import annotations

import numpy as np
import pandas as pd

from aftersun.model.cohort import Cohort
from aftersun.model.weather import WeatherYear
from aftersun.testing import build_cohort, sample_weather, unknown_frame


def empty_frame(table: str, rows: int) -> pd.DataFrame:
    """A frame of a dictionary table in which everything is unknown."""
    return unknown_frame(table, rows)


def make_cohort(weather: WeatherYear, sites: list[dict[str, object]], arrays: list[dict[str, object]]) -> Cohort:
    """Build a cohort from sparse dicts; what they leave out is unknown. ``arrays`` name their site by position."""
    return build_cohort(sites, arrays, weather)


def make_weather(rain_mm: np.ndarray | None = None) -> WeatherYear:
    """A smooth synthetic year at 40 N, without a rain record unless one is given."""
    return sample_weather(rain_mm)
