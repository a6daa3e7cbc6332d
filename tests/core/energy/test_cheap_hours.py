"""Batteries that buy in cheap hours, and night heaters whose timer is set to the cheapest ones."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.battery import run_batteries, trade_hours
from aftersun.model.cohort import Cohort
from aftersun.model.price_times import PriceTables, cheapest_start
from aftersun.money.price_calendar import with_calendars
from aftersun.money.tariffs import yearly_bill
from aftersun.testing.builders import sample_cohort

COLUMNS = ["tariff_id", "period", "from_month", "until_month", "days", "from_hour", "until_hour"]
COLUMNS += ["import_price", "export_price"]
HOUR = np.arange(8760) % 24


def by_time(*periods: tuple[Any, ...], **known: Any) -> Cohort:
    """One home with periods of the day (name, from hour, until hour, import price) and otherwise 0.25 a kWh."""
    rows = [("T", name, 1, 12, "every day", begins, ends, price, None) for name, begins, ends, price in periods]
    cohort = sample_cohort({"tariff_id": "T", "import_price": 0.25, "export_price": 0.05, **known})
    sites = cohort.sites.assign(country=None, time_zone=None)
    tables = PriceTables(pd.DataFrame(rows, columns=COLUMNS))
    sites, calendars = with_calendars(sites, tables, cohort.weather.times, 0.0)
    return replace(cohort, sites=sites, calendars=calendars)


def cost(cohort: Cohort) -> float:
    energy = simulate(cohort, baseline(cohort))
    return float(yearly_bill(energy, cohort.sites, cohort.weather.times, cohort.calendars).electricity[0])


def test_a_day_of_trade_by_hand() -> None:
    """No sun, 1 kWh used in each hour; 0.10 from 0 to 5, 0.40 from 17 to 21, else 0.25; 4 kWh, 2 kW, 80 % come back."""
    price = np.where(HOUR < 5, 0.10, np.where((HOUR >= 17) & (HOUR < 21), 0.40, 0.25))[None]
    nothing, load = np.zeros((2, 1, 8760), dtype=np.float32), np.ones((1, 8760), dtype=np.float32)
    bought, saved = trade_hours(nothing[0], nothing[1], load, price, np.array([4.0]), np.array([2.0]), 0.8)
    # full is full: 5 kWh are bought for the 4 that come back, 2 in the first two hours and 1 in the third
    assert bought.reshape(365, 24)[100].tolist() == pytest.approx([2, 2, 1] + [0] * 21)
    assert saved.reshape(365, 24)[100].tolist() == pytest.approx([0] * 17 + [1, 1, 1, 1] + [0] * 3)
    # a day costs 5 x 0.10 and saves 4 x 0.40
    assert ((saved - bought) * price).sum() == pytest.approx(365 * 1.10, rel=1e-6)


def test_nothing_is_bought_where_the_losses_cost_more_than_the_prices_differ() -> None:
    price = np.where(HOUR < 5, 0.20, 0.245)[None]  # 0.245 x 0.8 = 0.196
    nothing, load = np.zeros((2, 1, 8760), dtype=np.float32), np.ones((1, 8760), dtype=np.float32)
    bought, saved = trade_hours(nothing[0], nothing[1], load, price, np.array([4.0]), np.array([2.0]), 0.8)
    assert bought.sum() == saved.sum() == 0


@pytest.mark.parametrize(
    ("seed", "capacity", "power", "round_trip"),
    [(0, 0.5, 0.2, 0.6), (1, 20, 8, 0.98), (2, 20, 0.2, 0.6), (3, 0.5, 8, 0.98), (4, 5, 3, 0.8), (5, 13, 1, 0.9)],
)
def test_a_trade_never_costs_more_than_it_saves_and_no_battery_holds_more_than_it_can(
    seed: int, capacity: float, power: float, round_trip: float
) -> None:
    rng = np.random.default_rng(seed)
    daylight = (HOUR > 7) & (HOUR < 18)
    surplus = (rng.gamma(0.5, 2.0, (2, 8760)) * daylight).astype(np.float32)
    unmet = rng.gamma(0.7, 1.0, (2, 8760)).astype(np.float32)
    price = rng.choice([0.05, 0.12, 0.3, 0.6], (2, 8760)) + rng.normal(0, 0.02, (2, 8760))
    size, kw = np.full(2, capacity), np.full(2, power)
    taken, given_back = run_batteries(surplus, unmet, size, kw, round_trip, 0.0)
    bought, saved = trade_hours(taken, given_back, unmet - given_back, price, size, kw, round_trip)
    assert ((saved - bought) * price).sum(axis=1).min() > 0
    assert (bought.min(), saved.min()) >= (0, 0)
    held = np.cumsum(taken + bought - (given_back + saved) / round_trip, axis=1, dtype=np.float64)
    assert held.min() > -1e-2
    assert held.max() < capacity / round_trip + 1e-2
    assert (taken + bought).max() <= power + 1e-4
    assert (given_back + saved).max() <= power + 1e-4
    assert (saved <= unmet - given_back).all()
    assert not ((bought > 1e-6) & (saved + given_back > 1e-6)).any()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("begins", "hours", "cheap", "dear", "rule"),
    [
        (0, 8, 0.10, 0.40, "net billing"),
        (23, 3, 0.02, 0.26, "net billing with monthly cap"),
        (11, 5, 0.05, 0.90, "no export"),
        (2, 4, 0.24, 0.26, "net billing"),
        (0, 6, 0.10, 0.50, "net metering"),
        (22, 8, 0.12, 0.60, "gross feed-in"),
    ],
)
def test_a_battery_that_may_charge_from_the_grid_never_raises_the_bill(
    begins: int, hours: int, cheap: float, dear: float, rule: str
) -> None:
    evening = ("evening", (begins + 17) % 24, (begins + 20) % 24, dear)
    periods = (("cheap", begins, (begins + hours) % 24, cheap), evening)
    home = {"battery_kwh": 8.0, "annual_demand_kwh": 20000.0, "export_rule": rule}
    with_sun = by_time(*periods, **home)
    from_grid = by_time(*periods, **home, battery_charges_from_grid=True)
    before, after = cost(with_sun), cost(from_grid)
    assert after <= before + 0.01
    if rule in ("net billing", "no export") and cheap < 0.15:
        assert after < before - 1.0


def test_a_flat_price_leaves_a_battery_to_the_sun() -> None:
    home = {"battery_kwh": 8.0, "import_price": 0.3}
    one, other = sample_cohort(home), sample_cohort({**home, "battery_charges_from_grid": True})
    assert np.array_equal(simulate(one, baseline(one)).imported, simulate(other, baseline(other)).imported)


def test_the_cheapest_hours_on_end_may_run_over_midnight() -> None:
    day = np.full((2, 24), 0.3)
    day[0, [22, 23, 0, 1, 2]] = 0.1
    assert cheapest_start(day, 5).tolist() == [22, 0]  # of all alike the first


@pytest.mark.parametrize(("begins", "ends"), [(1, 6), (13, 18), (22, 3)])
def test_a_night_heater_heats_in_the_cheapest_hours(begins: int, ends: int) -> None:
    cohort = by_time(("cheap", begins, ends, 0.10), water_heat="night immersion", water_store_litres=200.0)
    plant = baseline(cohort).replace(demand_kwh=np.zeros(1), base_load_kw=np.zeros(1))
    energy = simulate(cohort, plant)
    heated = (energy.imported + energy.used)[0]  # nothing else uses any
    cheap = np.isin(HOUR, (begins + np.arange(5)) % 24)
    assert heated[cheap].sum() > 1000
    assert heated[~cheap].sum() == 0
