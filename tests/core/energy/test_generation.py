"""From light to AC: the inverter model, parts of a cohort, and the year's sum without the balance."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pvlib import inverter

from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.generation import ac_before_stops, annual_generation, before_losses, cell_temp, inverter_load
from aftersun.energy.planes import PlaneHours, cell_temperature
from aftersun.model.cohort import Horizon
from aftersun.model.plant import Plant


@pytest.fixture(scope="module")
def plant(make_cohort: Any) -> Plant:
    return baseline(make_cohort({}))


@given(st.just(0.0) | st.floats(1e-6, 10), st.floats(0.1, 50), st.floats(0.5, 1))
def test_the_inverter_is_that_of_pvlib(plant: Plant, load: float, rating: float, efficiency: float) -> None:
    dc = load * rating / efficiency
    part = plant.replace(inverter_rating_kw=np.array([rating]), inverter_efficiency=np.array([efficiency]))
    expected = inverter.pvwatts(np.array([dc]), rating / efficiency, eta_inv_nom=efficiency)
    steady = np.array([1e-6], dtype=np.float32)
    found = ac_before_stops(inverter_load(np.array([[dc]], dtype=np.float32), part, steady), part)
    assert found[0] == pytest.approx(expected, rel=2e-6, abs=1e-6 * rating)


def test_an_inverter_far_too_small_runs_at_its_rating(plant: Plant) -> None:
    part = plant.replace(inverter_rating_kw=np.array([0.1]))
    load = inverter_load(np.array([[100.0]], dtype=np.float32), part, np.array([0.8], dtype=np.float32))
    assert ac_before_stops(load, part)[0, 0] == pytest.approx(0.1)


def test_without_an_inverter_nothing_comes_out(make_cohort: Any) -> None:
    cohort = make_cohort({})
    assert annual_generation(cohort, baseline(cohort).replace(inverter_rating_kw=np.zeros(1)))[0] < 1e-4


def test_the_years_sum_is_that_of_the_balance(make_cohort: Any) -> None:
    rows = [{"site_id": f"S{n}", "arrays": [{"tilt_deg": 5.0 * (n % 7)}] * (n % 3)} for n in range(40)]
    cohort = replace(make_cohort(*rows), horizons={"S7": Horizon((180.0,), (20.0,))})
    plant = baseline(cohort)
    np.testing.assert_allclose(
        annual_generation(cohort, plant), simulate(cohort, plant).annual("generated"), rtol=1e-12
    )


def test_an_extra_temperature_is_that_of_full_sun_and_falls_with_the_light(plant: Plant) -> None:
    # pvlib, Sandia set open_rack_glass_polymer: 20 degC air, 1 m/s and 1000 W/m2 give 49.38 degC; King et al. 2004
    poa = np.array([[1000.0, 500.0, 0.0]])
    cells = cell_temperature(poa, np.full(3, 20.0), np.ones(3), ["ground frame"])
    part = plant.replace(extra_temp_k=np.array([9.0]))
    warmer = cell_temp(PlaneHours(poa, poa, cells), part)
    assert warmer[0, 0] == pytest.approx(58.38, abs=0.01)
    assert warmer - cells == pytest.approx(np.array([[9.0, 4.5, 0.0]]), abs=1e-4)


def test_dc_output_by_hand(plant: Plant) -> None:
    # NREL/TP-6A20-62641, equation 8: 4 kW x 0.8 x (1 - 0.005 (45 - 25)) = 2.88 kW
    part = plant.replace(dc_rating_kw=np.array([4.0]), temp_coefficient_per_k=np.array([-0.005]))
    hours = PlaneHours(*np.array([[[900.0]], [[800.0]], [[45.0]]], dtype=np.float32))
    assert before_losses(hours, hours.cell_temp, part)[0, 0] == pytest.approx(2.88, rel=1e-6)
