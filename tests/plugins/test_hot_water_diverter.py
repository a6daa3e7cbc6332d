"""A diverter moves surplus into the hot-water store: the balance says how much, the tariff for what."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aftersun import api
from aftersun.climate.normals import normals_at
from aftersun.climate.synthesis.year import synthetic_year
from aftersun.energy import hot_water
from aftersun.energy.assumptions import system_values
from aftersun.energy.demand import standard_load_shapes
from aftersun.host.assumed import assumed
from aftersun.host.registry import Loaded, Registry
from aftersun.scoring.offers.chunk import score
from aftersun.testing import sample_cohort, sample_company, unknown_frame
from aftersun_retrofits.hot_water_diverter import (
    BOTH,
    EVENING,
    FREE,
    SUN_FIRST,
    TIMER,
    UNHEARD,
    HotWaterDiverter,
    break_even_export_price,
    value_per_kwh,
)
from aftersun_retrofits.hot_water_diverter import (
    DIVERTER as DIVERTER_ALONE,
)

DIVERTER = HotWaterDiverter()
READY = {
    "water_heat": "immersion",
    "water_store_litres": 150.0,
    "water_store_insulation_mm": 50.0,
    "element_kw": 3.0,
    "element_cut_out": True,
    "battery_kwh": 0.0,
    "occupants": 3,
    "export_rule": "net billing",
}
ON_GAS = {**READY, "water_heat": "gas boiler", "gas_price": 0.06}
NIGHT_RATE = {"import_price": 0.30, "night_import_price": 0.12, "night_from_hour": 0, "night_until_hour": 7}


def changed(cohort: api.Cohort, **overrides: float) -> api.Change:
    return DIVERTER.change(cohort, api.baseline(cohort), assumed(DIVERTER, overrides, {}))


def balances(cohort: api.Cohort) -> tuple[api.Energy, api.Energy]:
    """Return the year without and with the diverter."""
    return api.simulate(cohort, api.baseline(cohort)), api.simulate(cohort, changed(cohort).plant)


def quantity(change: api.Change, item: str) -> np.ndarray:
    return next(line.quantity for line in change.costs if line.item == item)


def verdict(build, **facts: object) -> tuple[str, str]:
    screening = DIVERTER.screen(build({**READY, **facts}))
    return str(screening.status[0]), str(screening.reason[0])


def annual_method(generated_kwh, share_used, heat_needed_kwh=np.inf):
    """SAP 10.2 Appendix G4: useful heat, what the diverter draws, what is left to export, each month in kWh."""
    surplus = np.multiply(generated_kwh, np.subtract(1.0, share_used))
    heat = np.minimum(
        surplus * 0.8 * 0.9, heat_needed_kwh
    )  # 0.8: what the store can take; 0.9: a hotter one loses more
    draw = heat / 0.9
    return heat, draw, surplus - draw


def by_month(weather: api.WeatherYear, hourly: np.ndarray) -> np.ndarray:
    """Sums of one site's hours by month."""
    return np.bincount(weather.times.month.to_numpy() - 1, weights=hourly[0].astype(float), minlength=12)


@cache
def year_at(latitude: float, longitude: float) -> api.WeatherYear:
    return synthetic_year(normals_at(latitude, longitude), seed=1)


def test_annual_method_as_published():
    # SAP 10.2 Appendix G4 with E 300 kWh and beta 0.35
    assert annual_method(300, 0.35) == pytest.approx((140.4, 156, 39), abs=0.1)
    # no more than the month's need: 100 kWh, and export falls by 100 / 0.9
    assert annual_method(300, 0.35, 100.0) == pytest.approx((100, 111.1, 83.9), abs=0.1)


@pytest.mark.parametrize("rating_kw", [0.9, 1.1, 1.3])
@pytest.mark.slow
def test_hourly_balance_agrees_with_the_annual_method(build, rating_kw):
    # The method knows no store: within 15 % where the surplus is about half of the heat that is needed.
    cohort = build({**ON_GAS, "annual_demand_kwh": 2000.0}, array={"dc_rating_kw": rating_kw})
    without, with_it = balances(cohort)
    generated = without.annual("generated")[0]
    useful, draw, _ = annual_method(generated, without.annual("used")[0] / generated)
    saved = (without.annual("water_backup") - with_it.annual("water_backup"))[0]
    efficiency = api.baseline(cohort).water_efficiency[0]
    assert with_it.annual("to_water")[0] == pytest.approx(draw, rel=0.15)
    assert saved * efficiency == pytest.approx(useful, rel=0.15)


