"""Distances on the earth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from aftersun.model.sphere import EARTH_RADIUS_KM, great_circle_km, unit_vectors

LATITUDES, LONGITUDES = st.floats(-90, 90), st.floats(-180, 180)


@pytest.mark.parametrize(
    ("a", "b", "km"),
    [
        # A degree of a great circle: 2 pi 6371.0088 km / 360.
        ((0.0, 0.0), (0.0, 1.0), 111.195),
        ((10.0, 20.0), (11.0, 20.0), 111.195),
        # A quarter of it, from equator to pole, and half of it, to the antipode.
        ((0.0, 50.0), (90.0, 0.0), 10007.557),
        ((30.0, 40.0), (-30.0, -140.0), 20015.115),
        # On the parallel of 60 degrees a degree is half as long, but for the chord.
        ((60.0, 0.0), (60.0, 1.0), 55.597),
        ((12.0, 34.0), (12.0, 34.0), 0.0),
        # Across the date line: two degrees on the equator.
        ((0.0, 179.0), (0.0, -179.0), 222.390),
        # From memory, a worked example found in many places: 36.12 N 86.67 W to 33.94 N 118.40 W, 2886.444 km
        # on a sphere of 6371.0 km.
        ((36.12, -86.67), (33.94, -118.40), 2886.444 * 6371.0088 / 6371.0),
    ],
)
def test_known_distances(a: tuple[float, float], b: tuple[float, float], km: float) -> None:
    assert great_circle_km(*a, *b) == pytest.approx(km, abs=0.01)
    assert great_circle_km(*b, *a) == pytest.approx(km, abs=0.01)


@settings(deadline=None)
@given(LATITUDES, LONGITUDES, LATITUDES, LONGITUDES)
def test_the_way_is_as_long_as_the_chord_through_the_earth_says(
    lat_1: float, lon_1: float, lat_2: float, lon_2: float
) -> None:
    here, there = unit_vectors([lat_1, lat_2], [lon_1, lon_2])
    chord = np.linalg.norm(here - there)
    expected = 2 * EARTH_RADIUS_KM * np.arcsin(min(chord / 2, 1))
    assert_allclose(great_circle_km(lat_1, lon_1, lat_2, lon_2), expected, rtol=1e-6, atol=1e-6)
