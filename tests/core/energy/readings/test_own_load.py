"""A site's own load from its three meters."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from readings_support import from_hours, grid, readings

from aftersun.energy.balance import household_load, simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.readings.calibration import fitted_baseline
from aftersun.energy.readings.own_load import hourly_load, own_demand_kwh, own_load, with_own_load, yearly_kwh
from aftersun.energy.readings.quality import Checked, check_readings
from aftersun.model.codes import Untold
from aftersun.model.cohort import Cohort
from aftersun.scoring.offers.site_tables import with_balance

METERS = {"production": "generated", "import": "imported", "export": "exported"}
METER_KWH = (("import", 0.3), ("export", 0.1))  # an hour


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
    own = own_load(readings.intervals, homes.weather)
    assert own is not None
    shape = own.shape
    assert shape.shape == (8760,)
    assert shape.sum() == pytest.approx(1)
    # Christmas Eve and New Year's Eve count as Saturdays here, unlike in the planted shape
    assert np.abs(shape - evening).sum() < 0.02
    assert own_demand_kwh(readings.intervals) == pytest.approx(4000, rel=1e-4)


@pytest.mark.slow
def test_300_days_with_all_three_meters_are_needed(homes: Cohort, metered: dict[str, np.ndarray]) -> None:
    year = homes.weather
    readings = checked(homes, metered, "h", "2018-01-01", "2018-11-01")
    assert own_load(readings.intervals, year) is not None  # 304 days; the missing months take the mean ones
    assert own_load(readings.intervals[readings.intervals["starts_at"] < "2018-10-20"], year) is None
    assert own_load(readings.intervals[readings.intervals["meter"] != "export"], year) is None
    assert np.isnan(own_demand_kwh(readings.intervals))  # no whole year
    days = checked(homes, metered, "D", "2018-01-01", "2019-01-01")
    assert own_load(days.intervals, year) is None
    assert own_demand_kwh(days.intervals) == pytest.approx(4000, rel=1e-4)
    assert own_load(days.intervals.iloc[:0], year) is None


def test_meters_that_contradict_each_other_are_not_used(homes: Cohort, metered: dict[str, np.ndarray]) -> None:
    swapped = metered | {"import": metered["export"], "export": metered["import"]}
    readings = checked(homes, swapped, "h", "2018-01-01", "2019-01-01")
    assert (hourly_load(readings.intervals) < 0).mean() > 0.1
    assert own_load(readings.intervals, homes.weather) is None


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


def minutes_of_a_home(kind: str, rng: np.random.Generator) -> np.ndarray:
    """Electricity of each minute of a year in kW (525600,), appliance by appliance; nothing here is the program's.

    A fridge and what always runs, lights in the evening, and machines of 0.5 to 2.5 kW that run for some minutes at
    random, more on weekends; at an "even" home most runs all day, at a "spiky" one nearly all is machines.
    """
    hour = np.arange(525600) // 60 % 24
    weekend = np.arange(525600) // 1440 % 7 >= 5
    load = np.full(525600, {"even": 0.35, "usual": 0.13, "spiky": 0.04}[kind])
    load += 0.08 * (np.arange(525600) % 45 < 15)
    load += 0.15 * ((hour >= 18) & (hour < 23))
    daytime = np.isin(hour, [6, 7, 11, 12, 13, 17, 18, 19, 20, 21])
    for kw, minutes, a_day in ((2.2, 4, 5.0), (1.0, 25, 0.8), (2.4, 12, 0.8), (0.5, 60, 0.6)):
        few = {"even": 0.4, "usual": 1.0, "spiky": 1.3}[kind]
        chance = few * a_day / 600 * daytime * np.where(weekend, 1.3, 0.9)
        for start in np.flatnonzero(rng.random(525600) < chance):
            load[start : start + minutes] += kw
    return load


@pytest.mark.parametrize("kw", [1.0, 2.0, 4.0])
@pytest.mark.parametrize("kind", ["even", "usual", "spiky"])
@pytest.mark.slow
def test_computed_import_and_export_are_those_of_the_meters(make_cohort: Any, kind: str, kw: float) -> None:
    """Within 3 % over the year and in each month that counts, at homes made minute by minute and metered by half hours.

    The days of the readings come in another order than those of the typical year; a month that has little of either
    may be off by as much of a mean month.
    """
    rng = np.random.default_rng(7)
    cohort = make_cohort({"arrays": [{"dc_rating_kw": kw}], "inverter_rating_kw": kw})
    made = simulate(cohort, baseline(cohort)).generated[0].astype(np.float64).reshape(365, 24)
    month = cohort.weather.times.month[::24].to_numpy()
    mixed = np.concatenate([rng.permutation(np.flatnonzero(month == number)) for number in range(1, 13)])
    output = np.repeat(made[mixed].ravel(), 60) * np.clip(rng.normal(1.0, 0.15, 525600), 0.0, None)
    load = minutes_of_a_home(kind, rng)
    halves = {
        "production": output,
        "import": np.maximum(load - output, 0.0),
        "export": np.maximum(output - load, 0.0),
    }
    starts, ends = grid("30min", "2018-01-01", "2019-01-01")
    rows = pd.concat(
        [readings("S0", meter, starts, ends, one.reshape(-1, 30).mean(axis=1) / 2) for meter, one in halves.items()]
    )
    fitted = with_own_load(cohort, check_readings(cohort, rows))
    assert fitted.sites["own_evenness"].notna().all()
    year = simulate(fitted, baseline(fitted))
    for meter, name in (("import", "imported"), ("export", "exported")):
        by_month = np.bincount(np.repeat(month, 24) - 1, halves[meter].reshape(-1, 60).mean(axis=1))
        found = year.monthly(name)[0]
        assert found.sum() == pytest.approx(by_month.sum(), rel=0.03), meter
        np.testing.assert_allclose(found, by_month, rtol=0.03, atol=0.03 * by_month.mean(), err_msg=meter)


def test_what_meters_show_of_a_year_is_that_of_the_last_whole_ones(homes: Cohort) -> None:
    rows = [from_hours("S0", meter, np.full(8760, kwh), "MS", "2017-01-01", "2018-07-01") for meter, kwh in METER_KWH]
    assert yearly_kwh(check_readings(homes, pd.concat(rows)).intervals, ("import", "export")) == pytest.approx(
        {"import": 2628.0, "export": 876.0}, rel=1e-3
    )


@pytest.mark.slow
def test_a_battery_keeps_what_is_usual(homes: Cohort, metered: dict[str, np.ndarray]) -> None:
    stored = replace(homes, sites=homes.sites.assign(battery_kwh=pd.array([5.0, 0.0], dtype="Float64")))
    cohort = with_own_load(stored, checked(stored, metered, "h", "2018-01-01", "2019-01-01"))
    assert cohort.sites["load_shape"].tolist() == [0, 0]
    assert cohort.sites["own_evenness"].isna().all()


@pytest.mark.slow
def test_import_that_is_not_what_is_computed_is_a_finding(homes: Cohort) -> None:
    """The meters of one home agree with what is computed; at the other import and export count half, as with a phase
    that the meter misses.
    """
    sound = simulate(homes, baseline(homes))
    metered = {meter: getattr(sound, name)[0].astype(np.float64) for meter, name in METERS.items()}
    halved = {meter: hourly * (1.0 if meter == "production" else 0.5) for meter, hourly in metered.items()}
    rows = pd.concat(
        [
            from_hours(site, meter, hourly, "MS", "2018-01-01", "2019-01-01")
            for site, meters in (("S0", metered), ("S1", halved))
            for meter, hourly in meters.items()
        ]
    )
    told = homes.sites.assign(annual_demand_kwh=pd.array([4000.0, 4000.0], dtype="Float64"))
    fit = fitted_baseline(replace(homes, sites=told), rows)
    year = simulate(fit.cohort, fit.plant)
    standing = SimpleNamespace(yearly_kwh={name: year.annual(name) for name in ("imported", "exported")})
    evidence = with_balance(fit.calibration.evidence.reset_index(names="site_id"), standing, fit)
    assert evidence["metered_import_kwh"].tolist() == pytest.approx(
        [metered["import"].sum(), metered["import"].sum() / 2], rel=1e-6
    )
    assert [Untold.OTHER_BALANCE in codes for codes in evidence["remarks"]] == [False, True]
