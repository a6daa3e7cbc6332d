"""Tilts by latitude and missed adjustments, against published values and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from aftersun_retrofits.tilt_mount import (
    effect_left,
    held_back_share,
    optimal_tilt_deg,
    seasonal_tilts_deg,
    standing_since,
    swapped_share,
)


@pytest.mark.parametrize(
    ("latitude", "tilt_deg"),
    [(20, 20.28), (30, 26.62), (40, 31.53), (50, 35.49), (60, 38.98), (-33.9, 29.47)],
)
def test_best_tilt_by_latitude(latitude, tilt_deg):
    # Jacobson and Jadhav, Solar Energy 169, 2018, 55-66: cubic fit
    assert optimal_tilt_deg(latitude) == pytest.approx(tilt_deg, abs=0.02)


def test_tilts_under_a_clear_sky_at_40_degrees():
    # Landau, table for 40 degrees: fixed 33.5; two positions 16.2 and 54.2; four 36.9, 12.5, 59.6
    assert seasonal_tilts_deg(40.0, 2) == pytest.approx((33.5, 16.2, 54.2), abs=0.05)
    assert seasonal_tilts_deg(-40.0, 4) == pytest.approx((36.9, 12.5, 59.6), abs=0.05)


@given(st.floats(-66, 72), st.sampled_from([2, 4]))
def test_tilts_stay_between_lying_and_standing(latitude, positions):
    between, summer, winter = seasonal_tilts_deg(latitude, positions)
    assert 0 <= summer <= winter <= 90
    assert 0 <= between <= 90


def test_two_positions_are_exchanged_for_m_over_1_plus_m_of_the_year():
    # by hand: wrong now if this adjustment was missed and the one before was right, p = m (1 - p)
    assert swapped_share([0.0, 0.25, 1.0]) == pytest.approx([0.0, 0.2, 0.5])


@given(st.floats(0, 1), st.sampled_from([2, 4]))
def test_the_chances_of_where_a_frame_stands_add_up(missed, positions):
    since = standing_since(missed, positions)
    assert since.sum() == pytest.approx(1.0)
    # each is the one before, missed once more
    assert since[1:] == pytest.approx(missed * since[:-1])


def test_nothing_is_held_back_where_nothing_is_missed():
    assert held_back_share([0.0]) == pytest.approx([0.0])
    # m = 0.5 by hand: 8, 4, 2, 1 fifteenths; 5/15 x (1 + 88/277) + 4 x 2/15
    assert held_back_share([0.5]) == pytest.approx([5 / 15 * (365 / 277) + 8 / 15])


def test_what_is_left_of_a_gain():
    today, right, wrong = (
        np.array([100.0] * 4),
        np.array([104.0, 104.0, 104.0, 99.0]),
        np.array([96.0, 96.0, 60.0, 90.0]),
    )
    # 4 gained, a quarter of 8 lost; nothing lost; more lost than gained; nothing gained
    assert effect_left(today, right, wrong, np.array([0.25, 0.0, 0.25, 0.25])) == pytest.approx([0.5, 1.0, 0.0, 1.0])