def typical_home(place: tuple[float, float], heater: str, litres: float) -> api.Cohort:
    """Three people, 3.5 kW to the south, 3500 kWh a year (the default of MCS MGD 003), a standard load profile."""
    weather = year_at(*place)
    home = {**ON_GAS, "water_heat": heater, "water_store_litres": litres, "latitude": place[0], "longitude": place[1]}
    home |= {"annual_demand_kwh": 3500.0, "inverter_rating_kw": 3.5, "arrays": [{"dc_rating_kw": 3.5}]}
    return replace(sample_cohort(home, weather=weather), load_shapes=standard_load_shapes(weather.times)[:1])


@pytest.mark.parametrize("place", [(51.5, -0.1), (45.0, 8.0)], ids=["maritime", "continental"])
@pytest.mark.parametrize(
    ("heater", "way", "least", "most"),
    [
        # The method lets the surplus of the sunny days of a month heat the water of the dull ones, since it knows
        # no size of store, and lets the sun have all heat, since it knows no hours: a boiler that heats each morning
        # and evening leaves to it what is drawn by day, one that heats at night nearly all, one boost a day all.
        ("immersion", 0, 1.00, 1.10),
        ("night immersion", 0, 0.75, 0.85),
        ("gas boiler", 0, 0.60, 0.75),
        ("gas boiler", 1, 1.00, 1.10),  # one hour in the evening
    ],
)
@pytest.mark.slow
def test_of_the_annual_methods_heat_a_typical_home_saves_a_share_by_the_kind_of_heater(place, heater, way, least, most):
    reached = []
    for litres in (150.0, 210.0):
        cohort = typical_home(place, heater, litres)
        change = changed(cohort)
        plant = (change, *change.alternatives)[way].plant
        without, with_it = api.simulate(cohort, api.baseline(cohort)), api.simulate(cohort, plant)
        efficiency = api.baseline(cohort).water_efficiency[0]
        generated, used = (by_month(cohort.weather, hours) for hours in (without.generated, without.used))
        needed = by_month(cohort.weather, without.water_backup) * efficiency
        published, _, _ = annual_method(generated, used / generated, needed)
        saved = (without.annual("water_backup") - with_it.annual("water_backup"))[0] * efficiency
        assert least <= saved / published.sum() <= most
        reached.append(saved / published.sum())
    assert reached[1] > reached[0]  # a larger store carries more from one day to the next


def test_a_full_store_takes_less_than_the_annual_method_says(build):
    cohort = build({**ON_GAS, "annual_demand_kwh": 2000.0}, array={"dc_rating_kw": 4.0})
    without, with_it = balances(cohort)
    generated = without.annual("generated")[0]
    _, draw, _ = annual_method(generated, without.annual("used")[0] / generated)
    assert with_it.annual("to_water")[0] < draw


@pytest.mark.parametrize("facts", [READY, ON_GAS, {**READY, "battery_kwh": 5.0}, {**READY, "export_rule": "no export"}])
@pytest.mark.slow
def test_each_hour_balances_and_stays_within_the_element(build, facts):
    _, energy = balances(build(facts, array={"dc_rating_kw": 6.0}))
    out = energy.used + energy.to_water + energy.exported + energy.curtailed
    np.testing.assert_allclose(energy.generated, out, atol=1e-4)
    assert energy.to_water.max() <= 3.0 + 1e-6  # kWh in an hour from an element of 3 kW
    assert energy.to_water.min() >= 0
    assert energy.annual("to_water")[0] > 200


@pytest.mark.slow
def test_each_hour_balances_in_every_variant(build):
    cohort = build({**READY, **NIGHT_RATE}, array={"dc_rating_kw": 6.0})
    change = changed(cohort)
    for one in (change, *change.alternatives):
        energy = api.simulate(cohort, one.plant)
        out = energy.used + energy.to_water + energy.exported + energy.curtailed
        np.testing.assert_allclose(energy.generated, out, atol=1e-4)
        assert energy.to_water.max() <= one.plant.diverter_kw[0] + 1e-6


def test_no_more_is_diverted_than_hot_water_pipes_and_store_take(build):
    # SAP 2012 by hand: three people 1747, pipes 262, store of 150 L 463 kWh a year; more for a hotter store
    _, energy = balances(build(ON_GAS, array={"dc_rating_kw": 12.0}))
    assert energy.annual("to_water")[0] < 2470 * 1.1


