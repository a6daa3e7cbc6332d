"""Night bias brings back excess degradation where it is potential-induced, and nothing else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pvlib import pvsystem
from scipy.optimize import brentq

from aftersun import api
from aftersun.energy.shunt import low_light_factor
from aftersun.host.assumed import assumed
from aftersun.host.registry import Loaded, Registry
from aftersun.scoring.offers.chunk import score
from aftersun.testing import sample_cohort, sample_company, unknown_frame
from aftersun_retrofits.degradation_mitigation import (
    DegradationMitigation,
    growth_by_year,
    left_after_recovery,
    lightly_hit,
    recovered_by_year,
)

MITIGATION = DegradationMitigation()
PRONE = {
    "cell_type": "p-type crystalline",
    "inverter_topology": "transformerless",
    "humid_or_coastal": True,
    "measured_excess_loss": 0.10,
    "warranty_until": pd.Timestamp("2024-05-01"),
}


def changed(cohort: api.Cohort, **overrides: float) -> api.Change:
    return MITIGATION.change(cohort, api.baseline(cohort), assumed(MITIGATION, overrides, {}))


def verdict(build, **facts: object) -> str:
    return str(MITIGATION.screen(build({**PRONE, **facts})).status[0])


def test_recovery_in_the_first_years():
    # by hand, integral of 1 - exp(-t / tau): tau 40 d -> 1 - 40/365 (1 - e^-9.125) = 0.89042 in year 1
    assert recovered_by_year(40.0, 2) == pytest.approx([0.89042, 0.99999], abs=1e-5)
    # tau 365 d -> e^-1 = 0.36788, then 1 - (e^-1 - e^-2) = 0.76746
    assert recovered_by_year(365.0, 2) == pytest.approx([0.36788, 0.76746], abs=1e-5)


@given(st.floats(1, 2000), st.integers(1, 40))
def test_recovery_only_grows_and_never_passes_the_full_effect(tau, years):
    share = recovered_by_year(tau, years)
    assert share.shape == (years,)
    assert (np.diff(share) >= -1e-12).all()
    assert share[0] >= 0
    assert share[-1] <= 1


# --- how much comes back, and what of it is a shunt's


@given(loss=st.floats(0, 1), shunts=st.floats(0, 1), recovered=st.floats(0, 1))
def test_only_the_shunts_come_back(loss, shunts, recovered):
    left, share = (
        values[0] for values in left_after_recovery(np.array([loss]), np.array([shunts]), np.array([recovered]))
    )
    # the two parts by hand: (1 - R) s x of shunts, and the rest untouched
    assert left * share == pytest.approx((1 - recovered) * shunts * loss, abs=1e-12)
    assert left * (1 - share) == pytest.approx((1 - shunts) * loss, abs=1e-12)
    assert 0 <= share <= 1


def test_half_of_a_loss_of_a_tenth_by_hand():
    # x 0.10, s 0.5, R 0.8: 0.10 (1 - 0.4) = 0.06 is left, 0.01 of it shunts
    left, share = left_after_recovery(np.array([0.10]), np.array([0.5]), np.array([0.8]))
    assert left == pytest.approx([0.06])
    assert share == pytest.approx([1 / 6])


def power(shunt_ohm: float, irradiance: float) -> float:
    """A 60-cell module in pvlib's single-diode model: IL 10 A, Rs 0.25 ohm, nNsVth 1.619 V, Voc 40.5 V."""
    saturation = 10.0 / np.expm1(40.5 / 1.619)
    found = pvsystem.max_power_point(10.0 * irradiance / 1000, saturation, 0.25, shunt_ohm, 1.619)
    return float(found["p_mp"])


def test_the_reference_module():
    # worked with pvlib 0.16 singlediode: 312.4 / 279.5 W at 1000 W/m2 and 58.4 / 29.5 W at 200 W/m2 with 300 / 30 ohm
    assert [power(ohm, light) for light in (1000, 200) for ohm in (300, 30)] == pytest.approx(
        [312.4, 279.5, 58.4, 29.5], abs=0.2
    )


