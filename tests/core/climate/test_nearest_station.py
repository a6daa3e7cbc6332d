"""Which station serves which site."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aftersun.climate.choice import nearest_station
from aftersun.model.sphere import great_circle_km
from aftersun.model.weather import Station
from aftersun.wording import station_text


def station(station_id: str, latitude: float, longitude: float, elevation_m: float = 0.0) -> Station:
    return Station(station_id, station_id, latitude, longitude, elevation_m, 0.0, "made", "0" * 64, "made")


def one(value: float) -> np.ndarray:
    return np.array([value])


def test_nearest_and_its_differences() -> None:
    stations = [station("far", 50.0, 10.0, 100.0), station("near", 45.0, 8.0, 400.0)]
    places = nearest_station(one(45.2), one(8.0), one(250.0), stations)
    assert places["station_id"].tolist() == ["near"]
    assert places["distance_km"][0] == pytest.approx(22.239, abs=0.01)
    assert places["height_difference_m"].tolist() == [150.0]
    assert places[["station_far", "station_steep"]].to_numpy().tolist() == [[False, False]]


def test_far_and_high_stations_are_remarked() -> None:
    places = nearest_station(
        np.array([45.46, 45.44, 45.0]),
        np.full(3, 8.0),
        np.array([0.0, 0.0, 650.0]),
        [station("a", 45.0, 8.0, 201.0)],
    )
    assert [station_text(row) for row in places.to_dict("records")] == [
        "the weather station is 51 km away and the weather station lies 201 m higher",
        "the weather station lies 201 m higher",
        "the weather station lies 449 m lower",
    ]


def test_unknown_height_is_not_remarked() -> None:
    places = nearest_station(one(45.0), one(8.0), one(np.nan), [station("a", 45.0, 8.0, 3000.0)])
    assert np.isnan(places["height_difference_m"][0])
    assert places[["station_far", "station_steep"]].to_numpy().tolist() == [[False, False]]


def test_equally_near_stations_go_by_their_id() -> None:
    stations = [station("b", 1.0, 0.0), station("a", -1.0, 0.0), station("c", 0.0, 1.0)]
    assert nearest_station(one(0.0), one(0.0), one(0.0), stations)["station_id"].tolist() == ["a"]


def test_without_stations_nothing_is_near() -> None:
    assert nearest_station(one(0.0), one(0.0), one(0.0), [])["distance_km"].tolist() == [np.inf]


def test_no_site_gives_an_empty_table() -> None:
    empty = np.array([])
    places = nearest_station(empty, empty, empty, [station("a", 0.0, 0.0)])
    assert list(places.columns) == ["station_id", "distance_km", "height_difference_m", "station_far", "station_steep"]
    assert places.empty


@settings(max_examples=30)
@given(
    sites=st.lists(st.tuples(st.floats(-66, 72), st.floats(-180, 180)), min_size=1, max_size=5),
    stations=st.lists(st.tuples(st.floats(-66, 72), st.floats(-180, 180)), min_size=1, max_size=5),
)
def test_no_other_station_is_nearer_and_order_is_irrelevant(
    sites: list[tuple[float, float]], stations: list[tuple[float, float]]
) -> None:
    known = [station(f"{n}", *place) for n, place in enumerate(stations)]
    latitude, longitude = np.array(sites).T
    found = nearest_station(latitude, longitude, np.zeros(len(sites)), known)
    for other in known:
        assert (found["distance_km"] <= great_circle_km(latitude, longitude, other.latitude, other.longitude)).all()
    turned = nearest_station(latitude, longitude, np.zeros(len(sites)), known[::-1])
    assert turned["station_id"].tolist() == found["station_id"].tolist()
