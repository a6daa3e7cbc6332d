"""Distance, time and cost of a trip."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from aftersun.money.company import Company
from aftersun.money.travel import great_circle_km, trip

LATITUDES, LONGITUDES = st.floats(-90, 90), st.floats(-180, 180)


def test_great_circle_by_geometry() -> None:
    # On a sphere of 6371.0088 km: a degree of a meridian is pi R / 180, from pole to equator pi R / 2,
    # half way round pi R, and a degree of longitude at 60 degrees north is the chord of cos 60 = 1/2 of
    # that at the equator.
    assert_allclose(great_circle_km(50, 8, 51, 8), 111.1951, atol=1e-4)
    assert_allclose(great_circle_km(0, 0, 90, 33), 10007.557, atol=1e-3)
    assert_allclose(great_circle_km(0, 179, 0, -179), 2 * 111.1951, atol=1e-4)
    assert_allclose(great_circle_km(0, 0, 0, 180), 20015.115, atol=1e-3)
    assert_allclose(great_circle_km(60, 0, 60, 1), 55.5971, atol=1e-3)
    assert_allclose(great_circle_km(12, 34, 12, 34), 0.0)


@settings(deadline=None, max_examples=50)
@given(LATITUDES, LONGITUDES, LATITUDES, LONGITUDES)
def test_the_way_back_is_as_long(lat_1: float, lon_1: float, lat_2: float, lon_2: float) -> None:
    there, back = great_circle_km(lat_1, lon_1, lat_2, lon_2), great_circle_km(lat_2, lon_2, lat_1, lon_1)
    assert_allclose(there, back, rtol=1e-9, atol=1e-9)


def test_trip_by_hand(company: Company) -> None:
    # One degree of latitude: 111.1951 km x 1.25 = 138.994 km by road, 277.988 km there and back: 5.5598
    # h at 50 km/h, 277.988 x 0.5 = 138.99 for the van and 5.5598 x 2 x 20 = 222.39 for two helpers.
    # Farther than 100 km.
    way = trip([1.0, 0.0], [0.0, 0.0], company)
    assert_allclose(way.distance_km, [138.994, 0.0], atol=1e-3)
    assert_allclose(way.hours, [5.5598, 0.0], atol=1e-4)
    assert_allclose(way.cost, [361.38, 0.0], atol=0.01)
    assert np.array_equal(way.within_reach, [False, True])