def share_left(loss: float, shunts: float, irradiance: float) -> float:
    """Share of a sound array's output in this light, by the model that the program runs."""
    light = np.array([[irradiance]], dtype=np.float32)
    return float(low_light_factor(light, np.array([loss * shunts]))[0, 0]) * (1 - loss)


def test_recovery_gives_back_what_the_single_diode_model_says():
    loss = 1 - 279.5 / 312.4
    left, share = left_after_recovery(np.array([loss]), np.array([1.0]), np.array([1.0]))
    gain = [share_left(left[0], share[0], light) / share_left(loss, 1.0, light) for light in (1000.0, 200.0)]
    assert gain == pytest.approx([312.4 / 279.5, 58.4 / 29.5], rel=0.01)  # 1.118 and 1.980


@pytest.mark.parametrize("recovered", [0.3, 0.5, 0.8])
def test_a_part_that_comes_back_is_a_module_of_higher_shunt_resistance(recovered):
    loss = 1 - power(30, 1000) / power(300, 1000)
    left, share = left_after_recovery(np.array([loss]), np.array([1.0]), np.array([recovered]))
    ohm = brentq(lambda ohm: 1 - power(ohm, 1000) / power(300, 1000) - left[0], 30, 300)
    assert share_left(left[0], share[0], 200.0) == pytest.approx(power(ohm, 200) / power(300, 200), rel=0.01)


def test_low_light_gains_more_than_full_sun_hour_by_hour(build):
    cohort = build({**PRONE, "inverter_rating_kw": 10.0})
    before = api.baseline(cohort)
    today, after = (api.hourly_generation(cohort, plant)[0] for plant in (before, changed(cohort).plant))
    low, high = today > 0.1 * today.max(), today > 0.8 * today.max()
    low &= today < 0.3 * today.max()
    assert after[low].sum() / today[low].sum() > 1.02 * after[high].sum() / today[high].sum()
    assert after[high].sum() > today[high].sum()


def test_loss_in_modules_that_recover_in_proportion():
    # by hand: at a loss of 0.2125 the last module has lost 4 x 0.2125 = 0.85, so below it all recover
    assert lightly_hit(np.array([0.0, 0.1, 0.2125]), 0.85) == pytest.approx([1, 1, 1])
    # 0.25: modules lose u = 0..1, mean 1/2; below 0.85 it is 0.85^2 / 2 of that: 0.7225
    assert lightly_hit(0.25, 0.85) == pytest.approx(0.7225)
    # 0.30: mean 0.6 = 1 - 1/(2k), k = 1.25; 0.7225 / (2 x 1.25) / 0.6 = 0.48167
    assert lightly_hit(0.30, 0.85) == pytest.approx(0.48167, abs=1e-5)
    assert lightly_hit(np.array([0.5, 0.8]), 0.85) == pytest.approx([0, 0], abs=1e-6)


@given(loss=st.floats(0.01, 0.49))
def test_loss_in_modules_that_recover_agrees_with_a_sum_over_the_string(loss):
    # the profile min(k u, 1), k found by bisection instead of the closed form
    place = (np.arange(4000) + 0.5) / 4000
    steepness = brentq(lambda k: np.minimum(k * place, 1).mean() - 2 * loss, 0.0, 1e4)
    modules = np.minimum(steepness * place, 1)
    assert lightly_hit(loss, 0.85) == pytest.approx(modules[modules <= 0.85].sum() / modules.sum(), abs=2e-3)


def test_a_very_large_loss_comes_back_in_a_small_part(build):
    whole = {"recoverable_share": 0.8, "severe_recoverable_share": 0.2, "reversible_chance": 1.0}
    parts = []
    for measured in (0.10, 0.80):
        cohort = build({**PRONE, "measured_excess_loss": measured})
        before, after = api.baseline(cohort), changed(cohort, **whole).plant
        parts.append(1 - (after.excess_loss * after.shunt_share / (before.excess_loss * before.shunt_share))[0])
    assert parts == pytest.approx([0.8, 0.2], abs=1e-6)


# --- over the years


