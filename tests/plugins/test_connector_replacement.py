"""New plugs are bought for safety: they win next to no energy unless a string is open."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from aftersun import api
from aftersun.host.assumed import assumed
from aftersun_retrofits.connector_replacement import ConnectorReplacement, contact_loss, mean_age_factor

CONNECTORS = ConnectorReplacement()
SOUND = {"open_string": False, "mixed_connectors": False, "field_made_connectors": False}


def line(change: api.Change, item: str) -> np.ndarray:
    return next(found.quantity for found in (*change.costs, *change.yearly) if found.item == item)


def changed(cohort: api.Cohort, **overrides: float) -> api.Change:
    return CONNECTORS.change(cohort, api.baseline(cohort), assumed(CONNECTORS, overrides, {}))


@pytest.mark.parametrize(
    ("mohm", "share"),
    [(0.35, 0.00009479), (0.5, 0.00013542), (5.0, 0.00135417)],
)
def test_loss_in_the_contacts_of_twelve_modules_of_400_w(mohm, share):
    # I2R by hand: 13 pairs x (10 A)^2 x R over 12 x 400 W, Imp 10 A and Vmp 40 V
    assert contact_loss(12, mohm, 10.0, 40.0) == pytest.approx(share, abs=1e-8)


def test_mean_fault_factor_by_age():
    # by hand: first year 3, six years 1, eighteen years 1.5; then late years only; then half a first year
    assert mean_age_factor(0.0, 25.0, 3.0, 1.5, 7.0) == pytest.approx(1.44)
    assert mean_age_factor(12.0, 25.0, 3.0, 1.5, 7.0) == pytest.approx(1.5)
    assert mean_age_factor(0.5, 1.0, 3.0, 1.5, 7.0) == pytest.approx(2.0)


@given(st.floats(0, 40), st.floats(1, 30))
def test_mean_fault_factor_stays_between_its_factors(age, years):
    assert 1.0 - 1e-9 <= mean_age_factor(age, years, 3.0, 1.5, 7.0) <= 3.0 + 1e-9


def test_a_string_has_one_pair_more_than_modules(build):
    one = changed(build({}, array={"module_count": 12, "strings": 1}))
    two = changed(build({}, array={"module_count": 12, "strings": 2}))
    assert line(one, "connector_pair") == pytest.approx([13])
    assert line(two, "connector_pair") == pytest.approx([14])


def test_modules_are_lifted_unless_they_stand_on_the_ground(build):
    roof, ground = (
        changed(build({})),
        changed(build({"roof_kind": "ground"}, array={"mounting": "ground frame"})),
    )
    assert line(roof, "helper") == pytest.approx([3.0])  # 12 modules x 15 min
    assert line(ground, "helper") == pytest.approx([0.0])


def test_plugs_renewed_within_their_life_are_left_alone(build):
    cohort = build({"connectors_renewed_on": pd.Timestamp("2020-01-01")}, {})
    assert CONNECTORS.screen(cohort).status.tolist() == [api.DOES_NOT_FIT, api.FITS]


def test_module_electronics_and_roof_skins_are_surveyed_first(build):
    assert CONNECTORS.screen(build({"inverter_topology": "module level"})).status.tolist() == [api.SURVEY_FIRST]
    assert CONNECTORS.screen(build({}, array={"mounting": "in roof"})).status.tolist() == [api.SURVEY_FIRST]


@pytest.mark.parametrize("name", sorted(CONNECTORS.assumptions))
@pytest.mark.parametrize("end", ["low", "high"])
def test_energy_gain_stays_below_0_2_percent_without_an_open_string(build, name, end):
    # a mated pair at the upper allowance of 5 mohm costs a string of twelve 0.14 % at full sun (I2R)
    cohort = build(SOUND)
    plant = api.baseline(cohort)
    after = changed(cohort, **{name: getattr(CONNECTORS.assumptions[name], end)}).plant
    gain = (1 - after.connection_loss) * after.strings_working / ((1 - plant.connection_loss) * plant.strings_working)
    assert (gain >= 1.0).all()
    assert (gain < 1.002).all()


def test_a_simulated_year_gains_less_than_0_2_percent_unless_a_string_is_open(build):
    cohort = build(SOUND, {**SOUND, "open_string": True}, array={"strings": 2})
    before = api.simulate(cohort, api.baseline(cohort)).annual("generated")
    gain = api.simulate(cohort, changed(cohort).plant).annual("generated") / before - 1.0
    assert 0 <= gain[0] < 0.002
    assert gain[1] > 0.3


def test_poor_plugs_avoid_most_and_young_sound_ones_nothing(build):
    day = pd.Timestamp("2026-05-01")
    cohort = build(
        {"mixed_connectors": True},
        {},
        SOUND,
        {**SOUND, "commissioned_on": day},
        {"mixed_connectors": True, "commissioned_on": day},
    )
    fires = line(changed(cohort), "building_fire_damage")
    assert fires[0] > fires[1] > fires[2] >= 0
    assert fires[3] == 0
    assert fires[4] > 0


def test_avoided_fires_stay_below_all_fires(build):
    # Germany: about 30 PV-caused fires a year per million systems (ISE, via trade press), 3e-5 a system-year
    fires = line(changed(build({}, {"mixed_connectors": True, "field_made_connectors": True})), "building_fire_damage")
    assert (fires < 3e-5).all()
    assert (fires > 0).all()