def test_a_diverter_takes_export_and_backup_down(build):
    without, with_it = balances(build(ON_GAS))
    assert with_it.annual("exported") < without.annual("exported")
    assert with_it.annual("water_backup") < without.annual("water_backup")
    # gas is burnt, not drawn from the grid: only the standby of 3 W is added to what is imported
    added = (with_it.annual("imported") - without.annual("imported"))[0]
    assert 0 <= added <= 26.3  # 3 W x 8760 h


@settings(max_examples=5)
@given(standby_w=st.floats(0, 6))
@pytest.mark.slow
def test_where_nothing_may_be_exported_diverting_is_free(build, standby_w):
    cohort = build({**ON_GAS, "export_rule": "no export"}, array={"dc_rating_kw": 6.0})
    without = api.simulate(cohort, api.baseline(cohort))
    with_it = api.simulate(cohort, changed(cohort, standby_w=standby_w).plant)
    assert without.annual("exported")[0] == with_it.annual("exported")[0] == 0
    assert with_it.annual("curtailed") < without.annual("curtailed")
    assert changed(cohort).remarks[0] == FREE


def test_a_small_array_with_no_surplus_gains_nothing(build):
    _, energy = balances(build({**READY, "annual_demand_kwh": 30000.0}, array={"dc_rating_kw": 0.5}))
    assert energy.annual("to_water")[0] == 0


@pytest.mark.parametrize(
    ("fuel", "efficiency", "export", "value"),
    [
        # pence: SAP 10.2 Table 12 prices, then the British price cap of April to June 2026 with export at 15
        (3.64, 0.85, 5.59, -1.308),
        (5.74, 0.85, 15.0, -8.247),
        (16.49, 1.0, 5.59, 10.90),
        (24.67, 1.0, 15.0, 9.67),
        (9.40, 1.0, 5.59, 3.81),
    ],
)
def test_value_of_a_diverted_kwh(fuel, efficiency, export, value):
    assert value_per_kwh(fuel, efficiency, export) == pytest.approx(value, abs=1e-3)


def test_export_price_above_which_gas_is_cheaper():
    # pence: 3.64 / 0.85 and 5.74 / 0.85
    assert break_even_export_price([3.64, 5.74], 0.85) == pytest.approx([4.28, 6.75], abs=5e-3)


@pytest.mark.parametrize(
    ("gas", "export", "loses", "limit"),
    [
        # break-even export price = gas price / efficiency: 0.0364 / 0.72 = 0.0506, 0.0574 / 0.72 = 0.0797
        (0.0364, 0.0559, True, "0.0506"),
        (0.0574, 0.15, True, "0.0797"),
        (0.0574, 0.05, False, "0.0797"),
    ],
)
def test_cheap_heat_and_paid_export_are_named(build, gas, export, loses, limit):
    remark = changed(build({**ON_GAS, "gas_price": gas, "export_price": export})).remarks[0]
    assert ("loses" in remark) is loses
    assert f"ays only while export earns less than {limit} per kWh" in remark


@pytest.mark.slow
def test_cheap_gas_and_paid_export_lose_money_every_year(build):
    # SAP 10.2 Table 12, in currency: a kWh is worth 0.0364 / 0.72 as heat and 0.0559 when exported
    cohort = build({**ON_GAS, "gas_price": 0.0364, "export_price": 0.0559})
    without, with_it = balances(cohort)
    lost = api.electricity_bill(cohort, changed(cohort).plant) - api.electricity_bill(cohort, api.baseline(cohort))
    gas_saved = 0.0364 * (without.annual("water_backup") - with_it.annual("water_backup"))
    assert gas_saved[0] > 0
    assert (gas_saved - lost)[0] < 0


@settings(max_examples=5)
@given(price=st.floats(0, 0.5), more=st.floats(0.01, 0.5), rule=st.sampled_from(["net billing", "net metering"]))
@pytest.mark.slow
def test_it_is_worth_less_the_more_export_earns(build, price, more, rule):
    # the fuel it saves and its cost do not depend on the export price, so what the bill says holds for the NPV
    home = {**ON_GAS, "export_rule": rule}
    cohort = build({**home, "export_price": price}, {**home, "export_price": price + more})
    saved = api.electricity_bill(cohort, api.baseline(cohort)) - api.electricity_bill(cohort, changed(cohort).plant)
    assert saved[1] < saved[0]