def test_growth_that_the_device_prevents():
    # by hand, means of min(0.1 t, 0.25): 0.05, 0.15, (0.2 + 0.25)/2 x 0.5 + 0.25 x 0.5 = 0.2375, 0.25
    assert growth_by_year(0.1, 1.25, 4) == pytest.approx([0.05, 0.15, 0.2375, 0.25])
    assert growth_by_year(0.0, 1.25, 3) == pytest.approx([0, 0, 0])
    assert growth_by_year(0.1, np.array([1.0, 1.25]), 3)[0] == pytest.approx([0, 0, 0])


def test_fade_is_recovery_and_growth_prevented(build):
    young = {**PRONE, "commissioned_on": pd.Timestamp("2026-05-01")}
    own = {"recovery_days": 40.0, "recoverable_share": 0.8, "growth_per_year": 0.1, "growth_limit": 1.25}
    fade = changed(build(young), **own).fade[0]
    # year 1: 0.89042 + 0.05 / 0.8; year 4: 1 + 0.25 / 0.8
    assert fade[[0, 3]] == pytest.approx([0.89042 + 0.0625, 1.3125], abs=1e-5)
    steady = {**young, **meter_trend(-0.004, 0.005)}
    assert changed(build(steady), **own).fade[0, [0, 3]] == pytest.approx([0.89042, 1.0], abs=1e-5)
    for told in (
        meter_trend(-0.03, 0.01),
        meter_trend(-0.004, 0.05),
        meter_trend(-0.03, 0.05),
    ):  # falls, and unknown twice
        assert changed(build({**young, **told}), **own).fade[0] == pytest.approx(fade)


def test_an_old_loss_comes_back_slowly(build):
    old, young = (
        changed(build({**PRONE, "commissioned_on": day}), growth_per_year=0.0).fade[0]
        for day in (pd.Timestamp("2014-06-01"), pd.Timestamp("2026-05-01"))
    )
    # 12 years, half of them affected, 0.17 of that: 372 d, as long as the year within 2 %; 1 - e^-1 is 0.36788 in mean
    assert old[0] == pytest.approx(0.36788, rel=0.02)
    assert young[0] == pytest.approx(0.89042, abs=1e-5)


@pytest.mark.slow
@settings(max_examples=15)
@given(measured=st.floats(0.02, 0.8), share=st.floats(0, 1), growth=st.floats(0, 0.5))
def test_the_loss_with_growth_never_passes_the_negative_half(build, measured, share, growth):
    cohort = build({**PRONE, "measured_excess_loss": measured})
    before = api.baseline(cohort)
    change = changed(cohort, recoverable_share=share, growth_per_year=growth, growth_limit=2.0, reversible_chance=1.0)
    won = (before.excess_loss - change.plant.excess_loss)[0] * change.fade[0]  # of full sun
    most = max(0.5, before.excess_loss[0]) * before.shunt_share[0]
    assert (won >= 0).all()
    assert (won <= most + 1e-9).all()


def lost(cohort: api.Cohort, plant: api.Plant) -> float:
    """The share of a year's output that the excess takes."""
    plants = (plant, plant.replace(excess_loss=np.zeros_like(plant.excess_loss)))
    today, healthy = (api.simulate(cohort, each).annual("generated").sum() for each in plants)
    return float(1 - today / healthy)


def all_shunts(cohort: api.Cohort) -> api.Plant:
    """Today's plant if the measured excess were shunts and nothing else."""
    plant = api.baseline(replace(cohort, overrides={"shunt_share": 1.0}))
    np.testing.assert_array_equal(plant.shunt_share, 1.0)
    return plant


def test_a_measured_excess_shrinks_by_what_can_be_recovered(build):
    cohort = build({**PRONE, "inverter_rating_kw": 6.0})
    before = api.baseline(cohort)
    assert lost(cohort, before) == pytest.approx(0.10, rel=0.04)
    plant = changed(cohort, recoverable_share=0.8, reversible_chance=1.0).plant
    np.testing.assert_allclose(plant.excess_loss, 0.6 * before.excess_loss)  # shunts are half of it: 1 - 0.8 x 0.5
    perhaps = changed(cohort, recoverable_share=0.8, reversible_chance=0.5).plant
    np.testing.assert_allclose(perhaps.excess_loss, 0.8 * before.excess_loss)
    proven = MITIGATION.change(
        cohort,
        all_shunts(cohort),
        assumed(MITIGATION, {"recoverable_share": 0.8, "reversible_chance": 1.0}, {}),
    ).plant
    assert lost(cohort, proven) == pytest.approx(0.02, rel=0.1)  # of the year nearly in proportion


