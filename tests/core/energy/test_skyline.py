"""Skylines: what is known in closed form, and what a hill does to a plane."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.losses import loss_chain
from aftersun.energy.planes import lit_hours, plane_hours
from aftersun.energy.skyline import heights, sky_share
from aftersun.model.cohort import Horizon
from aftersun.model.weather import WeatherYear

FLAT = Horizon((0.0,), (0.0,))


def even(height: float) -> Horizon:
    return Horizon((0.0, 180.0), (height, height))


def test_heights_run_straight_between_points_and_past_north() -> None:
    skyline = Horizon((90.0, 180.0, 270.0), (0.0, 20.0, 10.0))
    assert heights(skyline, np.array([90.0, 135, 180, 225, 270, 0, 360])) == pytest.approx([0, 10, 20, 15, 10, 5, 5])


def test_points_in_any_order_make_one_skyline() -> None:
    assert Horizon.of([270, 0, 360, 90], [1, 4, 7, 2]) == Horizon((0.0, 90.0, 270.0), (7.0, 2.0, 1.0))


@pytest.mark.parametrize("height", [0.0, 10.0, 30.0, 60.0])
def test_an_even_skyline_leaves_a_flat_plane_the_square_of_its_cosine(height: float) -> None:
    # Isotropic sky on a horizontal plane: integral of 2 sin(e) cos(e) from h to 90 degrees = cos(h)^2
    assert sky_share(even(height), 0.0, 180.0) == pytest.approx(np.cos(np.radians(height)) ** 2)


def test_a_vertical_plane_below_an_even_skyline() -> None:
    # Facing half of the sky: (pi/2 - h - sin(h) cos(h)) / (pi/2), at 30 degrees 0.39100
    assert sky_share(even(30.0), 90.0, 180.0) == pytest.approx(0.39100, abs=1e-4)


@given(st.floats(0, 90), st.floats(0, 360), st.lists(st.floats(0, 60), min_size=8, max_size=8), st.floats(0, 1))
def test_the_share_of_the_sky_is_a_share_and_falls_as_hills_grow(
    tilt: float, azimuth: float, skyline: list[float], lower: float
) -> None:
    directions = tuple(np.arange(8) * 45.0)
    high, low = (Horizon(directions, tuple(height * k for height in skyline)) for k in (1.0, lower))
    assert 0 <= sky_share(high, tilt, azimuth) <= sky_share(low, tilt, azimuth) + 1e-12 <= 1 + 1e-9
    assert sky_share(FLAT, tilt, azimuth) == 1.0


def test_the_sun_behind_the_hill_gives_no_beam(weather: WeatherYear) -> None:
    columns = (np.array([30.0] * 2), np.array([180.0] * 2), np.array(["flush roof"] * 2, object), np.zeros(2))
    hill = Horizon((90.0, 91.0, 269.0, 270.0), (0.0, 40.0, 40.0, 0.0))
    hidden, free = plane_hours(weather, *columns, [hill, None]).poa
    lit = lit_hours(weather)
    low = (weather.zenith[lit] > 51) & (np.abs(weather.azimuth[lit] - 180) < 80)
    clear = low & (weather.dni[lit] > 600) & (weather.zenith[lit] < 80)
    assert clear.sum() > 300
    assert (hidden[clear] < 0.4 * free[clear]).all()
    above = (weather.zenith[lit] < 49) & (weather.dni[lit] > 600)
    assert (hidden[above] > 0.8 * free[above]).all()
    assert (hidden <= free).all()


def test_without_a_skyline_the_bits_are_the_same(weather: WeatherYear) -> None:
    columns = (np.array([30.0, 20.0]), np.array([180.0, 90.0]), np.array(["flush roof"] * 2, object), np.zeros(2))
    plain = plane_hours(replace(weather), *columns)
    beside = plane_hours(replace(weather), *columns, [None, even(20.0)])
    flat = plane_hours(replace(weather), *columns, [FLAT, FLAT])
    for one, other, level in zip(plain, beside, flat, strict=True):
        assert np.array_equal(one[0], other[0])
        assert not np.array_equal(one[1], other[1])
        # All that a level skyline takes is some light of the sun when its middle has set
        assert level.sum(dtype=np.float64) == pytest.approx(one.sum(dtype=np.float64), rel=1e-3)


@settings(max_examples=5)
@given(st.floats(0, 45), st.floats(0, 1))
def test_a_higher_skyline_never_brings_more(make_cohort: Any, height: float, lower: float) -> None:
    cohort = make_cohort({"site_id": "a"}, {"site_id": "b"})
    cohort = replace(cohort, horizons={"a": even(height * lower), "b": even(height)})
    low, high = simulate(cohort, baseline(cohort)).annual("generated")
    assert high <= low


def test_a_known_skyline_replaces_most_of_the_usual_shading(make_cohort: Any) -> None:
    cohort = make_cohort({"site_id": "a"}, {"site_id": "b"}, {"site_id": "c", "arrays": [{"shading_pct": 7.0}]})
    seen = replace(cohort, horizons={"b": FLAT, "c": FLAT})
    assert baseline(seen).shading_loss == pytest.approx([0.03, 0.01, 0.07])
    assert baseline(cohort).shading_loss == pytest.approx([0.03, 0.03, 0.07])


def test_the_loss_chain_names_skyline_and_shunts(make_cohort: Any) -> None:
    cohort = make_cohort({"site_id": "a"}, {"site_id": "b", "measured_excess_loss": 0.2})
    cohort = replace(cohort, horizons={"a": even(15.0)})
    plant = baseline(cohort)
    chain = loss_chain(cohort, plant)
    assert chain.loc["a", "horizon_kwh"] > 0.01 * chain.loc["a", "in_plane_kwh"]
    assert chain.loc["b", "horizon_kwh"] == 0
    assert chain.loc["b", "shunts_in_low_light_kwh"] > 20 * chain.loc["a", "shunts_in_low_light_kwh"] > 0
    assert chain["generated_kwh"].to_numpy() == pytest.approx(simulate(cohort, plant).annual("generated"), rel=1e-5)


def test_sites_keep_their_skyline_when_taken_out(make_cohort: Any) -> None:
    cohort = make_cohort({"site_id": "a"}, {"site_id": "b"}, {"site_id": "c"})
    cohort = replace(cohort, horizons={"b": even(25.0)})
    assert cohort.take(np.array([2, 1])).array_horizons() == [None, even(25.0)]