def test_a_heat_pump_makes_surplus_worth_less(build):
    # 0.24 / 2.5 = 0.096 a kWh of heat
    cohort = build(
        *(
            {**READY, "water_heat": heat, "import_price": 0.24, "export_price": 0.15}
            for heat in ("heat pump", "immersion")
        )
    )
    assert ["loses" in text for text in changed(cohort).remarks] == [True, False]


def test_night_heat_counts_at_the_night_price(build):
    night = {**READY, "water_heat": "night immersion", "export_price": 0.10}
    priced = {**NIGHT_RATE, "night_import_price": 0.09}
    hours_unknown = {**priced, "night_from_hour": pd.NA}  # then the bill does not apply it
    cohort = build({**night, **priced}, night, {**night, **hours_unknown})
    assert ["loses" in text for text in changed(cohort).remarks] == [True, False, False]


def test_under_net_metering_an_exported_kwh_cancels_a_bought_one(build):
    cohort = build(*({**READY, "export_rule": rule, "export_price": 0.05} for rule in ("net metering", "net billing")))
    assert ["loses" in text for text in changed(cohort).remarks] == [True, False]


def test_deemed_export_is_paid_whatever_is_diverted(build):
    cohort = build({**ON_GAS, "export_price": 0.15, "export_rule": "deemed export"})
    assert changed(cohort).remarks[0] == FREE


def test_no_price_no_break_even(build):
    cohort = build({**ON_GAS, "gas_price": pd.NA}, {**ON_GAS, "export_price": pd.NA})
    assert changed(cohort).remarks.tolist() == ["", "Pays only while export earns less than 0.0833 per kWh"]


# --- a timer that heats at night is the rival


def variant(cohort: api.Cohort) -> pd.Series:
    """Return the ranking row of the first site through the whole chain of a run."""
    lines = [line for one in (changed(cohort), *changed(cohort).alternatives) for line in one.costs]
    result = score(
        cohort,
        fitted=unknown_frame("fitted"),
        readings=unknown_frame("reading"),
        registry=Registry((Loaded(DIVERTER, DIVERTER.about.id, "test"),), (), (), ()),
        company=sample_company(lines),
    )
    assert not result.failures
    return result.frames["ranking"].iloc[0]


@pytest.mark.parametrize(
    "facts",
    [
        {"water_heat": "gas boiler"},
        {"water_heat": "night immersion"},
        {"water_heat": "heat pump"},
        {"night_import_price": pd.NA},
        {"night_until_hour": pd.NA},
        {"night_import_price": 0.30},  # no cheaper than the day
        {"water_store_litres": 120.0},  # below 1.5 x 0.8 (25 x 3 + 36) = 133 L
    ],
)
@pytest.mark.few_quick
@pytest.mark.few_quick
def test_a_timer_is_no_rival_where_it_has_nothing_to_win(build, facts):
    cohort = build({**READY, **NIGHT_RATE}, {**READY, **NIGHT_RATE, **facts})
    change = changed(cohort)
    assert [other.label for other in change.alternatives] == [EVENING, TIMER, BOTH, SUN_FIRST]
    for other in change.alternatives[1:3]:
        assert other.available.tolist() == [True, False]
        assert quantity(other, "water_timer").tolist() == [1, 0]  # a company needs no price for what it never offers
        assert other.plant.heating_hours[0] == api.NIGHT_HOURS
        assert other.plant.heating_hours[1] == api.baseline(cohort).heating_hours[1]


def test_a_night_heater_may_wait_for_the_sun_and_heat_that_is_led_to_the_store_for_one_hour(build):
    kinds = ("night immersion", "district heat", "heat pump")
    cohort = build(*({**READY, **NIGHT_RATE, "water_heat": kind, "district_heat_price": 0.1} for kind in kinds))
    change = changed(cohort)
    evening, afternoon = change.alternatives[0], change.alternatives[-1]
    assert evening.available.tolist() == [False, True, False]
    assert evening.plant.heating_hours[1] == api.EVENING_HOUR
    assert afternoon.available.tolist() == [True, False, False]
    assert afternoon.plant.heating_hours[0] == api.ONE_BOOST
    assert quantity(afternoon, "water_timer").tolist() == [1, 0, 0]
    # After a sunny day less is left to heat in the afternoon than after a night: more sun goes into the store.
    by_night, after_the_sun = (api.simulate(cohort, one.plant) for one in (change, afternoon))
    assert after_the_sun.annual("to_water")[0] > 1.1 * by_night.annual("to_water")[0]
    assert after_the_sun.annual("water_backup")[0] < by_night.annual("water_backup")[0]


