"""Weather years in the inventory."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.weather_store import HOUR_COLUMNS, put_weather, stations, weather_hours
from aftersun.model.errors import AftersunError
from aftersun.model.weather import HOURS_PER_YEAR, Station

STATION = Station("B1", "Somewhere", 40.5, -3.25, 612.0, 1.0, "EPW file", "a" * 64, "none: the file has no rain")


def _hours(ghi: float) -> pd.DataFrame:
    frame = pd.DataFrame({name: np.full(HOURS_PER_YEAR, ghi) for name in HOUR_COLUMNS})
    frame["hour"] = np.arange(HOURS_PER_YEAR)
    frame["rain_mm"] = pd.array([pd.NA] * HOURS_PER_YEAR, dtype="Float64")
    return frame


def test_a_year_comes_back_as_it_was(inventory: Inventory) -> None:
    hours = _hours(0.1)
    hours.loc[5, "rain_mm"] = 2.5
    shuffled = hours.sample(frac=1.0, random_state=1)
    assert put_weather(inventory, STATION, shuffled) is True
    assert stations(inventory) == [STATION]
    back = weather_hours(inventory, "B1")
    pd.testing.assert_frame_equal(back, hours.astype({"rain_mm": "float64", "hour": "int64"}))


def test_same_content_is_stored_once(inventory: Inventory) -> None:
    put_weather(inventory, STATION, _hours(1.0))
    assert put_weather(inventory, STATION, _hours(2.0)) is False  # told by the file's hash
    assert weather_hours(inventory, "B1")["ghi"].unique().tolist() == [1.0]


def test_other_content_of_the_same_station_replaces_it(inventory: Inventory) -> None:
    put_weather(inventory, STATION, _hours(1.0))
    put_weather(inventory, replace(STATION, station_id="A0", sha256="c" * 64), _hours(3.0))
    assert put_weather(inventory, replace(STATION, sha256="b" * 64), _hours(2.0)) is True
    assert [station.station_id for station in stations(inventory)] == ["A0", "B1"]
    assert weather_hours(inventory, "B1")["ghi"].unique().tolist() == [2.0]
    assert weather_hours(inventory, "A0")["ghi"].unique().tolist() == [3.0]


@pytest.mark.parametrize(
    ("spoil", "match"),
    [
        (lambda hours: hours.drop(columns="dhi"), "lacks the columns dhi"),
        (lambda hours: hours.iloc[1:], "each hour"),
        (lambda hours: hours.assign(hour=0), "each hour"),
        (lambda hours: hours.assign(ghi=np.nan), "not finite"),
        (lambda hours: hours.assign(rain_mm=np.inf), "not finite"),
    ],
)
def test_incomplete_years_are_refused(inventory: Inventory, spoil: object, match: str) -> None:
    assert callable(spoil)
    with pytest.raises(ValueError, match=match):
        put_weather(inventory, STATION, spoil(_hours(1.0)))
    assert stations(inventory) == []


def test_unknown_station(inventory: Inventory) -> None:
    with pytest.raises(AftersunError, match="no weather station 'X'"):
        weather_hours(inventory, "X")