def test_normal_ageing_stays(build):
    cohort = build(PRONE)
    np.testing.assert_array_equal(changed(cohort).plant.ageing, api.baseline(cohort).ageing)


@pytest.mark.parametrize(
    "facts",
    [
        {"inverter_topology": "module level"},
        {"inverter_topology": "isolated"},
        {"cell_type": "thin film"},
        {"cell_type": "n-type crystalline"},
        {"measured_excess_loss": 0.0},
    ],
)
def test_nothing_is_gained_where_it_cannot_work(build, facts):
    cohort = build({**PRONE, **facts})
    assert verdict(build, **facts) == api.DOES_NOT_FIT
    np.testing.assert_array_equal(changed(cohort).plant.excess_loss, api.baseline(cohort).excess_loss)
    before = api.simulate(cohort, api.baseline(cohort)).annual("generated")
    assert api.simulate(cohort, changed(cohort).plant).annual("generated") == before


@settings(max_examples=25)
@given(
    nothing=st.sampled_from(
        [{"inverter_topology": "module level"}, {"measured_excess_loss": 0.0}, {"cell_type": "n-type crystalline"}]
    ),
    measured=st.one_of(st.none(), st.floats(0.0, 0.8)),
    humid=st.sampled_from([None, True, False]),
    share=st.floats(0, 1),
    chance=st.floats(0, 1),
)
@pytest.mark.slow
def test_module_level_electronics_and_a_measured_zero_gain_nothing(nothing, measured, humid, share, chance):
    cohort = sample_cohort({**PRONE, "measured_excess_loss": measured, "humid_or_coastal": humid, **nothing})
    before = api.baseline(cohort)
    after = changed(cohort, recoverable_share=share, reversible_chance=chance).plant
    assert api.annual_generation(cohort, after) == api.annual_generation(cohort, before)


@settings(max_examples=8)
@given(measured=st.floats(0.02, 0.8), share=st.floats(0, 1))
def test_energy_never_passes_that_without_any_excess(build, measured, share):
    cohort = build({**PRONE, "measured_excess_loss": measured})
    before = api.baseline(cohort)
    healthy = before.replace(excess_loss=np.zeros(1))
    after = changed(cohort, recoverable_share=share).plant
    energy = [api.simulate(cohort, plant).annual("generated")[0] for plant in (before, after, healthy)]
    assert energy == sorted(energy)


def test_the_whole_gain_on_a_proven_case_is_of_its_measured_size(build):
    cohort = build(PRONE)
    unlimited = all_shunts(cohort).replace(inverter_rating_kw=np.array([6.0]))
    after = MITIGATION.change(
        cohort, unlimited, assumed(MITIGATION, {"recoverable_share": 1.0, "reversible_chance": 1.0}, {})
    ).plant
    ratio = api.simulate(cohort, after).annual("generated") / api.simulate(cohort, unlimited).annual("generated")
    assert ratio == pytest.approx([1 / 0.9], rel=5e-3)  # a little more: the inverter works nearer its rating


def test_where_nothing_is_measured_only_the_expected_loss_comes_back(build):
    cohort = build({**PRONE, "measured_excess_loss": pd.NA})
    before = api.baseline(cohort)
    assert lost(cohort, before) == pytest.approx(0.003, rel=0.05)  # 3 % chance of a loss of 10 % of the year's output
    np.testing.assert_allclose(changed(cohort).plant.excess_loss, 0.2 * before.excess_loss)
    assert "measured" in changed(cohort).remarks[0]


def test_who_may_have_it(build):
    assert verdict(build) == api.FITS
    assert verdict(build, humid_or_coastal=False) == api.FITS  # the loss is measured
    assert verdict(build, humid_or_coastal=pd.NA) == api.FITS
    assert verdict(build, measured_excess_loss=pd.NA) == api.SURVEY_FIRST
    assert verdict(build, measured_excess_loss=pd.NA, humid_or_coastal=False) == api.DOES_NOT_FIT
    assert verdict(build, cell_type=pd.NA) == api.SURVEY_FIRST
    assert verdict(build, inverter_topology=pd.NA) == api.SURVEY_FIRST
    assert verdict(build, warranty_until=pd.NaT) == api.SURVEY_FIRST