def test_a_timer_buys_the_same_heat_at_night(build):
    cohort = build({**READY, **NIGHT_RATE}, array={"dc_rating_kw": 0.1})  # next to no sun
    timer = changed(cohort).alternatives[1].plant
    before, after = api.simulate(cohort, api.baseline(cohort)), api.simulate(cohort, timer)
    # heated once a night, the store is a little cooler by day and loses less: no more than a tenth of the heat
    assert 0.9 * before.annual("water_backup")[0] < after.annual("water_backup")[0] <= before.annual("water_backup")[0]
    by_night = cohort.weather.times.hour.to_numpy() < 7
    assert after.water_backup[0, ~by_night].sum() == 0
    saved = api.electricity_bill(cohort, api.baseline(cohort)) - api.electricity_bill(cohort, timer)
    heat = after.annual("water_backup")[0]
    # at least the difference of the prices on three quarters of the heat: some was bought at night before
    assert 0.75 * 0.18 * heat < saved[0] < 0.30 * before.annual("water_backup")[0]


@pytest.mark.parametrize("occupants", [1, 3, 6])
@pytest.mark.parametrize("way", [0, 1, 2])  # boost in the afternoon, a boiler's evening hour, night timer
@pytest.mark.slow
def test_a_store_heated_once_a_day_serves_every_draw_of_the_year(build, occupants, way):
    least = DIVERTER.assumptions["heated_once_least_store_days"].mode
    litres = least * 0.8 * (25 * occupants + 36) + 0.1  # SAP 2012 Table 1b, 0.8 of it
    home = {**READY, **NIGHT_RATE, "occupants": occupants, "water_store_litres": litres}
    cohort = build(home | {"water_heat": "oil boiler" if way == 1 else "immersion"})
    change = changed(cohort)
    other = (change, *change.alternatives)[way]
    assert other.plant.heating_hours[0] == (api.ONE_BOOST, api.EVENING_HOUR, api.NIGHT_HOURS)[way]
    drawn = hot_water.run_stores(cohort.weather, other.plant, np.array([0]), None, system_values()).drawn.sum()
    # SAP 2012 Tables 1a to 1d for three people with pipes: 2008.4 kWh a year
    needed = 0.8 * 2008.4 * (25 * occupants + 36) / 111
    assert drawn == pytest.approx(needed, rel=0.003)  # 4.186 against 4.18 kJ/(kg K)


@pytest.mark.slow
def test_the_host_takes_what_is_worth_most(build):
    ready = {**READY, **NIGHT_RATE}
    no_surplus = variant(build(ready, array={"dc_rating_kw": 0.3}))
    assert no_surplus["variant"] == TIMER
    assert no_surplus["npv"] > 0
    assert "at night" in no_surplus["change_remark"]
    day_only = variant(build(READY))
    assert day_only["variant"] == DIVERTER_ALONE
    free_surplus = variant(build({**ready, "export_rule": "no export"}, array={"dc_rating_kw": 6.0}))
    assert free_surplus["variant"] in (DIVERTER_ALONE, BOTH)


def test_a_timer_leaves_the_thermostat_and_needs_no_mixing_valve_for_60_degrees(build):
    cohort = build({**READY, **NIGHT_RATE})
    _, timer, both, _ = changed(cohort).alternatives
    for other in (timer, both):
        np.testing.assert_array_equal(other.plant.store_set_c, api.baseline(cohort).store_set_c)
    assert timer.plant.diverter_kw[0] == 0
    assert quantity(timer, "mixing_valve").tolist() == [0]
    assert quantity(both, "mixing_valve").tolist() == [0.5]  # 65 C from surplus


def test_a_home_that_is_ready_fits(build):
    assert verdict(build) == (api.FITS, "")


@pytest.mark.parametrize(
    ("facts", "why"),
    [
        ({"water_heat": "combi boiler"}, "combi"),
        ({"water_store_litres": 0.0}, "no hot-water store"),
        ({"water_heat": "solar thermal"}, "solar thermal"),
        ({"export_rule": "gross feed-in"}, "sold"),
        ({"use": "hotel", "hot_water_litres_per_day": 900.0, "water_store_litres": 800.0}, "not larger"),
        ({"occupants": 6, "water_store_litres": 145.0}, "not larger"),  # 0.8 (25 x 6 + 36) = 148.8 L a day
    ],
)
def test_where_it_does_not_fit(build, facts, why):
    status, reason = verdict(build, **facts)
    assert status == api.DOES_NOT_FIT
    assert why in reason


