"""Which weather serves which roof: the smaller uncertainty wins, and any land point has one."""

from __future__ import annotations

from math import hypot

import numpy as np
import pytest

from aftersun.climate.choice import NORMALS, STATION, weather_for
from aftersun.model.weather import Station

GREENSBORO = Station("723170", "", 36.1, -79.95, 270.0, -5.0, "", "0" * 64, "")
KM_PER_DEGREE = 111.195  # of latitude on a sphere of 6371 km


def choose(latitude: float, stations: list[Station], elevation_m: float = 270.0, longitude: float = -79.95):
    return weather_for(np.array([latitude]), np.array([longitude]), np.array([elevation_m]), stations).iloc[0]


def test_a_near_station_is_taken_and_its_distance_said():
    row = choose(36.3, [GREENSBORO])
    assert row["basis"] == STATION
    assert row["weather_id"] == "723170"
    assert row["distance_km"] == pytest.approx(0.2 * KM_PER_DEGREE, rel=1e-3)


def test_uncertainty_at_the_station_is_that_of_the_published_terms():
    # Thevenard & Pelland 2013: long-term mean 5 %, transposition 3 %
    assert choose(36.1, [GREENSBORO])["weather_sd_share"] == pytest.approx(hypot(0.05, 0.03))


def test_uncertainty_grows_with_distance_and_height():
    near, far = choose(36.1, [GREENSBORO]), choose(36.5, [GREENSBORO])
    high = choose(36.1, [GREENSBORO], elevation_m=670.0)
    assert near["weather_sd_share"] < far["weather_sd_share"]
    assert near["weather_sd_share"] < high["weather_sd_share"]


def test_beyond_reach_the_normals_of_the_place_are_surer_than_the_station():
    row = choose(40.0, [GREENSBORO])
    assert row["basis"] == NORMALS
    assert row["weather_id"].startswith("N+")
    assert np.isnan(row["distance_km"])
    assert not row[["station_far", "station_steep"]].any()
    assert row["weather_sd_share"] < hypot(0.05, 0.03, 0.0004 * 3.9 * KM_PER_DEGREE)


@pytest.mark.parametrize(("latitude", "longitude"), [(52.5, 13.4), (-33.9, 151.2), (35.7, 139.7), (-1.3, 36.8)])
def test_any_land_point_has_weather_without_a_station(latitude, longitude):
    row = choose(latitude, [], longitude=longitude)
    assert row["basis"] == NORMALS


def test_open_sea_has_none():
    row = choose(-40.0, [], longitude=-120.0)
    assert row["weather_id"] == ""


def test_at_sea_the_station_serves_however_far():
    assert choose(-40.0, [GREENSBORO], longitude=-120.0)["basis"] == STATION
