"""Sums of rain over different periods made into hours."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aftersun.climate.rain import hourly_rain


def sums(**given: tuple[float, int]) -> tuple[np.ndarray, np.ndarray]:
    """Sums ending at hours h0, h1, ... of a day of 24 hours, as (mm, period in h)."""
    depth, period = np.full(24, np.nan), np.full(24, np.nan)
    for end, (mm, hours) in given.items():
        depth[int(end[1:])], period[int(end[1:])] = mm, hours
    return depth, period


def test_long_sum_is_spread_evenly() -> None:
    rain = hourly_rain(*sums(h5=(3.0, 6)))
    np.testing.assert_array_equal(rain[:6], 0.5)
    assert np.isnan(rain[6:]).all()


def test_long_sum_gives_only_what_shorter_ones_leave() -> None:
    # 6 h: 10 mm, of which 4 mm are known to have fallen in one hour; by hand 6 mm over the other five.
    rain = hourly_rain(*sums(h2=(4.0, 1), h5=(10.0, 6)))
    np.testing.assert_allclose(rain[:6], [1.2, 1.2, 4.0, 1.2, 1.2, 1.2])


def test_long_sum_over_known_hours_is_not_counted_again() -> None:
    # 24 h sum of 8 mm over 6 h sums of 2 mm each.
    depth, period = sums(h5=(2.0, 6), h11=(2.0, 6), h17=(2.0, 6))
    depth[23], period[23] = 8.0, 24
    assert hourly_rain(depth, period).sum() == pytest.approx(8.0)


def test_sum_smaller_than_its_parts_adds_nothing() -> None:
    rain = hourly_rain(*sums(h2=(4.0, 1), h5=(3.0, 6)))
    assert np.nansum(rain) == 4.0


def test_dry_sum_makes_its_hours_known() -> None:
    np.testing.assert_array_equal(hourly_rain(*sums(h5=(0.0, 6)))[:6], 0.0)


@pytest.mark.parametrize("period", [0, 25, 99])
def test_unknown_period_gives_nothing(period: int) -> None:
    assert np.isnan(hourly_rain(*sums(h5=(3.0, period)))).all()


def test_first_sum_reaches_back_round_the_year() -> None:
    rain = hourly_rain(*sums(h1=(3.0, 3)))
    np.testing.assert_array_equal(rain[[23, 0, 1]], 1.0)


@pytest.mark.slow
@settings(max_examples=40)
@given(
    true_tenths=st.lists(st.integers(0, 300), min_size=48, max_size=48),
    windows=st.lists(st.tuples(st.sampled_from([1, 3, 6]), st.integers(0, 47)), max_size=15),
)
def test_rain_of_a_day_is_kept_whatever_sums_lie_within_it(
    true_tenths: list[int], windows: list[tuple[int, int]]
) -> None:
    true = np.array(true_tenths) / 10
    depth, period = np.full(48, np.nan), np.full(48, np.nan)
    for hours, place in [*windows, (24, 0), (24, 24)]:
        end = place // hours * hours + hours - 1  # as at weather stations, each lies within the next longer
        depth[end], period[end] = true[end - hours + 1 : end + 1].sum(), hours
    rain = hourly_rain(depth, period)
    assert (rain >= 0).all()
    np.testing.assert_allclose(rain.reshape(2, 24).sum(axis=1), true.reshape(2, 24).sum(axis=1), atol=1e-9)