def meter_trend(per_year, reach):
    return {f"meter_trend_{name}": per_year + by for name, by in (("per_year", 0.0), ("low", -reach), ("high", reach))}


def test_of_a_trend_only_what_its_interval_excludes_is_spoken_of(build):
    unmeasured = {**PRONE, "measured_excess_loss": pd.NA}
    # two years: -14 % a year and an interval that holds zero; five years: -1 % a year give or take 2.5
    for wide in (meter_trend(-0.14, 0.15), meter_trend(-0.01, 0.025)):
        screening = MITIGATION.screen(build({**unmeasured, **wide}))
        assert "fall faster" not in screening.reason[0]
        assert "no trend" not in screening.reason[0]


def test_readings_are_told_and_never_stand_for_a_measurement(build):
    unmeasured = {**PRONE, "measured_excess_loss": pd.NA}
    told = {**meter_trend(-0.004, 0.005), "meter_shortfall": 0.0}
    screening = MITIGATION.screen(build({**unmeasured, **told}, {**unmeasured, **meter_trend(-0.03, 0.01)}))
    assert screening.status.tolist() == [api.SURVEY_FIRST] * 2
    assert "no trend beyond normal ageing" in screening.reason[0]
    assert "nothing missing" in screening.reason[0]
    assert "fall faster" in screening.reason[1]
    plain, with_readings = (changed(build(facts)).plant for facts in (unmeasured, {**unmeasured, **told}))
    np.testing.assert_array_equal(plain.excess_loss, with_readings.excess_loss)
    assert "no trend beyond normal ageing" in changed(build({**PRONE, **told})).remarks[0]
    assert MITIGATION.screen(build({**PRONE, **told})).status[0] == api.FITS


@pytest.mark.parametrize(("measured", "status"), [(0.019, api.DOES_NOT_FIT), (0.02, api.FITS)])
def test_a_loss_within_the_scatter_is_no_case(build, measured, status):
    assert verdict(build, measured_excess_loss=measured) == status


def test_the_warranty_comes_first(build):
    cohort = build({**PRONE, "warranty_until": pd.Timestamp("2030-01-01")}, PRONE)
    screening = MITIGATION.screen(cohort)
    assert screening.status.tolist() == [api.SURVEY_FIRST, api.FITS]
    assert "claim" in screening.reason[0]
    assert "claim" in changed(cohort).remarks[0]
    assert "warranty_claim_first" in {note.id for note in MITIGATION.safety(cohort).for_site(0)}
    assert "warranty_claim_first" not in {note.id for note in MITIGATION.safety(cohort).for_site(1)}


def quantities(change: api.Change) -> dict[str, float]:
    return {line.item: float(line.quantity[0]) for line in change.costs}


def test_what_it_takes_where_it_is_sure(build):
    # inverters of 20 kW in all, 15 kW each: two devices with 3 h each; nobody goes on the roof
    cohort = build({**PRONE, "inverter_rating_kw": 20.0}, array={"dc_rating_kw": 23.0})
    change = MITIGATION.change(cohort, all_shunts(cohort), assumed(MITIGATION, {"reversible_chance": 1.0}, {}))
    assert quantities(change) == {"diagnosis_visit": 1, "night_bias_device": 2, "electrician": 6}
    assert change.plant.standby_kwh == pytest.approx([26.28])  # 2 x 3 W x 4380 h of night
    assert change.fade.shape[0] == 1
    assert change.fade.shape[1] >= MITIGATION.about.life.high


def test_each_inverter_has_one_device_whatever_its_modules(build):
    # a home's 9.9 kW of modules behind one inverter of 8 kW; three inverters behind 40 kW
    for inverter_kw, devices in ((8.0, 1), (15.0, 1), (40.0, 3)):
        cohort = build({**PRONE, "inverter_rating_kw": inverter_kw}, array={"dc_rating_kw": 9.9})
        change = MITIGATION.change(cohort, all_shunts(cohort), assumed(MITIGATION, {"reversible_chance": 1.0}, {}))
        assert quantities(change)["night_bias_device"] == devices


