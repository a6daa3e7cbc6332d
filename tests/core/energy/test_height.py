"""Air is colder on the hill than at the weather station in the valley, by the standard atmosphere (ICAO Doc 7488)."""

from __future__ import annotations

import numpy as np
import pytest

from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.planes import plant_hours
from aftersun.testing import sample_cohort


def hours_at(weather, *elevations_m):
    cohort = sample_cohort(*({"elevation_m": one} for one in elevations_m), weather=weather)
    return plant_hours(cohort, baseline(cohort))


def test_cells_are_colder_by_the_lapse_rate_and_see_the_same_light(weather):
    """15 degC at sea level and 8.5 degC at 1,000 m (table of the standard atmosphere)."""
    here = weather.station.elevation_m
    hours = hours_at(weather, here, here + 1000.0, here - 400.0, None)
    level, above, below, unknown = hours.cell_temp
    assert above - level == pytest.approx(8.5 - 15.0, abs=1e-3)
    assert below - level == pytest.approx(0.4 * 6.5, abs=1e-3)
    np.testing.assert_array_equal(unknown, level)
    np.testing.assert_array_equal(hours.poa[0], hours.poa[1])


def test_a_kilometre_up_is_worth_what_the_temperature_coefficient_says(weather):
    """6.5 K times 0.4 %/K, the coefficient where none is known, is 2.6 % at the modules; inverters bend it little."""
    here = weather.station.elevation_m
    cohort = sample_cohort({"elevation_m": here}, {"elevation_m": here + 1000.0}, weather=weather)
    made = simulate(cohort, baseline(cohort)).generated.sum(axis=1)
    assert made[1] / made[0] - 1 == pytest.approx(0.026, abs=0.003)
