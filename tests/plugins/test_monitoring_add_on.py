"""Monitoring shortens the time to notice a fault; it makes no energy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aftersun import api
from aftersun.climate.read import read_weather
from aftersun.host.assumed import assumed
from aftersun.testing import sample_cohort, sample_weather
from aftersun_retrofits.monitoring_add_on import (
    BOUGHT,
    CONTRACT,
    EVEN_STARTS,
    LOGGER,
    PORTAL,
    Faults,
    MonitoringAddOn,
    bounded_part,
    built_up,
    energy_lost,
    operating_starts,
    stops_until,
    wet_day_starts,
)

MONITORING = MonitoringAddOn()
UNWATCHED = {"monitoring": "none"}
HOUR_ARRAYS = (
    *("ghi", "dni", "dhi", "temp_air", "wind_speed", "albedo"),
    *("zenith", "azimuth", "dni_extra", "airmass"),
)
DAY = np.arange(365)
PEAK = 172  # 21 June, days from new year
OMEGA = 2 * np.pi / 365


def changed(cohort: api.Cohort, plant: api.Plant | None = None, **overrides: float) -> api.Change:
    return MONITORING.change(cohort, plant or api.baseline(cohort), assumed(MONITORING, overrides, {}))


def gained(cohort: api.Cohort, **overrides: float) -> np.ndarray:
    return changed(cohort, **overrides).plant.availability - api.baseline(cohort).availability


def even_weather() -> api.WeatherYear:
    """The same day, that of the equinox, 365 times, and no rain record: no season at all."""
    year = sample_weather(None)
    tiled = {name: np.tile(getattr(year, name)[24 * 80 : 24 * 81], 365) for name in HOUR_ARRAYS}
    return replace(year, **tiled)


def even(*sites: dict[str, object]) -> api.Cohort:
    return sample_cohort(*sites, weather=even_weather())


def rain_on(days: np.ndarray) -> np.ndarray:
    """Rain of a year that is wet on these days and dry on all others, mm an hour."""
    rain = np.zeros((365, 24))
    rain[days, 12] = 8.0
    return rain.ravel()


def seasonal(amplitude: float) -> np.ndarray:
    """Daily energy of ``1 + amplitude cos(omega (t - PEAK))``, integrated over each day by hand, shape (1, 365)."""
    until = np.arange(366) + amplitude / OMEGA * np.sin(OMEGA * (np.arange(366) - PEAK))
    return np.diff(until)[None, :]


def test_share_recovered_of_a_total_stop():
    # by hand: 0.03 x 1 x (60 - 2) / 365 = 0.00477
    assert Faults(0.03, 1.0, 60.0, 2.0, 60 / 365, 2 / 365).saved == pytest.approx(0.00477, abs=1e-5)


# --- what a fault costs by season


@settings(max_examples=50)
@given(days=st.floats(0, 1500), amplitude=st.floats(0, 1), seed=st.integers(0, 99))
def test_faults_that_begin_evenly_cost_their_days_whatever_the_seasons(days, amplitude, seed):
    # law: the mean of C(d + D) - C(d) over a whole year of days d is D / 365 of the year
    uneven = seasonal(amplitude) * np.random.default_rng(seed).random(365)
    assert energy_lost(uneven, days, EVEN_STARTS) == pytest.approx([days / 365], rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("days", [0, 2, 60, 182, 365, 500, 1500])
@pytest.mark.parametrize("shift", [0, 90, 182.5])
def test_seasonal_faults_cost_what_the_integral_says(days, shift):
    # closed form: energy 1 + a cos(w(t - p)), starts 1 + b cos(w(d - p - s)), both per 365 days:
    # D/365 + a b / (2 pi) cos(w (D/2 + s)) sin(w D/2)
    a, b = 0.6, 0.9
    starts = (1 + b * np.cos(OMEGA * (DAY - PEAK - shift))) / 365
    by_hand = days / 365 + a * b / (2 * np.pi) * np.cos(OMEGA * (days / 2 + shift)) * np.sin(OMEGA * days / 2)
    assert energy_lost(seasonal(a), days, starts) == pytest.approx([by_hand], abs=1e-12)


def test_whole_years_cost_whole_years_whenever_they_begin():
    starts = np.zeros(365)
    starts[200] = 1.0
    assert energy_lost(seasonal(0.8), np.array([365.0]), starts) == pytest.approx([1.0])
    assert energy_lost(seasonal(0.8), 1460.0, starts) == pytest.approx([4.0])
    late_june = energy_lost(seasonal(0.8), 365.0 + 10.0, starts)
    assert late_june > 1 + 10 / 365  # and ten days near midsummer beyond it


def test_a_site_without_output_counts_days_alike():
    assert energy_lost(np.zeros((1, 365)), 60.0, EVEN_STARTS) == pytest.approx([60 / 365])


@settings(max_examples=25)
@given(days=st.floats(0, 1500), longer=st.floats(0, 400), first=st.integers(0, 364))
def test_a_longer_stop_never_costs_less(days, longer, first):
    starts = np.eye(365)[first]
    assert energy_lost(seasonal(1.0), days + longer, starts) >= energy_lost(seasonal(1.0), days, starts) - 1e-12


def test_starts_by_hours_of_operation():
    # 8 hours of output on half of the days and 16 on the others: by hand 2/3 of the starts fall on the long ones
    generated = np.zeros((2, 365, 24), dtype=np.float32)
    generated[0, :, 8:16] = 1.0
    generated[0, ::2, 4:20] = 1.0
    starts = operating_starts(generated.reshape(2, -1))
    assert starts[0, 0] == pytest.approx(2 * starts[0, 1])
    assert starts.sum(axis=1) == pytest.approx([1.0, 1.0])
    assert starts[1] == pytest.approx(EVEN_STARTS)  # no output at all


def test_starts_on_wet_days():
    rain = np.zeros((365, 24))
    rain[10, :] = 0.05  # 1.2 mm in the day
    rain[20, 3] = 9.0
    rain[30, 3] = 0.9
    starts = wet_day_starts(rain.ravel(), 1.0)
    assert np.flatnonzero(starts).tolist() == [10, 20]
    assert starts[20] == 0.5
    assert wet_day_starts(rain.ravel(), 1.0, 0.5)[40] == pytest.approx(0.5 / 365)
    assert wet_day_starts(None, 1.0) is EVEN_STARTS
    assert wet_day_starts(np.zeros(8760), 1.0) is EVEN_STARTS


ONLY_TRIPS = {"inverter_stop_rate": 0.0, "string_fault_rate": 0.0, "module_device_fault_rate": 0.0}


def trips(cohort: api.Cohort, wet_share: float, days: float = 60.0) -> float:
    """What earlier notice of trips alone brings back if so many of them begin on wet days."""
    unseen = {"days_stop_unnoticed": days, "days_stop_alerted": 0.0, "absent_owner_factor": 1.0}
    return float(gained(cohort, wet_trip_share=wet_share, **unseen, **ONLY_TRIPS)[0])


@pytest.mark.parametrize(("file", "latitude"), [("*727885*.epw", 48.1), ("tmy_45*.csv", 45.0)])
@pytest.mark.slow
def test_trips_cost_less_where_the_winter_is_wet_and_more_where_the_summer_is(samples, file, latitude):
    # neither file has a rain record, so the rain is put in; rain cleans, too, so each year is compared with itself
    year = read_weather(next(samples.glob(file))).year
    winter, summer = (
        sample_cohort({**UNWATCHED, "latitude": latitude}, weather=replace(year, rain_mm=rain))
        for rain in (rain_on(np.r_[0:90, 273:365]), rain_on(np.r_[120:240]))
    )
    assert trips(winter, 1.0) < 0.9 * trips(winter, 0.0)
    assert trips(summer, 1.0) > 1.1 * trips(summer, 0.0)
    # half a year after a fault the seasons have changed places, as in the closed form above
    assert trips(winter, 1.0, 180.0) > trips(winter, 0.0, 180.0)


def test_a_midsummer_day_is_worth_several_midwinter_days_in_the_north(samples):
    # from memory: 4 to 8 at 50 N; Port Angeles lies at 48 N; the mean of thirty days each
    year = read_weather(next(samples.glob("*727885*.epw"))).year
    cohort = sample_cohort({"latitude": 48.1, "longitude": -123.5}, weather=year)
    daily = api.hourly_generation(cohort, api.baseline(cohort)).reshape(1, 365, 24).sum(axis=2, dtype=np.float64)
    midsummer, midwinter = (energy_lost(daily, 30.0, np.eye(365)[first])[0] for first in (157, 335))
    assert 3 < midsummer / midwinter < 8


def test_stops_that_come_with_hours_of_operation_cost_a_little_more(build):
    cohort = build(UNWATCHED)
    generated = api.hourly_generation(cohort, api.baseline(cohort))
    daily = generated.reshape(1, 365, 24).sum(axis=2, dtype=np.float64)
    even, by_hours = (energy_lost(daily, 60.0, starts)[0] for starts in (EVEN_STARTS, operating_starts(generated)))
    assert 1.0 < by_hours / even < 1.15


# --- how it builds up, and how readings bound it


def test_a_loss_builds_up_over_the_days_it_stays():
    # by hand, mean of min(t, D)/D: D = 365 d: 1/2 in the first year, then 1; D = 1460 d: 1/8, 3/8, 5/8, 7/8, 1
    assert built_up(365.0, 2) == pytest.approx([0.5, 1.0])
    assert built_up(np.array([1460.0]), 5)[0] == pytest.approx([0.125, 0.375, 0.625, 0.875, 1.0])
    assert built_up(73.0, 1) == pytest.approx([0.9])  # 1 - (73 / 2) / 365
    assert built_up(0.0, 3) == pytest.approx([1.0, 1.0, 1.0])


def test_what_stays_unseen_for_years_is_won_back_over_years():
    strings = {"inverter_stop_rate": 0.0, "earth_trip_rate": 0.0, "days_part_alerted": 0.0}
    change = changed(even({**UNWATCHED, "arrays": [{"strings": 2}]}), days_part_unnoticed=1460.0, **strings)
    assert change.fade.shape == (1, 12)
    assert change.fade[0, :5] == pytest.approx([0.125, 0.375, 0.625, 0.875, 1.0])


@given(shortfall=st.one_of(st.just(np.nan), st.floats(0, 1)), error=st.floats(0, 0.2), cost=st.floats(0, 3))
def test_faults_cost_no_more_than_readings_leave_room_for(shortfall, error, cost):
    part = bounded_part(np.array([cost]), np.array([shortfall]), np.array([error]), 2.0)[0]
    assert 0 <= part <= 1
    if np.isnan(shortfall):
        assert part == 1
    else:
        assert part * cost <= shortfall + 2 * error + 1e-12


def test_readings_that_show_nothing_missing_leave_nothing_to_gain():
    often = {"inverter_stop_rate": 0.5, "days_stop_unnoticed": 180.0}
    read = {"meter_shortfall": 0.0, "meter_factor_se": 0.0}
    some = {"meter_shortfall": 0.005, "meter_factor_se": 0.0025}
    without, nothing, little = gained(even(UNWATCHED, {**UNWATCHED, **read}, {**UNWATCHED, **some}), **often)
    assert nothing == 0
    # by hand: 0.005 + 2 x 0.0025 = 0.01 at most; 0.95 x 0.7 of it; 178/180 of total stops, less of the string's share
    assert 0.9 * 0.00665 < little < 0.00665
    assert without > little


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


def test_one_string_of_a_typical_home_worked_by_hand():
    cohort = even({**UNWATCHED, "owner_present": True, "inverter_year": 2026, "arrays": [{"strings": 1}]})
    # inverter 0 to 8 years old: 0.021 1/a; 0.015 / 2 (of two strings) + 0.005 more total stops; (60 - 2) / 365; 0.95
    # seen, 0.7 acted on
    assert gained(cohort) == pytest.approx([(0.021 + 0.0075 + 0.005) * 58 / 365 * 0.95 * 0.7], rel=1e-6)


def test_two_strings_halve_the_loss_and_lengthen_the_search():
    cohort = even({**UNWATCHED, "owner_present": True, "inverter_year": 2026, "arrays": [{"strings": 2}]})
    # 0.7 of what a string loses is seen
    by_hand = ((0.021 + 0.005) * 58 * 0.95 + 0.015 / 2 * (365 - 30) * 0.7) / 365 * 0.7
    assert gained(cohort) == pytest.approx([by_hand], rel=1e-6)


def test_more_strings_fail_more_often_and_each_takes_less():
    homes = [{**UNWATCHED, "owner_present": True, "inverter_year": 2026, "arrays": [{"strings": n}]} for n in (2, 8)]
    two, eight = gained(even(*homes))
    assert eight == pytest.approx(two)


def test_unknown_strings_are_counted_from_the_rating(build):
    known = build(UNWATCHED, array={"dc_rating_kw": 7.9, "module_count": None, "strings": 2})
    assert gained(build(UNWATCHED, array={"dc_rating_kw": 7.9, "module_count": None})) == pytest.approx(gained(known))


def test_a_module_level_device_takes_one_module_only():
    home = {**UNWATCHED, "owner_present": True, "inverter_year": 2026, "inverter_topology": "module level"}
    # 12 devices at 0.002 a year, each 1/12 of the output
    by_hand = ((0.021 * 0.5 + 0.005) * 58 * 0.95 + 12 * 0.002 / 12 * (365 - 30) * 0.7) / 365 * 0.7
    assert gained(even(home)) == pytest.approx([by_hand], rel=1e-6)


def test_one_module_of_thirty_is_lost_in_the_weather():
    home = {**UNWATCHED, "owner_present": True, "inverter_year": 2026, "inverter_topology": "module level"}
    many = even({**home, "arrays": [{"module_count": 30}]})
    assert gained(many) == pytest.approx([(0.021 * 0.5 + 0.005) * 58 / 365 * 0.95 * 0.7], rel=1e-6)


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
    assert unknown == nothing  # what watches it is drawn by the core
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


@settings(max_examples=15)
@given(days=st.floats(0, 200), closer=st.floats(0, 1))
@pytest.mark.slow
def test_the_gain_vanishes_as_alerts_come_no_sooner(build, days, closer):
    cohort = build(UNWATCHED, {}, array={"strings": 3})
    alerted = {"days_stop_alerted": days * closer, "days_part_alerted": days * closer}
    without = {"days_stop_unnoticed": days, "days_part_unnoticed": days, "absent_owner_factor": 1.0}
    gain = gained(cohort, **without, **alerted)
    assert (gain >= 0).all()
    none_at_all = {"days_stop_alerted": days, "days_part_alerted": days}
    assert gained(cohort, **without, **none_at_all) == pytest.approx([0, 0], abs=1e-12)
    assert (gain <= gained(cohort, **without, days_stop_alerted=0.0, days_part_alerted=0.0) + 1e-12).all()


@pytest.mark.slow
@settings(max_examples=15)
@given(rate=st.floats(0, 5), availability=st.floats(0, 1))
def test_no_more_comes_back_than_stops_cost(build, rate, availability):
    cohort = build(UNWATCHED)
    plant = api.baseline(cohort).replace(availability=np.array([availability]))
    after = changed(cohort, plant, inverter_stop_rate=rate).plant.availability
    assert availability <= after[0] <= 1


def test_the_company_says_how_many_blind_visits_it_avoids(build):
    cohort = build(UNWATCHED, {"monitoring": "portal somebody reads"})
    lines = [
        next(line for line in changed(cohort, **own).yearly if line.kind == api.AVOIDED_WORK)
        for own in ({}, {"avoided_visits_per_year": 0.5})
    ]
    assert lines[0].quantity.tolist() == [0, 0]  # nobody has published any
    assert lines[1].quantity.tolist() == [0.5, 0]
    assert (lines[1].item, lines[1].unit) == ("repair_visit", "repair")


def test_days_without_output_are_told(build):
    seen = {**UNWATCHED, "meter_zero_day_share": 0.05}
    stood, sound = changed(build(seen, {**seen, "meter_zero_day_share": 0.0})).remarks
    assert "days without output" in stood
    assert sound == ""


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


def ways(cohort: api.Cohort, **overrides: float) -> dict[str, api.Change]:
    change = changed(cohort, **overrides)
    return {each.label: each for each in (change, *change.alternatives)}


def test_the_cheaper_ways_are_had_where_the_inverter_allows_them(build):
    young = {**UNWATCHED, "inverter_year": 2020}
    sites = (
        {"monitoring": "portal nobody reads"},
        young,
        {**young, "internet_at_inverter": False},
        {**UNWATCHED, "inverter_year": 2008},
        {**UNWATCHED, "inverter_year": None, "commissioned_on": None},
    )
    by_label = ways(build(*sites))
    assert by_label[PORTAL].available.tolist() == [True, False, False, False, False]
    assert by_label[LOGGER].available.tolist() == [False, True, False, False, False]
    assert by_label[BOUGHT].available is by_label[CONTRACT].available is None
    # nobody drives to switch on alerts of a portal
    assert {line.kind for line in by_label[PORTAL].costs} == {api.MATERIAL}


def test_each_way_is_paid_as_it_is_sold(build):
    by_label = ways(build({**UNWATCHED, "internet_at_inverter": True, "inverter_year": 2020}))
    lines = {
        label: {line.item: line.quantity[0] for line in (*change.costs, *change.yearly) if line.quantity[0]}
        for label, change in by_label.items()
    }
    assert lines == {
        BOUGHT: {"monitoring_device": 1, "electrician": 2},
        PORTAL: {"portal_alerts": 1},
        LOGGER: {"plug_in_logger": 1, "electrician": 0.75},
        CONTRACT: {"electrician": 2, "monitoring_contract": 1},
    }
    # 1 W x 8760 h by hand; a portal that is there draws nothing more
    assert by_label[LOGGER].plant.standby_kwh == pytest.approx([8.76])
    assert by_label[PORTAL].plant.standby_kwh == pytest.approx([0])


def test_by_contract_more_alerts_are_acted_on(build):
    cohort = build(UNWATCHED)
    by_label = ways(cohort, acted_on_chance=0.5, contract_acted_on_chance=0.75)
    before = api.baseline(cohort).availability
    bought, contract = (by_label[label].plant.availability - before for label in (BOUGHT, CONTRACT))
    assert contract / bought == pytest.approx([1.5])  # 0.75 / 0.5


def test_a_home_that_allows_it_gets_the_cheapest_way(build, valued):
    # logger 70 and 0.75 h against meter 150 and 2 h, alerts of a portal 30: the energy is nearly the same
    site = {**UNWATCHED, "internet_at_inverter": True, "inverter_year": 2020}
    old = {**site, "inverter_year": 2008}
    unread = {**site, "monitoring": "portal nobody reads"}
    variants = valued(MONITORING, build(site, unread, old)).variant.tolist()
    assert variants[:2] == [LOGGER, PORTAL]
    assert variants[2] in (BOUGHT, CONTRACT)


def test_people_are_told_of_the_data_and_the_mains(build):
    notes = {note.id for note in MONITORING.safety(build({})).for_site(0)}
    assert {"mains_licensed", "current_sensor", "data_notice", "local_rules"} <= notes
