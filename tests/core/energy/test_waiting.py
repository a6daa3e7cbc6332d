"""Loads that can wait: each hour by a plain loop over a day, and no kWh used twice."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from aftersun import api
from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.demand import day_type
from aftersun.testing import sample_cohort

CAR = {"waiting_kwh_per_day": 7.0, "waiting_kw": 3.7, "waiting_least_kw": 1.4}
COMMUTER = {"waiting_from_hour": 17.0, "waiting_until_hour": 8.0}


def with_load(plant: api.Plant, **columns: float) -> api.Plant:
    size = len(plant.demand_kwh)
    return plant.replace(**{name: np.full(size, float(value)) for name, value in {**CAR, **columns}.items()})


def by_hand(
    surplus: np.ndarray, weekend: np.ndarray, come: int, gone: int, weekends: bool, waits: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Return what the car takes of the surplus and what it buys, by a loop over hours from the one it comes at."""
    used, bought = np.zeros(8760), np.zeros(8760)
    last = (gone - come) % 24 or 24
    for day in range(365):
        hours = [(24 * day + come + step) % 8760 for step in range(24)]
        may = [hour for step, hour in enumerate(hours) if step < last or (weekends and weekend[hour])]
        wanted = min(7.0, 3.7 * len(may))
        if waits:
            for hour in may:
                if surplus[hour] >= 1.4 and wanted > 0:
                    used[hour] = min(surplus[hour], 3.7, wanted)
                    wanted -= used[hour]
        for hour in reversed(may) if waits else may:
            more = min(3.7 - used[hour], wanted)
            at_once = min(more, surplus[hour] - used[hour])
            used[hour] += at_once
            bought[hour] = more - at_once
            wanted -= more
    return used, bought


@pytest.mark.parametrize("waits", [True, False])
@pytest.mark.parametrize(("come", "gone", "weekends"), [(17, 8, True), (17, 8, False), (0, 0, False), (9, 16, True)])
def test_each_hour_is_that_of_a_plain_loop(come: int, gone: int, weekends: bool, waits: bool) -> None:
    cohort = sample_cohort({"arrays": [{"dc_rating_kw": 8.0}], "inverter_rating_kw": 8.0})
    plant = baseline(cohort)
    loaded = with_load(
        plant,
        waiting_from_hour=come,
        waiting_until_hour=gone,
        waiting_at_weekends=weekends,
        waiting_for_surplus=waits,
    )
    before, after = simulate(cohort, plant), simulate(cohort, loaded)
    weekend = day_type(cohort.weather.times) > 0
    used, bought = by_hand(before.exported[0].astype(float), weekend, come, gone, weekends, waits)
    assert after.used[0] - before.used[0] == pytest.approx(used, abs=2e-5)
    assert after.imported[0] - before.imported[0] == pytest.approx(bought, abs=2e-5)
    assert used.sum() + bought.sum() == pytest.approx(365 * 7.0)
    if waits and come == 0:
        assert used.sum() > 0.6 * 365 * 7.0


def test_a_car_that_has_too_few_hours_takes_what_they_give() -> None:
    cohort = sample_cohort()
    plant = with_load(baseline(cohort), waiting_from_hour=2, waiting_until_hour=3)
    bought = simulate(cohort, plant).annual("imported") - simulate(cohort, baseline(cohort)).annual("imported")
    assert bought == pytest.approx(365 * 3.7)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    kwh=st.floats(0.0, 60.0),
    kw=st.floats(0.0, 22.0),
    come=st.integers(0, 24),
    gone=st.integers(0, 24),
    waits=st.sampled_from([0.0, 1.0]),
    battery=st.sampled_from([0.0, 6.0]),
    diverter=st.sampled_from([0.0, 3.0]),
    limit=st.sampled_from([np.inf, 2.0]),
)
def test_no_kwh_is_used_twice(
    kwh: float, kw: float, come: int, gone: int, waits: float, battery: float, diverter: float, limit: float
) -> None:
    """What is generated goes somewhere once, and what is used was generated or bought, with all devices together."""
    home = {"water_heat": "immersion", "water_store_litres": 200.0, "occupants": 4, "remaining_life_years": 20.0}
    cohort = sample_cohort({**home, "arrays": [{"dc_rating_kw": 8.0}], "inverter_rating_kw": 6.0})
    plant = baseline(cohort).replace(
        battery_kwh=np.array([battery]),
        battery_kw=np.array([battery / 2]),
        diverter_kw=np.array([diverter]),
        export_limit_kw=np.array([limit]),
    )
    columns = {"waiting_kwh_per_day": kwh, "waiting_kw": kw, "waiting_least_kw": 1.0, "waiting_for_surplus": waits}
    loaded = with_load(plant, **columns, waiting_from_hour=come, waiting_until_hour=gone, waiting_at_weekends=1.0)
    year, without = simulate(cohort, loaded), simulate(cohort, plant)
    for column in fields(year):
        assert getattr(year, column.name).min() >= -1e-4, column.name
    spent = year.used + year.to_water + year.exported + year.curtailed
    assert spent == pytest.approx(year.generated, abs=1e-3)
    assert np.array_equal(year.generated, without.generated)
    # of a day the load takes what it wants or what its hours allow, from the sun or the grid, whatever stands beside it
    if not battery and not diverter:
        more = (year.used + year.imported - without.used - without.imported).sum(dtype=float)
        assert more <= 365 * kwh * (1 + 1e-4) + 0.5
    # no more leaves the house than came in
    heat = year.water_backup.sum(dtype=float) if not diverter else 0.0
    assert year.imported.sum(dtype=float) + year.used.sum(dtype=float) >= plant.demand_kwh[0] + heat - 2.0
