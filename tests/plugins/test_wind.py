"""Wind pressure and ballast against published values and figures by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from aftersun_retrofits._raising import (
    TERRAIN,
    ballast_kg_m2_of_glass,
    exposure_factor,
    held_against_sliding,
    velocity_pressure_pa,
)


def named(*terrain: str | None) -> np.ndarray:
    return np.array(terrain, dtype=object)


def test_pressure_of_30_metres_a_second():
    # 0.613 V^2 = 552 Pa at 30 m/s (air of 1.226 kg/m3, as in ASCE 7); EN 1991-1-4 takes 1.25 kg/m3: 562.5 Pa
    assert velocity_pressure_pa(30.0, air_density_kg_m3=2 * 0.613) == pytest.approx(552, abs=0.5)
    assert velocity_pressure_pa(30.0) == pytest.approx(562.5)


def test_ballast_of_a_module():
    # 552 Pa on 1.7 m2 at a coefficient of 1: 938 N, held by about 96 kg
    assert 1.7 * ballast_kg_m2_of_glass(552.0, 1.0) == pytest.approx(96, abs=0.5)


def test_ballast_against_sliding_is_nearly_twice_that_against_lift_alone():
    # friction 0.5: cos 30 + sin 30 / 0.5 = 1.866, "1.9 times lift alone"; lying flat nothing pushes
    assert held_against_sliding([30.0, 0.0], 0.5) == pytest.approx([1.866, 1.0], abs=0.001)
    assert held_against_sliding(30.0, 0.3) > held_against_sliding(30.0, 0.5)


def test_exposure_factor_of_the_wind_code():
    # EN 1991-1-4 figure 4.2, read from memory: 2.35 at 10 m in open country (category II), 3.0 by the sea (0), 1.7 in
    # category III, 1.2 in IV
    terrain = named("open country", "open water", "suburban or forest", "city")
    assert exposure_factor(10.0, terrain) == pytest.approx([2.35, 3.0, 1.7, 1.2], abs=0.05)


def test_peak_pressure_in_open_country_at_25_metres_a_second():
    # worked examples of the code, from memory: 0.92 kN/m2 at 10 m
    assert velocity_pressure_pa(25.0) * exposure_factor(10.0, named("open country")) == pytest.approx(920, abs=5)


def test_near_the_ground_the_least_height_holds():
    both = exposure_factor(np.array([3.0, 5.0]), named("suburban or forest", "suburban or forest"))
    assert both[0] == both[1]


@given(st.floats(1, 100), st.floats(1, 100))
def test_higher_up_and_in_the_open_the_wind_is_stronger(one, other):
    low, high = sorted((one, other))
    by_terrain = [exposure_factor(np.array([low, high]), named(name, name)) for name in TERRAIN]
    for factor in by_terrain:
        assert factor[0] <= factor[1]
    for rough, smooth in zip(by_terrain[1:], by_terrain, strict=False):
        assert (rough <= smooth).all()


def test_what_is_not_known_stays_unknown():
    assert np.isnan(exposure_factor(np.array([np.nan, 6.0]), named("city", None))).all()
