"""New plugs are bought for safety: they win next to no energy unless a string is open."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pandas as pd
import pvlib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from readings_support import from_hours

from aftersun import api
from aftersun.climate.normals import normals_at
from aftersun.climate.synthesis.year import synthetic_year
from aftersun.host.assumed import assumed
from aftersun.host.registry import Loaded, Registry
from aftersun.model.codes import Status
from aftersun.scoring.offers.chunk import score
from aftersun.testing import sample_cohort, sample_company, unknown_frame
from aftersun_retrofits.connector_replacement import (
    ALL,
    ENDS,
    INSPECT,
    REPAIR,
    ConnectorReplacement,
    contact_loss,
    contact_power_w,
    fault_factor,
    mean_age_factor,
)

CONNECTORS = ConnectorReplacement()
SOUND = {"open_string": False, "mixed_connectors": False, "field_made_connectors": False, "hot_connector": False}
DANGERS = ("open_string", "mixed_connectors", "hot_connector")


def line(change: api.Change, item: str) -> np.ndarray:
    return next(found.quantity for found in (*change.costs, *change.yearly) if found.item == item)


def changed(cohort: api.Cohort, **overrides: float) -> api.Change:
    return CONNECTORS.change(cohort, api.baseline(cohort), assumed(CONNECTORS, overrides, {}))


def scope(change: api.Change, label: str) -> api.Change:
    return next(each for each in (change, *change.alternatives) if each.label == label)


def takes(change: api.Change, row: int = 0) -> dict[str, float]:
    """Quantities by item, hours added up; what is not needed is left out."""
    found: dict[str, float] = {}
    for each in change.costs:
        found[each.item] = found.get(each.item, 0.0) + float(each.quantity[row])
    return {item: quantity for item, quantity in found.items() if quantity}


def ranked(cohort: api.Cohort) -> pd.DataFrame:
    return score(
        cohort,
        fitted=unknown_frame("fitted"),
        readings=unknown_frame("reading"),
        registry=Registry((Loaded(CONNECTORS, CONNECTORS.about.id, "test"),), (), (), ()),
        company=sample_company(),
    ).frames["ranking"]


# --- four scopes


def test_what_each_scope_takes_at_a_home_by_hand(build):
    # 24 modules in two strings: 26 pairs, four of them at ends; 15 min a pair, a module (two people) and a test
    home = {"module_count": 24, "strings": 2}
    change = changed(build({**SOUND, "open_string": True}, array=home))
    once = {"insulation_test": 1.0, "roof": 1.0}
    # 3.5 h of two people and both plugs at the place where it was open
    assert takes(scope(change, REPAIR)) == {"connector_pair": 2.0, "electrician": 3.5, "helper": 3.5, **once}
    change = changed(build({**SOUND, "mixed_connectors": True}, array=home))
    # one module to lift for each string: 4 x 0.25 + 2 x 0.25 + 2 x 0.25
    assert takes(scope(change, ENDS)) == {"connector_pair": 4.0, "electrician": 2.0, "helper": 0.5, **once}
    # 26 x 0.25 + 24 x 0.25 + 2 x 0.25
    assert takes(scope(change, ALL)) == {"connector_pair": 26.0, "electrician": 13.0, "helper": 6.0, **once}
    change = changed(build(SOUND, array=home))
    assert takes(scope(change, INSPECT)) == {"diagnosis_visit": 1.0}


def test_an_inspection_holds_the_chance_of_what_it_finds(build):
    # 10 % mixed, 1 % hot (facts.csv), 90 % of it found: 0.9 x (1 - 0.9 x 0.99) = 0.0981 of the work at the ends;
    # an open string, which string currents always show: 0.01 of its search
    cohort = build({"commissioned_on": pd.Timestamp("2014-05-01")}, array={"module_count": 24, "strings": 2})
    change = changed(cohort)
    assert takes(scope(change, INSPECT)) == pytest.approx(
        {
            "diagnosis_visit": 1.0,
            "connector_pair": 4 * 0.0981 + 2 * 0.01,
            "electrician": 2 * 0.0981 + 3.5 * 0.01,
            "helper": 0.5 * 0.0981 + 3.5 * 0.01,
            "insulation_test": 0.0981,
            "roof": 0.0981,
        }
    )


@pytest.mark.slow
def test_a_large_roof_is_offered_its_string_ends_and_not_519_pairs(build):
    # two faces of 240 modules in 17 and 22 strings: 480 + 39 pairs, 78 of them at ends
    arrays = [{"module_count": 240, "strings": count, "azimuth_deg": way} for count, way in ((17, 210.0), (22, 120.0))]
    cohort = sample_cohort({**SOUND, "mixed_connectors": True, "arrays": arrays})
    change = changed(cohort)
    assert takes(scope(change, ALL))["connector_pair"] == 519
    assert takes(scope(change, ENDS))["connector_pair"] == 78
    # each face has a way up of its own
    assert takes(scope(change, ALL))["roof"] == takes(scope(change, ENDS))["roof"] == 2
    assert ranked(cohort)["variant"].tolist() == [ENDS]


def test_an_open_string_is_sought_from_one_way_up(build):
    arrays = [{"azimuth_deg": way} for way in (90.0, 270.0)]
    change = changed(sample_cohort({**SOUND, "open_string": True, "arrays": arrays}))
    assert takes(scope(change, REPAIR))["roof"] == 1
    assert takes(scope(change, ENDS))["roof"] == 2


@pytest.mark.slow
def test_the_best_scope_is_chosen_and_none_leaves_a_danger_that_is_known(build):
    cohort = build({**SOUND, "open_string": True}, {**SOUND, "mixed_connectors": True}, SOUND, {})
    assert ranked(cohort)["variant"].tolist() == [REPAIR, ENDS, INSPECT, INSPECT]


@pytest.mark.slow
@given(facts=st.fixed_dictionaries({name: st.sampled_from([True, False, None]) for name in DANGERS}))
@settings(max_examples=27)
def test_a_scope_that_leaves_a_known_danger_is_not_to_be_had(build, facts):
    change = changed(build(facts))
    told = {name for name in DANGERS if facts[name]}
    had = {each.label for each in (change, *change.alternatives) if each.available is None or each.available[0]}
    assert (INSPECT in had) == (not told)
    assert (REPAIR in had) == (told == {"open_string"})
    assert {ENDS, ALL} <= had


# --- an open string


def cured(change: api.Change, before: api.Plant) -> float:
    return float(1.0 - (1.0 - change.plant.strings_working[0]) / (1.0 - before.strings_working[0]))


def test_an_open_string_is_cured_by_search_and_seldom_by_plugs_alone(build):
    for told, shares in (
        (True, {REPAIR: 0.95, ENDS: 0.95, ALL: 0.95}),
        (None, {INSPECT: 0.95, ENDS: 0.8 * 0.4, ALL: 0.4}),  # nobody looks for it but the inspection
    ):
        cohort = build({**SOUND, "open_string": told}, array={"module_count": 24, "strings": 2})
        change = changed(cohort)
        found = {label: cured(scope(change, label), api.baseline(cohort)) for label in shares}
        assert found == pytest.approx(shares)


@pytest.mark.parametrize(
    ("monitoring", "days"), [(None, 365.0), ("portal nobody reads", 0.7 * 365.0), ("portal somebody reads", 30.0)]
)
def test_the_loss_ends_when_it_would_have_been_noticed(build, monitoring, days):
    # days by the model of monitoring; by hand, mean of exp(-t / D) in year 1 and 2
    cohort = build({**SOUND, "open_string": True, "monitoring": monitoring}, array={"module_count": 24, "strings": 2})
    fade = scope(changed(cohort), REPAIR).fade[0]
    first, second = np.exp(-365.0 / days), np.exp(-730.0 / days)
    assert fade[:2] == pytest.approx([days / 365 * (1 - first), days / 365 * (first - second)])
    # over a life it comes to the energy of so many days, not to that of twenty years
    assert fade.sum() == pytest.approx(days / 365.0, rel=1e-3)


def test_in_a_year_without_monitoring_0_632_of_the_loss_is_left(build):
    cohort = build({**SOUND, "open_string": True}, array={"module_count": 24, "strings": 2})
    # 1 - 1/e, and that over e
    assert scope(changed(cohort), REPAIR).fade[0, :2] == pytest.approx([0.63212, 0.23254], abs=1e-5)


def test_contacts_keep_their_gain(build):
    assert changed(build(SOUND)).fade == pytest.approx(1.0)


def test_the_plain_repair_is_spared_once(build):
    # one call-out over the life of 25 years, cured with 0.95
    change = scope(changed(build({**SOUND, "open_string": True}, array={"strings": 2})), REPAIR)
    assert line(change, "repair_visit") == pytest.approx([0.95 / 25])
    assert line(change, "building_fire_damage") == 0.0


@pytest.mark.slow
def test_a_single_string_that_is_said_to_be_open_sells_no_energy(build):
    cohort = build({**SOUND, "open_string": True}, array={"module_count": 18, "strings": 1})
    assert api.annual_generation(cohort, api.baseline(cohort)) > 1000
    change = scope(changed(cohort), REPAIR)
    assert change.plant.strings_working == pytest.approx([1.0])
    assert "see if it runs" in CONNECTORS.screen(cohort).reason[0]
    assert ranked(cohort)["npv"].iloc[0] < 0


@pytest.mark.slow
def test_a_meter_that_misses_a_string_leads_to_an_inspection(build):
    suspected = {**SOUND, "open_string": None, "meter_open_string_chance": 0.3}
    cohort = build(suspected, {**SOUND, "open_string": None}, array={"module_count": 24, "strings": 2})
    change = changed(cohort)
    # 0.3 x 3.5 h, and 0.01 x 3.5 h of the fleet's chance
    assert [takes(scope(change, INSPECT), row)["helper"] for row in (0, 1)] == pytest.approx([1.05, 0.035])
    assert ["missing as one string" in text for text in change.remarks] == [True, False]
    assert api.baseline(cohort).strings_working == pytest.approx([1 - 0.3 / 2, 1 - 0.01 / 2])
    assert (ranked(cohort)["energy_gain_kwh"].to_numpy()[0]) > 20 * (ranked(cohort)["energy_gain_kwh"].to_numpy()[1])


@pytest.mark.slow
def test_a_string_that_the_meter_misses_is_asked_for_with_its_own_chance(build):
    home = {**SOUND, "open_string": None, "import_price": 0.9, "export_rule": "net metering", "inverter_rating_kw": 9.0}
    home["annual_demand_kwh"] = 20000.0
    cohort = build(home, home, array={"dc_rating_kw": 9.0, "module_count": 36, "strings": 3})
    output = api.simulate(cohort, api.baseline(cohort)).generated[0].astype(np.float64)
    tables = score(
        cohort,
        fitted=unknown_frame("fitted"),
        readings=from_hours("S0", "production", output * 2 / 3, "D", "2023-01-01", "2025-01-01"),
        registry=Registry((Loaded(CONNECTORS, CONNECTORS.about.id, "test"),), (), (), ()),
        company=sample_company(),
    ).frames
    asked = tables["question"].query("fact == 'open_string'").set_index("site_id")["chance_true"]
    assert 0.1 < asked["S0"] < 0.5  # 1 % before (facts.csv): two thirds are what two of three strings make
    assert asked["S1"] == 0.01
    ranking = tables["ranking"].set_index("site_id")
    assert ranking["npv"]["S0"] > ranking["npv"]["S1"]
    # drawn with that chance, and never a gain where no string is open
    assert 0.1 < ranking["chance_npv_positive"]["S0"] <= asked["S0"] + 0.05


def test_full_output_doubts_what_was_told(build):
    told = {**SOUND, "open_string": True}
    screening = CONNECTORS.screen(build({**told, "meter_open_string_chance": 0.2}, told, array={"strings": 3}))
    assert ["open at all" in reason for reason in screening.reason] == [True, False]


# --- plugs of before 2012


def test_old_families_have_their_own_prior_and_note(build):
    cohort = build(
        *({"commissioned_on": pd.Timestamp(day)} for day in ("2011-12-31", "2012-01-01")), {"commissioned_on": pd.NaT}
    )
    change = changed(cohort)
    # twice the chance of mixed plugs: 0.9 x (1 - 0.8 x 0.99), against 0.9 x (1 - 0.9 x 0.99)
    tests = scope(change, INSPECT).costs
    assert next(each for each in tests if each.item == "insulation_test").quantity[:2] == pytest.approx(
        [0.1872, 0.0981]
    )
    fires = line(change, "building_fire_damage")
    assert fires[0] > 1.5 * fires[1]  # half as many faults again, and more plugs that are mixed
    told = [{note.id for note in CONNECTORS.safety(cohort).for_site(row)} for row in range(3)]
    assert ["old_plug_family" in notes for notes in told] == [True, False, True]  # not known to be newer
    renewed = build(
        {"commissioned_on": pd.Timestamp("2009-01-01"), "connectors_renewed_on": pd.Timestamp("2015-01-01")}
    )
    assert "old_plug_family" not in {note.id for note in CONNECTORS.safety(renewed).for_site(0)}


def test_each_scope_has_its_cautions(build):
    notes = {note.id: note for note in CONNECTORS.safety(build({"open_string": True})).for_site(0)}
    every = {"dc_stays_live", "work_at_height", "dc_safe_order", "same_connector_family", "test_after_dc_work"}
    assert every | {"inspection_under_load", "open_string_search", "lifting_modules"} <= set(notes)
    assert "covers stay closed" in notes["inspection_under_load"].text
    assert "full voltage in daylight" in notes["open_string_search"].text
    assert notes["inspection_under_load"].severity == notes["open_string_search"].severity == api.DANGER
    sound = {note.id for note in CONNECTORS.safety(build(SOUND)).for_site(0)}
    assert "open_string_search" not in sound


def test_factory_pairs_keep_their_faults_where_only_the_ends_are_renewed(build):
    cohort = build({**SOUND, "mixed_connectors": True}, array={"module_count": 24, "strings": 2})
    change = changed(cohort)
    ends, everything = (line(scope(change, label), "building_fire_damage")[0] for label in (ENDS, ALL))
    # by hand, plugs of 12 years: 1.5 as long as they stay, 1.44 once new; five times the faults where they are mixed.
    # ends: 4/26 x (1.5 - 1.44) + 0.8 x 4 x 1.5 = 4.80923; all: 1.5 - 1.44 + 4 x 1.5 = 6.06
    assert ends / everything == pytest.approx(4.80923 / 6.06, rel=1e-3)


def test_heat_of_a_contact_at_ten_amperes():
    # I2R by hand: 0.35 and 0.5 mohm as new, 5 mohm, 50 mohm hot to touch, 1 ohm melts
    heat = contact_power_w(10.0, [0.35, 0.5, 5.0, 50.0, 1000.0])
    assert heat == pytest.approx([0.035, 0.05, 0.5, 5.0, 100.0])
    # one of 50 mohm in 12 x 400 W: 0.10 %; over 600 h of squared current a year: 3 kWh
    assert heat[3] / 4800 == pytest.approx(0.0010, abs=5e-5)
    assert heat[3] * 600 / 1000 == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("mohm", "share"),
    [(0.35, 0.00009479), (0.5, 0.00013542), (5.0, 0.00135417)],
)
def test_loss_in_the_contacts_of_twelve_modules_of_400_w(mohm, share):
    # I2R by hand: 13 pairs x (10 A)^2 x R over 12 x 400 W, Imp 10 A and Vmp 40 V
    assert contact_loss(12, mohm, 10.0, 40.0) == pytest.approx(share, abs=1e-8)


def test_a_fleet_has_the_factor_of_its_shares():
    # by hand: 28 % poor and 1 % hot plugs of 100 systems, with factors 5 and 30: 1 + 4 x 0.28 + 29 x 0.01
    assert fault_factor(0.28, 0.01, 5.0, 30.0) == pytest.approx(2.41)
    poor, hot = np.array([0.0, 1.0, 0.0, 1.0]), np.array([0.0, 0.0, 1.0, 1.0])
    shares = np.array([0.72 * 0.99, 0.28 * 0.99, 0.72 * 0.01, 0.28 * 0.01])
    assert (shares * fault_factor(poor, hot, 5.0, 30.0)).sum() == pytest.approx(2.41)


@pytest.mark.parametrize("place", [(51.5, -0.1), (33.4, -112.0)], ids=["maritime", "desert"])
def test_over_a_year_contacts_lose_part_of_what_they_lose_at_full_sun(place):
    # closed form: the year's share over that at full sun is sum(I^2) / sum(I); I in proportion to irradiance (pvlib)
    year = synthetic_year(normals_at(*place), seed=1)
    in_plane = pvlib.irradiance.get_total_irradiance(30, 180, year.zenith, year.azimuth, year.dni, year.ghi, year.dhi)[
        "poa_global"
    ]
    current = np.nan_to_num(in_plane) / 1000.0
    given = CONNECTORS.assumptions["current_weight"]
    assert given.low < (current**2).sum() / current.sum() < given.high


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
    assert line(changed(build({})), "helper") == pytest.approx([3.0])  # 12 modules x 15 min
    for mounting in ("ground frame", None):
        ground = changed(build({"roof_kind": "ground"}, array={"mounting": mounting}))
        assert line(ground, "helper") == pytest.approx([0.0])


def test_plugs_renewed_within_their_life_are_left_alone(build):
    cohort = build({"connectors_renewed_on": pd.Timestamp("2020-01-01")}, {})
    assert CONNECTORS.screen(cohort).status.tolist() == [api.DOES_NOT_FIT, api.FITS]


@pytest.mark.parametrize("danger", DANGERS)
def test_a_known_danger_is_not_dismissed_because_plugs_were_renewed(build, danger):
    screening = CONNECTORS.screen(build({"connectors_renewed_on": pd.Timestamp("2020-01-01"), danger: True}))
    assert screening.status.tolist() == [api.SURVEY_FIRST]
    assert "see which are old" in screening.reason[0]


@pytest.mark.parametrize("danger", DANGERS)
def test_the_owner_is_told_exactly_where_a_danger_is_known(build, danger):
    cohort = build({**SOUND, danger: True}, SOUND, {**SOUND, danger: pd.NA}, {**SOUND, "field_made_connectors": True})
    notes = CONNECTORS.safety(cohort)
    told = [[note.id for note in notes.for_site(row) if note.tell_owner] for row in range(len(cohort))]
    assert told == [[f"known_{danger}"], [], [], []]
    remarks = changed(cohort).remarks
    assert ["safety matter" in text for text in remarks] == [True, False, False, False]


def test_a_hot_plug_is_isolated_by_a_licensed_electrician(build):
    note = next(
        n for n in CONNECTORS.safety(build({"hot_connector": True})).for_site(0) if n.id.startswith("known_hot")
    )
    assert note.severity == api.DANGER
    assert note.who == "licensed electrician"
    assert "Stop and isolate" in note.text
    assert CONNECTORS.screen(build({"hot_connector": True})).status.tolist() == [api.SURVEY_FIRST]


@pytest.mark.slow
def test_it_ranks_as_a_safety_matter_where_a_danger_is_known_though_it_costs_more_than_it_earns(build):
    ranking = ranked(build(*({**SOUND, danger: True} for danger in DANGERS), SOUND))
    assert ranking["for_safety"].tolist() == [True, True, True, False]
    assert (ranking["npv"][1:] < 0).all()  # an open string may pay
    assert ranking["status"].tolist()[1:] == [Status.SAFETY_REMEDIAL, Status.SAFETY_REMEDIAL, Status.NOT_COST_EFFECTIVE]


def test_both_halves_are_always_renewed_and_said_so(build):
    pairs = next(found for found in changed(build({})).costs if found.item == "connector_pair")
    assert pairs.unit == "pair"
    assert "both halves" in pairs.note


def test_module_electronics_and_roof_skins_are_surveyed_first(build):
    assert CONNECTORS.screen(build({"inverter_topology": "module level"})).status.tolist() == [api.SURVEY_FIRST]
    assert CONNECTORS.screen(build({}, array={"mounting": "in roof"})).status.tolist() == [api.SURVEY_FIRST]


@pytest.mark.parametrize("name", sorted(CONNECTORS.assumptions))
@pytest.mark.parametrize("end", ["low", "high"])
@pytest.mark.few_quick
@pytest.mark.few_quick
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


@settings(max_examples=40)
@given(
    modules=st.integers(2, 60),
    strings=st.integers(1, 6),
    values=st.dictionaries(st.sampled_from(sorted(CONNECTORS.assumptions)), st.floats(0, 1)),
    facts=st.dictionaries(
        st.sampled_from(["mixed_connectors", "field_made_connectors", "hot_connector"]), st.booleans()
    ),
)
@pytest.mark.slow
def test_energy_gain_stays_below_0_2_percent_whatever_is_known_and_assumed(build, modules, strings, values, facts):
    # of the DC output at full sun; strings of four modules or more
    if modules < 4 * strings:
        return
    cohort = build({"open_string": False, **facts}, array={"module_count": modules, "strings": strings})
    ranges = CONNECTORS.assumptions
    plant = api.baseline(cohort)
    placed = {name: ranges[name].low + share * (ranges[name].high - ranges[name].low) for name, share in values.items()}
    after = changed(cohort, **placed).plant
    gain = (1.0 - after.connection_loss) / (1.0 - plant.connection_loss) - 1.0
    assert (gain >= 0.0).all()
    assert (gain < 0.002).all()
    np.testing.assert_array_equal(after.strings_working, plant.strings_working)


@pytest.mark.parametrize(("strings", "of_a_year"), [(2, 0.5), (1, 60 / 365)])
def test_a_string_that_opens_later_is_lost_until_that_is_noticed(build, strings, of_a_year):
    # half of the output for the 365 days of the model of monitoring; the only string is a standstill of 60 days
    cohort = build({**SOUND, "mixed_connectors": True, "monitoring": "none"}, array={"strings": strings})
    change = changed(cohort)
    (repairs,) = (line.quantity for line in change.yearly if line.item == "repair_visit")
    won = change.plant.availability - api.baseline(cohort).availability
    assert repairs[0] > 0
    assert won == pytest.approx(repairs * of_a_year)


def test_risk_stands_apart_from_energy_and_injury_has_no_price(build):
    cohort = build({"hot_connector": True, "open_string": True})
    change = changed(cohort)
    before = api.baseline(cohort)
    touched = [f.name for f in fields(api.Plant) if (getattr(change.plant, f.name) != getattr(before, f.name)).any()]
    assert touched == ["connection_loss", "strings_working", "availability"]
    assert [found.item for found in change.yearly if found.kind == api.AVOIDED_RISK] == ["building_fire_damage"]
    assert [found.item for found in change.yearly if found.kind == api.AVOIDED_WORK] == ["repair_visit"]


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


def test_of_more_pairs_more_fail(build):
    poor = {"mixed_connectors": True, "open_string": False}
    # 14 modules in two strings are 16 pairs, the usual home; 70 in ten are five of it
    home, large = (
        line(changed(build(poor, array={"module_count": modules, "strings": strings})), "repair_visit")
        for modules, strings in ((14, 2), (70, 10))
    )
    assert large == pytest.approx(5 * home)


def test_avoided_fires_stay_below_all_fires(build):
    # Germany: about 30 PV-caused fires a year per million systems (ISE, via trade press), 3e-5 a system-year
    poor = {"mixed_connectors": True, "field_made_connectors": True}
    fires = line(changed(build({}, poor)), "building_fire_damage")
    assert (fires < 3e-5).all()
    assert (fires > 0).all()


def test_a_hot_plug_avoids_more_than_poor_pairs_and_less_than_its_factor(build):
    hot = {"hot_connector": True}
    fires = line(changed(build({}, {"mixed_connectors": True}, hot, {**SOUND, **hot})), "building_fire_damage")
    assert fires[2] > fires[3] > fires[1] > fires[0]
    # all connector fires of an average system: fires x share at connectors x share that hits the building
    average = 2e-5 * 0.3 * 0.38
    factor = CONNECTORS.assumptions["hot_plug_factor"].mode
    late = CONNECTORS.assumptions["late_factor"].mode
    assert fires[2] < average * (factor + 5.0) * late


def test_fires_hit_the_building_more_often_in_the_roof_and_seldom_from_the_ground(build):
    # CAA Japan 2019: all seven that reached the roof had no non-combustible layer below
    flush, in_roof, ground = (
        line(changed(build({}, array={"mounting": mounting})), "building_fire_damage")[0]
        for mounting in ("flush roof", "in roof", "ground frame")
    )
    assert in_roof / flush == pytest.approx(0.8 / 0.38)
    assert ground / flush == pytest.approx(0.02 / 0.38)


def test_the_building_share_is_that_of_the_modules(build):
    arrays = [{"mounting": "in roof", "module_count": 6}, {"mounting": "flush roof", "module_count": 18}]
    mixed = line(changed(sample_cohort({"arrays": arrays})), "building_fire_damage")[0]
    flush = line(changed(sample_cohort({"arrays": [{"module_count": 24}]})), "building_fire_damage")[0]
    # by hand: (6 x 0.8 + 18 x 0.38) / 24
    assert mixed / flush == pytest.approx(0.485 / 0.38)