def test_a_store_just_larger_than_a_days_hot_water_fits(build):
    assert verdict(build, occupants=6, water_store_litres=150.0)[0] == api.FITS


@pytest.mark.parametrize(
    ("facts", "why"),
    [
        ({"water_heat": pd.NA}, "what heats"),
        ({"water_store_litres": pd.NA}, "size"),
        ({"battery_kwh": 5.0}, "battery"),
        ({"battery_kwh": pd.NA}, "battery"),
        ({"element_cut_out": pd.NA}, "cut-out"),
        ({"water_heat": "gas boiler", "gas_price": 0.1, "element_kw": pd.NA}, "element"),
        ({"water_heat": "gas boiler"}, "price of the heat"),
        ({"export_rule": pd.NA}, "export is counted"),
        ({"export_price": pd.NA}, "paid for export"),
        ({"occupants": pd.NA, "water_store_litres": 70.0}, "may not be larger"),
        ({"use": "hotel", "occupants": 40, "water_store_litres": 25.0}, "may not be larger"),
    ],
)
@pytest.mark.few_quick
@pytest.mark.few_quick
def test_facts_that_decide_are_asked_for(build, facts, why):
    status, reason = verdict(build, **facts)
    assert status == api.SURVEY_FIRST
    assert why in reason


def test_no_price_for_export_is_needed_where_none_may_be_exported(build):
    assert verdict(build, export_price=pd.NA, export_rule="no export")[0] == api.FITS


def test_a_store_without_element_gets_one(build):
    on_gas = {**ON_GAS, "element_cut_out": pd.NA}
    change = changed(build({**ON_GAS, "element_kw": 0.0}, ON_GAS, {**on_gas, "element_kw": pd.NA}, on_gas))
    # none; one with a cut-out; 0.5 x 0.8 that there is a good one; 0.8 that the one there is good
    assert quantity(change, "immersion_element") == pytest.approx([1, 0, 0.6, 0.2])
    assert change.plant.diverter_kw == pytest.approx([2.755, 3, 2.755, 3])  # 3 kW x (230 V / 240 V)^2 where new


def test_an_element_without_cut_out_is_replaced(build):
    change = changed(build({**READY, "element_cut_out": False}))
    assert quantity(change, "immersion_element") == pytest.approx([1])
    assert quantity(change, "plumber")[0] >= 2.5


def test_the_controller_limits_a_large_element(build):
    assert changed(build({**READY, "element_kw": 9.0})).plant.diverter_kw == pytest.approx([3])


def test_a_store_above_60_degrees_needs_a_mixing_valve(build):
    cohort = build(READY)
    plant = api.baseline(cohort)
    for store_max_c, valves in ((60.0, 0.0), (65.0, 0.5)):
        changed_plant = plant.replace(store_max_c=np.array([store_max_c]))
        change = DIVERTER.change(cohort, changed_plant, assumed(DIVERTER, {}, {}))
        assert quantity(change, "mixing_valve") == pytest.approx([valves])


def test_the_present_heater_stays_as_it_is(build):
    # HSE HSG274 Part 2: the store still has to reach 60 C
    cohort = build(READY)
    before, after = api.baseline(cohort), changed(cohort).plant
    np.testing.assert_array_equal(after.store_set_c, before.store_set_c)
    np.testing.assert_array_equal(after.store_max_c, before.store_max_c)
    assert (after.store_set_c >= 60).all()


def test_an_unknown_store_counts_for_nothing_and_says_so(build):
    cohort = build({**ON_GAS, "water_store_litres": pd.NA}, {**ON_GAS, "water_heat": pd.NA})
    _, energy = balances(cohort)
    remarks = changed(cohort).remarks
    for row in range(2):
        assert (energy.annual("to_water")[row] == 0) == (remarks[row] == UNHEARD)


def test_the_dangers_are_named(build):
    notes = {note.id: note for note in DIVERTER.safety(build(READY)).for_site(0)}
    assert {
        "scald",
        "legionella",
        "element_cut_out",
        "unvented_store",
        "mains_licensed",
        "continuous_load",
        "local_rules",
    } <= set(notes)
    assert notes["scald"].severity == api.DANGER
    assert "60 C" in notes["legionella"].text
