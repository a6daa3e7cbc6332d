"""A site's own load from its three meters."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from readings_support import from_hours

from aftersun.energy.balance import household_load, simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.readings.own_load import hourly_load, own_demand_kwh, own_load_shape, with_own_load
from aftersun.energy.readings.quality import Checked, check_readings
from aftersun.model.cohort import Cohort

METERS = {"production": "generated", "import": "imported", "export": "exported"}


@pytest.fixture(scope="module")
def homes(make_cohort: Any) -> Cohort:
    """Two homes of 4 kW that use the standard shape as far as anybody knows."""
    return make_cohort({"annual_demand_kwh": 4000.0}, {"annual_demand_kwh": 4000.0})


@pytest.fixture(scope="module")
def evening(homes: Cohort) -> np.ndarray:
    """An own shape: busy evenings, Saturdays more, winter more."""
    times = homes.weather.times
    shape = np.where((times.hour >= 18) & (times.hour < 22), 1.0, 0.2)
    shape *= np.where(times.day_of_week == 5, 1.4, 1.0) * np.where(times.month.isin([12, 1, 2]), 1.5, 1.0)
    return shape / shape.sum()


@pytest.fixture(scope="module")
def metered(homes: Cohort, evening: np.ndarray) -> dict[str, np.ndarray]:
    """What the meters of the first home show in the typical year."""
    own = replace(homes, load_shapes=evening[None, :], sites=homes.sites.assign(load_shape=0))
    energy = simulate(own, baseline(own))
    return {meter: getattr(energy, name)[0].astype(np.float64) for meter, name in METERS.items()}


def checked(
    homes: Cohort, metered: dict[str, np.ndarray], freq: str, first: str, last: str, shift: str = "0h"
) -> Checked:
    rows = pd.concat([from_hours("S0", meter, hourly, freq, first, last) for meter, hourly in metered.items()])
    moved = rows.assign(**{name: rows[name] + pd.Timedelta(shift) for name in ("starts_at", "ends_at")})
    return check_readings(homes, moved)


# The typical year begins on a Monday, as 2018 does: then days of the week agree.
@pytest.mark.parametrize("freq", ["30min", "h"])
@pytest.mark.slow
def test_own_shape_comes_back(homes: Cohort, evening: np.ndarray, metered: dict[str, np.ndarray], freq: str) -> None:
    readings = checked(homes, metered, freq, "2018-01-01", "2019-01-01")
    shape = own_load_shape(readings.intervals, homes.weather.times)
    assert shape is not None
    assert shape.shape == (8760,)
    assert shape.sum() == pytest.approx(1)
    # Christmas Eve and New Year's Eve count as Saturdays here, unlike in the planted shape
    assert np.abs(shape - evening).sum() < 0.02
    assert own_demand_kwh(readings.intervals) == pytest.approx(4000, rel=1e-4)


@pytest.mark.slow
def test_300_days_with_all_three_meters_are_needed(homes: Cohort, metered: dict[str, np.ndarray]) -> None:
    times = homes.weather.times
    readings = checked(homes, metered, "h", "2018-01-01", "2018-11-01")
    assert own_load_shape(readings.intervals, times) is not None  # 304 days; the missing months take the mean ones
    assert own_load_shape(readings.intervals[readings.intervals["starts_at"] < "2018-10-20"], times) is None
    assert own_load_shape(readings.intervals[readings.intervals["meter"] != "export"], times) is None
    assert np.isnan(own_demand_kwh(readings.intervals))  # no whole year
    days = checked(homes, metered, "D", "2018-01-01", "2019-01-01")
    assert own_load_shape(days.intervals, times) is None
    assert own_demand_kwh(days.intervals) == pytest.approx(4000, rel=1e-4)
    assert own_load_shape(days.intervals.iloc[:0], times) is None


def test_meters_that_contradict_each_other_are_not_used(homes: Cohort, metered: dict[str, np.ndarray]) -> None:
    swapped = metered | {"import": metered["export"], "export": metered["import"]}
    readings = checked(homes, swapped, "h", "2018-01-01", "2019-01-01")
    assert (hourly_load(readings.intervals) < 0).mean() > 0.1
    assert own_load_shape(readings.intervals, homes.weather.times) is None


def test_demand_is_that_of_the_last_whole_years(homes: Cohort, metered: dict[str, np.ndarray]) -> None:
    doubled = {meter: 2 * hourly for meter, hourly in metered.items()}
    before = checked(homes, metered, "MS", "2017-07-01", "2018-01-01").intervals
    after = checked(homes, doubled, "MS", "2018-01-01", "2019-01-01").intervals
    assert own_demand_kwh(pd.concat([before, after], ignore_index=True)) == pytest.approx(8000, rel=1e-3)


@pytest.mark.slow
def test_cohort_takes_the_own_shape_and_demand(
    homes: Cohort, evening: np.ndarray, metered: dict[str, np.ndarray]
) -> None:
    guessed = replace(homes, sites=homes.sites.assign(annual_demand_kwh=pd.array([2500.0, 4000.0], dtype="Float64")))
    cohort = with_own_load(guessed, checked(homes, metered, "h", "2018-01-01", "2019-01-01"))
    assert cohort.sites["load_shape"].tolist() == [len(homes.load_shapes), 0]
    assert cohort.sites["annual_demand_kwh"].tolist() == pytest.approx([4000, 4000], rel=1e-4)
    assert cohort.load_shapes.shape == (len(homes.load_shapes) + 1, 8760)
    assert (cohort.load_shapes[:-1] == homes.load_shapes).all()
    load = household_load(cohort, baseline(cohort))
    assert np.abs(load[0] - 4000 * evening).sum() < 0.02 * 4000
    assert (load[1] == household_load(homes, baseline(homes))[1]).all()
    used = simulate(cohort, baseline(cohort)).annual("used")[0]
    assert used == pytest.approx((metered["production"] - metered["export"]).sum(), rel=0.01)


def test_a_doubted_clock_keeps_the_standard_shape(homes: Cohort, metered: dict[str, np.ndarray]) -> None:
    late = checked(homes, metered, "h", "2018-01-01", "2019-01-01", shift="2h")
    cohort = with_own_load(homes, late)
    assert cohort.sites["load_shape"].tolist() == [0, 0]
