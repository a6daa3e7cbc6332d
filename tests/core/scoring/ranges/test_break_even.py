"""Where the advice turns, against scipy's root finder on the same straight lines and on the simulation itself."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from aftersun.scoring.ranges.break_even import driver_rows, flips_at
from aftersun.scoring.ranges.drivers import TRIANGULAR, Driver, Parts

MONEY = st.floats(-1e5, 1e5).map(lambda value: round(value, 2))


def one(value: float) -> np.ndarray:
    return np.array([value])


def test_a_line_through_nothing_by_hand() -> None:
    # worth -300 at 8 years, 100 at 12, 500 at 20: between 8 and 12 it rises by 100 a year and is 0 at 11
    assert flips_at(8, 12, 20, one(-300), one(100), one(500)) == pytest.approx([11.0])
    # a loss of 50 at 12 that grows below: 0 between 12 and 20, at 12 + 8 x 50 / 550
    assert flips_at(8, 12, 20, one(-300), one(-50), one(500)) == pytest.approx([12 + 8 * 50 / 550])


def test_what_never_turns_has_no_break_even() -> None:
    assert np.isnan(flips_at(0, 1, 2, one(5), one(6), one(7)))[0]
    assert np.isnan(flips_at(0, 1, 2, one(-5), one(-6), one(-7)))[0]


@given(MONEY, MONEY, MONEY, st.floats(0.05, 0.95))
def test_it_is_the_root_that_scipy_finds(at_low: float, at_used: float, at_high: float, used: float) -> None:
    found = flips_at(0.0, used, 1.0, one(at_low), one(at_used), one(at_high))[0]

    def worth(value: float) -> float:
        return float(np.interp(value, [0.0, used, 1.0], [at_low, at_used, at_high]))

    sides = [end for end, npv in ((0.0, at_low), (1.0, at_high)) if (npv > 0) != (at_used > 0)]
    if not sides:
        assert np.isnan(found)
        return
    if at_used == 0:
        assert worth(found) == pytest.approx(0.0, abs=1e-6)
        return
    roots = [brentq(worth, *sorted((used, end)), xtol=1e-12) for end in sides]
    nearest = min(roots, key=lambda root: abs(root - used))
    assert abs(found - used) == pytest.approx(abs(nearest - used), abs=1e-6)


def test_the_strongest_come_first_and_what_moves_nothing_is_left_out() -> None:
    zero = np.zeros(2)

    def driver(name: str, low: list[float], high: list[float]) -> Driver:
        ends = Parts(np.array(low), zero, zero, zero), Parts(np.array(high), zero, zero, zero)
        return Driver(name, "a", 1.0, 2.0, 3.0, TRIANGULAR, True, *ends, "what it means")

    found = [
        driver("weak", [9, 10], [11, 10]),
        driver("strong", [-10, 4], [30, 16]),
        driver("dead", [10, 10], [10, 10]),
    ]
    rows = driver_rows("mesh", pd.Index(["A", "B"]), np.array([True, True]), found, np.array([10.0, 10.0]))
    assert list(zip(rows["site_id"], rows["name"], strict=True)) == [("A", "strong"), ("A", "weak"), ("B", "strong")]
    assert rows["turns"].tolist() == [True, False, False]
    assert rows["flips_at"].iloc[0] == pytest.approx(1.5)
    assert driver_rows("mesh", pd.Index(["A", "B"]), np.array([False, True]), found, np.array([10.0, 10.0]))[
        "site_id"
    ].tolist() == ["B"]
