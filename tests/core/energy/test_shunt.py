"""Damaged shunts: the single-diode example, and the laws of the table that is made from it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.shunt import full_sun_loss, low_light_factor, module_power
from aftersun.model.weather import WeatherYear

losses = st.floats(0, 1)
lights = st.floats(0, 1400)


def factor(irradiance: float | np.ndarray, loss: float) -> np.ndarray:
    light = np.atleast_1d(np.asarray(irradiance, dtype=np.float32))
    return low_light_factor(light[None], np.array([loss]))[0]


@pytest.mark.parametrize(
    ("irradiance", "shunt_ohm", "watts"), [(1000, 300, 312.4), (1000, 30, 279.5), (200, 300, 58.4), (200, 30, 29.5)]
)
def test_power_of_the_example_module(irradiance: float, shunt_ohm: float, watts: float) -> None:
    # 60 cells: 10 A, 0.25 ohm, nNsVth 1.619 V, I0 = 10 A / (exp(40.5/1.619) - 1), pvlib's single-diode functions
    assert module_power(irradiance, shunt_ohm) == pytest.approx(watts, abs=0.2)


def test_power_against_the_diode_equation_itself() -> None:
    # With the diode's voltage given, current and voltage at the terminals follow without solving anything
    diode = np.linspace(0, 41, 400_001)
    current = 0.3 * 10 - 10 / np.expm1(40.5 / 1.619) * np.expm1(diode / 1.619) - diode / 60.0
    assert module_power(300.0, 60.0) == pytest.approx((current * (diode - 0.25 * current)).max(), rel=1e-6)


def test_a_tenth_in_full_sun_is_half_in_low_light() -> None:
    # The same example: 300 -> 30 ohm costs 10.5 % at 1000 W/m2 and 49.5 % at 200 W/m2
    assert (1 - 0.10534) * factor(200, 0.10534) == pytest.approx([1 - 0.49502], abs=0.002)


@given(losses)
def test_in_full_sun_nothing_is_added(loss: float) -> None:
    assert factor(1000, loss) == pytest.approx([1.0], abs=1e-6)


@given(lights)
def test_without_a_loss_nothing_changes_at_all(light: float) -> None:
    assert factor(light, 0.0)[0] == 1.0


@given(st.lists(lights, min_size=2, max_size=30), losses)
def test_the_less_light_the_more_is_lost(light: list[float], loss: float) -> None:
    left = factor(np.sort(light), loss)
    assert (np.diff(left) >= -1e-6).all()
    assert (left > 0).all()
    assert (left < 1.5).all()  # stronger light than full sun loses less than the share of full sun


@given(lights, losses, losses, st.floats(0, 1))
def test_more_excess_loss_always_leaves_less(light: float, one: float, other: float, share: float) -> None:
    less, more = sorted([one, other])
    left = [(1 - loss) * factor(light, loss * share)[0] for loss in (less, more)]
    assert left[1] <= left[0] + 1e-6
    assert 0 <= left[1] <= 1 + 1e-6


@settings(max_examples=30)
@given(st.floats(60, 1400), st.floats(3, 290))
def test_the_table_is_fine_enough(light: float, shunt_ohm: float) -> None:
    left = [module_power(at, shunt_ohm) / module_power(at, 300.0) for at in (light, 1000.0)]
    assert (left[1] * factor(light, float(1 - left[1]))[0]) == pytest.approx(left[0], abs=0.006)


@settings(max_examples=20)
@given(st.floats(0.001, 0.8), st.just(0.0) | st.floats(0.001, 1))
def test_the_loss_of_a_year_is_kept(weather: WeatherYear, year_loss: float, share: float) -> None:
    light = weather.ghi[weather.ghi > 0].astype(np.float32)[None]
    full = full_sun_loss(light, light, np.array([year_loss]), np.array([share]))
    left = (1 - full[0]) * low_light_factor(light, full * share)
    assert (light * left).sum() / light.sum() == pytest.approx(1 - year_loss, abs=0.003)
    assert full[0] <= 1.003 * year_loss  # a shunt takes more of a year than of the full sun


def test_low_light_is_lost_in_the_balance(make_cohort: Any) -> None:
    cohort = make_cohort(*[{"birds_seen": False, "inverter_rating_kw": 9.0}] * 3)
    plant = baseline(cohort).replace(excess_loss=np.array([0.1, 0.1, 0.0]), shunt_share=np.array([0.0, 1.0, 1.0]))
    even, shunted, sound = simulate(cohort, plant).generated
    bright, dim = sound > 3.0, (sound > 0.1) & (sound < 0.5)
    assert (even[bright] / sound[bright]).mean() == pytest.approx(0.9, abs=0.01)
    assert (shunted[bright] / sound[bright]).mean() == pytest.approx(0.9, abs=0.02)
    assert (shunted[dim] / sound[dim]).mean() < 0.6
    assert 1.8 < (1 - shunted.sum() / sound.sum()) / (1 - even.sum() / sound.sum()) < 2.8


def test_without_shunts_the_bits_are_those_of_a_constant_factor(make_cohort: Any) -> None:
    row = {"measured_excess_loss": 0.2, "cell_type": "p-type crystalline"}
    cohort = make_cohort(row, row)
    plant = baseline(cohort).replace(excess_loss=np.array([0.2, 0.2]), shunt_share=np.array([0.0, 1.0]))
    even = baseline(cohort).replace(excess_loss=np.array([0.2, 0.2]), shunt_share=np.zeros(2))
    assert np.array_equal(simulate(cohort, plant).generated[0], simulate(cohort, even).generated[0])
    assert not np.array_equal(simulate(cohort, plant).generated[1], simulate(cohort, even).generated[1])


def test_a_measured_share_of_the_output_is_what_the_year_loses(make_cohort: Any) -> None:
    facts = {"inverter_rating_kw": 9.0, "birds_seen": False}
    cohort = make_cohort(*({**facts, "measured_excess_loss": loss} for loss in (0.0, 0.05, 0.2, 0.5)))
    generated = simulate(cohort, baseline(cohort)).annual("generated")
    assert 1 - generated[1:] / generated[0] == pytest.approx([0.05, 0.2, 0.5], rel=0.04)
    certain = replace(cohort, overrides={"shunt_share": 1.0})
    generated = simulate(certain, baseline(certain)).annual("generated")
    assert 1 - generated[1:] / generated[0] == pytest.approx([0.05, 0.2, 0.5], rel=0.06)