def test_the_diagnosis_is_paid_always_and_the_device_only_where_it_is_proven(build):
    # measured: shunts take 2 x 0.5 / (1 + 0.5) of the year's loss and are potential-induced with 0.9: 0.6; else 3 % of
    # systems have it (system.csv)
    for facts, proven in (({}, 0.6), ({"measured_excess_loss": pd.NA}, 0.03)):
        change = changed(build({**PRONE, **facts}))
        expected = {"diagnosis_visit": 1.0, "night_bias_device": proven, "electrician": 3 * proven}
        assert quantities(change) == pytest.approx(expected)
        assert change.plant.standby_kwh == pytest.approx([13.14 * proven])  # 3 W x 4380 h
        assert [line.item for line in change.costs if line.if_found] == ["night_bias_device", "electrician"]
    ruled_out = changed(build({**PRONE, "cell_type": "thin film"}))
    assert quantities(ruled_out) == {"diagnosis_visit": 1, "night_bias_device": 0, "electrician": 0}


def test_the_companys_chance_of_an_unmeasured_loss_decides_on_the_device(build):
    cohort = replace(build({**PRONE, "measured_excess_loss": pd.NA}), overrides={"excess_loss_chance": 0.08})
    assert quantities(changed(cohort))["night_bias_device"] == pytest.approx(0.08)


def test_the_two_stages_are_worth_the_mean_over_both_answers(build):
    """By hand: -diagnosis + chance x (gain if it is proven - device), each from a change of its own."""
    cohort = build({**PRONE, "inverter_rating_kw": 6.0})
    sure = {"reversible_chance": 1.0}
    proven = MITIGATION.change(cohort, all_shunts(cohort), assumed(MITIGATION, sure, {}))
    before = api.annual_generation(cohort, all_shunts(cohort))
    if_proven = api.annual_generation(cohort, proven.plant) - before
    both = changed(cohort, **sure)
    gained = api.annual_generation(cohort, both.plant) - api.annual_generation(cohort, api.baseline(cohort))
    assert gained == pytest.approx(2 / 3 * if_proven, rel=0.05)
    assert quantities(both)["night_bias_device"] == pytest.approx(2 / 3 * quantities(proven)["night_bias_device"])


@pytest.mark.parametrize(("watts", "kwh"), [(1.0, 4.38), (5.0, 21.9)])
def test_standby_at_night(build, watts, kwh):
    # 1 to 5 W through nights of 12 h: 4 to 22 kWh a year, where a device is fitted: 0.6
    assert changed(build(PRONE), standby_w=watts).plant.standby_kwh == pytest.approx([0.6 * kwh])


@pytest.mark.slow
def test_the_first_years_saving_is_that_of_the_first_year_and_it_pays_back_simply_before_discounted(build):
    large = {"measured_excess_loss": 0.2, "inverter_rating_kw": 12.0, "annual_demand_kwh": 30000.0}
    cohort = build({**PRONE, **large, "remaining_life_years": 14.0}, array={"dc_rating_kw": 12.0})
    only = Registry((Loaded(MITIGATION, MITIGATION.about.id, "test"),), (), (), ())
    frames = score(cohort, unknown_frame("fitted"), only, sample_company(), unknown_frame("reading")).frames
    row = frames["ranking"].iloc[0]
    saving = frames["cash_flow"].query("year > 0")["saving"].to_numpy()
    # the time constant is 0.17 of half of twelve years, as long as the year: 0.368 of the whole comes in the first one
    assert row["first_year_saving"] == pytest.approx(saving[0])
    assert saving[0] < 0.45 * saving[2]
    assert row["simple_payback_years"] <= row["discounted_payback_years"]


def test_the_dangers_are_named(build):
    notes = {note.id: note for note in MITIGATION.safety(build(PRONE)).for_site(0)}
    assert {
        "night_voltage",
        "functional_earthing",
        "earth_fault_alarm",
        "polarity_of_bias",
        "test_after_dc_work",
        "inverter_consent",
        "local_rules",
    } <= set(notes)
    assert notes["night_voltage"].severity == api.DANGER
    assert notes["functional_earthing"].severity == api.DANGER
