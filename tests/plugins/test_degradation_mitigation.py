"""Night bias brings back excess degradation where it is potential-induced, and nothing else."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from aftersun import api
from aftersun.host.assumed import assumed
from aftersun_retrofits.degradation_mitigation import DegradationMitigation, recovered_by_year

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


def lost(cohort: api.Cohort, plant: api.Plant) -> float:
    """The share of a year's output that the excess takes."""
    plants = (plant, plant.replace(excess_loss=np.zeros_like(plant.excess_loss)))
    today, healthy = (api.simulate(cohort, each).annual("generated").sum() for each in plants)
    return float(1 - today / healthy)


def test_a_measured_excess_shrinks_by_what_can_be_recovered(build):
    cohort = build({**PRONE, "inverter_rating_kw": 6.0})
    before = api.baseline(cohort)
    assert lost(cohort, before) == pytest.approx(0.10, rel=0.04)
    plant = changed(cohort, recoverable_share=0.8, reversible_chance=1.0).plant
    np.testing.assert_allclose(plant.excess_loss, 0.2 * before.excess_loss)  # x (1 - R)
    assert lost(cohort, plant) == pytest.approx(0.02, rel=0.1)  # of the year nearly in proportion
    perhaps = changed(cohort, recoverable_share=0.8, reversible_chance=0.5).plant
    np.testing.assert_allclose(perhaps.excess_loss, 0.6 * before.excess_loss)
    assert lost(cohort, perhaps) == pytest.approx(0.06, rel=0.1)


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


@settings(deadline=None, max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture])
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
    unlimited = api.baseline(cohort).replace(inverter_rating_kw=np.array([6.0]))
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


def test_what_it_takes(build):
    change = changed(build(PRONE, array={"dc_rating_kw": 10.5}))
    quantity = {(line.kind, line.item): line.quantity[0] for line in change.costs}
    # a diagnosis, and two devices of 10 kW each with 3 h; nobody goes on the roof
    assert quantity == {
        (api.INSPECTION, "diagnosis_visit"): 1,
        (api.MATERIAL, "night_bias_device"): 2,
        (api.LABOUR, "electrician"): 6,
    }
    assert change.plant.standby_kwh == pytest.approx([26.28])  # 2 x 3 W x 4380 h of night
    assert len(change.fade) >= MITIGATION.about.life.high


@pytest.mark.parametrize(("watts", "kwh"), [(1.0, 4.0), (5.0, 22.0)])
def test_standby_at_night(build, watts, kwh):
    # 1 to 5 W through nights of 12 h: 4 to 22 kWh a year
    assert changed(build(PRONE), standby_w=watts).plant.standby_kwh == pytest.approx([kwh], abs=0.5)


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
