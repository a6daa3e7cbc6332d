"""Monitoring shortens the time to notice a fault; it makes no energy."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from aftersun import api
from aftersun.host.assumed import assumed
from aftersun_retrofits.monitoring_add_on import MonitoringAddOn, recovered_share, stops_until

MONITORING = MonitoringAddOn()
UNWATCHED = {"monitoring": "none"}


def changed(cohort: api.Cohort, plant: api.Plant | None = None, **overrides: float) -> api.Change:
    return MONITORING.change(cohort, plant or api.baseline(cohort), assumed(MONITORING, overrides, {}))


def gained(cohort: api.Cohort, **overrides: float) -> np.ndarray:
    return changed(cohort, **overrides).plant.availability - api.baseline(cohort).availability


def test_share_recovered_of_a_total_stop():
    # by hand: 0.03 x 1 x (60 - 2) / 365 x 1 = 0.00477; at a chance of 0.5, 0.24 %
    assert recovered_share(0.03, 1.0, 60.0, 2.0, 1.0) == pytest.approx(0.00477, abs=1e-5)
    assert recovered_share(0.03, 1.0, 60.0, 2.0, 0.5) == pytest.approx(0.0024, abs=5e-5)


def test_inverter_hazard_is_that_of_34_3_percent_in_15_years():
    # Bucher, Wandel, Joss, WCPEC-8 2022: 34.3 % with a first failure by year 15; -ln(0.657) / 15 = 0.0280 1/a
    assert MONITORING.assumptions["inverter_stop_rate"].mode == pytest.approx(0.0280, abs=1e-4)


@pytest.mark.parametrize("late_factor", [1.0, 2.0, 4.0])
def test_whatever_the_late_factor_34_3_percent_have_failed_by_year_15(late_factor):
    # Bucher, Wandel, Joss, WCPEC-8 2022
    failed = 1.0 - np.exp(-stops_until(15.0, 0.0280, 15.0, 10.0, late_factor))
    assert failed == pytest.approx(0.343, abs=5e-4)


def test_an_old_inverter_stops_twice_as_often():
    early = stops_until(9.0, 0.028, 15.0, 10.0, 2.0) - stops_until(8.0, 0.028, 15.0, 10.0, 2.0)
    late = stops_until(13.0, 0.028, 15.0, 10.0, 2.0) - stops_until(12.0, 0.028, 15.0, 10.0, 2.0)
    assert early == pytest.approx(0.021)  # by hand: 0.028 x 15 / (10 + 2 x 5)
    assert late == pytest.approx(0.042)


def test_one_string_of_a_typical_home_worked_by_hand(build):
    cohort = build(
        {**UNWATCHED, "owner_present": True, "inverter_year": 2026},
        array={"strings": 1},
    )
    # inverter 0 to 8 years old: 0.021 1/a; 0.015 + 0.005 more total stops; (60 - 2) / 365; 0.7 x 0.7
    assert gained(cohort) == pytest.approx([(0.021 + 0.015 + 0.005) * 58 / 365 * 0.49], rel=1e-6)


def test_two_strings_halve_the_loss_and_lengthen_the_search(build):
    cohort = build({**UNWATCHED, "owner_present": True, "inverter_year": 2026}, array={"strings": 2})
    by_hand = ((0.021 + 0.005) * 58 + 0.015 / 2 * (365 - 30)) / 365 * 0.49
    assert gained(cohort) == pytest.approx([by_hand], rel=1e-6)


def test_unknown_strings_are_counted_from_the_rating(build):
    known = build(UNWATCHED, array={"dc_rating_kw": 7.9, "strings": 2})
    assert gained(build(UNWATCHED, array={"dc_rating_kw": 7.9})) == pytest.approx(gained(known))


def test_a_module_level_device_takes_one_module_only(build):
    cohort = build({**UNWATCHED, "owner_present": True, "inverter_year": 2026, "inverter_topology": "module level"})
    by_hand = ((0.021 * 0.5 + 0.005) * 58 + 0.015 / 12 * (365 - 30)) / 365 * 0.49
    assert gained(cohort) == pytest.approx([by_hand], rel=1e-6)


def test_the_gain_is_of_the_order_that_fleets_show(build):
    # fleet studies imply 0.2 to 1 % for a typical home without shading; the trade claims 10 to 15 %
    cohort = build(*({**UNWATCHED, "inverter_year": year} for year in (2012, 2018, 2025)))
    assert ((gained(cohort) > 0.002) & (gained(cohort) < 0.01)).all()


def test_a_portal_that_is_read_leaves_nothing_to_gain(build):
    cohort = build(UNWATCHED, {"monitoring": "portal nobody reads"}, {"monitoring": "portal somebody reads"}, {})
    assert MONITORING.screen(cohort).status.tolist() == [
        api.FITS,
        api.FITS,
        api.DOES_NOT_FIT,
        api.SURVEY_FIRST,
    ]
    nothing, unread, read, unknown = gained(cohort)
    assert read == 0
    assert 0 < unread < nothing
    assert unknown == pytest.approx(nothing * 0.7)  # 1 - the chance of 0.3 that somebody reads one
    assert "portal" in changed(cohort).remarks[1]
    assert changed(cohort).remarks[0] == ""


def test_an_absent_owner_notices_later(build):
    present, unknown, absent = gained(
        build({**UNWATCHED, "owner_present": True}, UNWATCHED, {**UNWATCHED, "owner_present": False})
    )
    assert present < unknown < absent


def test_old_inverters_gain_more_and_an_unknown_age_is_that_of_the_system(build):
    old = {**UNWATCHED, "commissioned_on": pd.Timestamp("2010-06-01")}
    new = {**UNWATCHED, "commissioned_on": pd.Timestamp("2025-06-01")}
    by_inverter = gained(build({**old, "inverter_year": 2025}, new))
    assert by_inverter[0] == pytest.approx(by_inverter[1], rel=1e-3)
    assert gained(build(old)) > gained(build(new))


@settings(deadline=None, max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(days=st.floats(0, 200), closer=st.floats(0, 1))
def test_the_gain_vanishes_as_alerts_come_no_sooner(build, days, closer):
    cohort = build(UNWATCHED, {}, array={"strings": 3})
    alerted = {"days_stop_alerted": days * closer, "days_part_alerted": days * closer}
    without = {"days_stop_unnoticed": days, "days_part_unnoticed": days, "absent_owner_factor": 1.0}
    gain = gained(cohort, **without, **alerted)
    assert (gain >= 0).all()
    none_at_all = {"days_stop_alerted": days, "days_part_alerted": days}
    assert gained(cohort, **without, **none_at_all) == pytest.approx([0, 0], abs=1e-12)
    assert (gain <= gained(cohort, **without, days_stop_alerted=0.0, days_part_alerted=0.0) + 1e-12).all()


@settings(deadline=None, max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rate=st.floats(0, 5), availability=st.floats(0, 1))
def test_no_more_comes_back_than_stops_cost(build, rate, availability):
    cohort = build(UNWATCHED)
    plant = api.baseline(cohort).replace(availability=np.array([availability]))
    after = changed(cohort, plant, inverter_stop_rate=rate).plant.availability
    assert availability <= after[0] <= 1


def test_energy_rises_by_the_share_recovered(build):
    cohort = build(UNWATCHED)
    before, after = api.baseline(cohort), changed(cohort).plant
    unlimited = {"inverter_rating_kw": np.array([50.0])}
    ratio = api.simulate(cohort, after.replace(**unlimited)).annual("generated") / api.simulate(
        cohort, before.replace(**unlimited)
    ).annual("generated")
    assert ratio == pytest.approx(1 + gained(cohort) / before.availability, rel=1e-4)


def test_what_it_takes(build):
    change = changed(
        build(
            {**UNWATCHED, "internet_at_inverter": True},
            {**UNWATCHED, "internet_at_inverter": False},
            UNWATCHED,
        )
    )
    plan = change.yearly[0]
    assert plan.kind == api.STANDING
    assert plan.quantity == pytest.approx([0, 1, 0.3])  # 1 - the chance of 0.7 that there is internet
    assert {line.kind for line in change.costs} == {api.MATERIAL, api.LABOUR}  # nobody goes on the roof
    assert change.plant.standby_kwh == pytest.approx([17.52] * 3)  # 2 W x 8760 h


def test_people_are_told_of_the_data_and_the_mains(build):
    notes = {note.id for note in MONITORING.safety(build({})).for_site(0)}
    assert {"mains_licensed", "current_sensor", "data_notice", "local_rules"} <= notes
