"""Trend from same months, its interval, and what another published method says of the same series."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from aftersun.energy.readings.trend import Trend, yearly_trend

SHARE = np.array([0.03, 0.05, 0.08, 0.10, 0.12, 0.13, 0.13, 0.12, 0.10, 0.07, 0.04, 0.03])  # of a year's output, 48 N
SD = 0.039 / np.sqrt(SHARE)  # Thevenard & Pelland 2013: 3.9 % from year to year, independent months


def series(years: int, per_year: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Middle, month and output over the computed of the months of some years, with a season, and their spread."""
    count = np.arange(12 * years)
    year, month = 2015 + (count + 0.5) / 12, count % 12
    ratio = (1 + 0.1 * np.cos(2 * np.pi * month / 12)) * (1 + per_year) ** (year - year.mean())
    return year, month + 1, ratio, SD[month]


def trend_of(year: np.ndarray, month: np.ndarray, ratio: np.ndarray, sd: np.ndarray) -> Trend:
    found = yearly_trend(year, month, np.zeros_like(month), ratio, sd)
    assert found is not None
    return found


def year_on_year(ratio: np.ndarray) -> float:
    """The rate by the method of D. C. Jordan et al., "Robust PV degradation methodology and application", IEEE J.
    Photovoltaics 8, 525-531, 2018: the median of all changes against the same time a year before."""
    changes = ratio[12:] / ratio[:-12] - 1
    return float(np.median(changes))


def test_a_season_is_no_trend_and_a_slope_comes_back() -> None:
    assert trend_of(*series(2, 0.0)).per_year == pytest.approx(0.0, abs=1e-12)
    year, month, ratio, sd = series(6, 0.0)
    assert trend_of(year, month, ratio - 0.03 * (year - year.mean()), sd).per_year == pytest.approx(-0.03)


def test_a_season_that_starts_in_autumn_is_none_either() -> None:
    year, month, ratio, sd = (column[7:-2] for column in series(4, 0.0))
    assert trend_of(year, month, ratio, sd).per_year == pytest.approx(0.0, abs=1e-12)


def test_the_interval_of_two_years_knows_the_weather_of_years() -> None:
    # by hand: the difference of two years, 4.8 % each, sqrt(2) x 0.048 = 6.79 %; Student's t of 5 degrees is 2.571
    found = trend_of(*series(2, -0.02))
    assert found.high - found.per_year == pytest.approx(2.571 * 0.0679, rel=0.06)
    assert not found.told


def test_the_spread_of_the_years_themselves_counts_the_more_the_longer_they_are() -> None:
    rng = np.random.default_rng(1)
    year, month, ratio, sd = series(12, 0.0)
    calm = trend_of(year, month, ratio, sd)
    wild = trend_of(year, month, ratio * (1 + 0.1 * rng.standard_normal(12)[np.arange(144) // 12]), sd)
    assert wild.high - wild.per_year > 1.8 * (calm.high - calm.per_year)


def test_months_are_compared_within_a_stretch_only() -> None:
    year, month, ratio, sd = series(4, 0.0)
    stretch = (np.arange(48) >= 30).astype(np.intp)
    stepped = np.where(stretch, 0.4 * ratio, ratio)
    found = yearly_trend(year, month, stretch, stepped, sd)
    assert found is not None
    assert found.per_year == pytest.approx(0.0, abs=1e-12)
    assert yearly_trend(year[:24], month[:24], (np.arange(24) >= 12).astype(np.intp), ratio[:24], sd[:24]) is None


def test_a_month_gone_wrong_does_not_carry_it_away() -> None:
    year, month, ratio, sd = series(5, -0.01)
    ratio[[50, 53]] = 0.1
    assert trend_of(year, month, ratio, sd).per_year == pytest.approx(-0.01, abs=0.004)


def in_weather(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Eight years at -2 % a year whose years and months deviate."""
    year, month, ratio, sd = series(8, -0.02)
    of_year = 1 + 0.04 * rng.standard_normal(8)[np.arange(96) // 12]
    return year, month, ratio * of_year * (1 + 0.3 * sd * rng.standard_normal(96)), sd


def test_it_agrees_with_the_median_of_changes_against_the_year_before() -> None:
    rng = np.random.default_rng(6)
    ours, theirs = [], []
    for _ in range(40):
        year, month, ratio, sd = in_weather(rng)
        found = trend_of(year, month, ratio, sd)
        ours.append(found.per_year)
        theirs.append(year_on_year(ratio))
        assert abs(theirs[-1] - ours[-1]) < 0.03  # neighbouring years alone: 4 % x sqrt(2) / 7 and more
    assert np.mean(ours) == pytest.approx(np.mean(theirs), abs=0.004)
    assert np.std(ours) < np.std(theirs)  # all pairs of a month tell more than neighbouring years


@pytest.mark.slow
@pytest.mark.filterwarnings("default")  # those of the library
def test_it_agrees_with_a_library_of_that_method() -> None:
    degradation = pytest.importorskip("rdtools.degradation")  # extra "peers"
    rng = np.random.default_rng(6)
    ours, theirs = [], []
    for _ in range(40):
        year, month, ratio, sd = in_weather(rng)
        ours.append(100 * trend_of(year, month, ratio, sd).per_year)
        of_months = pd.Series(ratio, pd.date_range("2015-01-01", periods=96, freq="MS"))
        theirs.append(degradation.degradation_year_on_year(of_months)[0])  # % a year
    assert np.mean(ours) == pytest.approx(np.mean(theirs), abs=0.4)
    assert np.mean(theirs) == pytest.approx(-2.0, abs=0.5)


@pytest.mark.slow
@pytest.mark.parametrize("years", [2, 3, 5])
def test_the_interval_holds_the_truth(years: int) -> None:
    rng = np.random.default_rng(years)
    held = 0
    for _ in range(200):
        year, month, ratio, sd = series(years, -0.005)
        of_year = rng.uniform(0.02, 0.035) * rng.standard_normal(years)  # beside that of independent months
        found = trend_of(
            year,
            month,
            ratio * (1 + of_year[np.arange(12 * years) // 12] + sd * rng.standard_normal(12 * years) * 0.8),
            sd,
        )
        assert found is not None
        held += found.low <= -0.005 <= found.high
    assert held >= 186  # of 200 at 95 %: 190 +- 3
