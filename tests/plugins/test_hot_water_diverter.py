"""A diverter moves surplus into the hot-water store: the balance says how much, the tariff for what."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from aftersun import api
from aftersun.host.assumed import assumed
from aftersun_retrofits.hot_water_diverter import HotWaterDiverter

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


def annual_method(generated_kwh: float, share_used: float) -> tuple[float, float, float]:
    """SAP 10.2 Appendix G4: useful heat, what the diverter draws, what is left to export, in kWh."""
    surplus = generated_kwh * (1 - share_used)
    draw = surplus * 0.8  # what the store can take
    return draw * 0.9, draw, surplus - draw  # 0.9: the hotter store loses more


def test_annual_method_as_published():
    # SAP 10.2 Appendix G4 with E 300 kWh and beta 0.35
    assert annual_method(300, 0.35) == pytest.approx((140.4, 156, 39), abs=0.1)


@pytest.mark.parametrize("rating_kw", [0.9, 1.1, 1.3])
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


def test_a_full_store_takes_less_than_the_annual_method_says(build):
    cohort = build({**ON_GAS, "annual_demand_kwh": 2000.0}, array={"dc_rating_kw": 4.0})
    without, with_it = balances(cohort)
    generated = without.annual("generated")[0]
    _, draw, _ = annual_method(generated, without.annual("used")[0] / generated)
    assert with_it.annual("to_water")[0] < draw


@pytest.mark.parametrize("facts", [READY, ON_GAS, {**READY, "battery_kwh": 5.0}, {**READY, "export_rule": "no export"}])
def test_each_hour_balances_and_stays_within_the_element(build, facts):
    _, energy = balances(build(facts, array={"dc_rating_kw": 6.0}))
    out = energy.used + energy.to_water + energy.exported + energy.curtailed
    np.testing.assert_allclose(energy.generated, out, atol=1e-4)
    assert energy.to_water.max() <= 3.0 + 1e-6  # kWh in an hour from an element of 3 kW
    assert energy.to_water.min() >= 0
    assert energy.annual("to_water")[0] > 200


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


@settings(deadline=None, max_examples=5, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(standby_w=st.floats(0, 6))
def test_where_nothing_may_be_exported_diverting_is_free(build, standby_w):
    cohort = build({**ON_GAS, "export_rule": "no export"}, array={"dc_rating_kw": 6.0})
    without = api.simulate(cohort, api.baseline(cohort))
    with_it = api.simulate(cohort, changed(cohort, standby_w=standby_w).plant)
    assert without.annual("exported")[0] == with_it.annual("exported")[0] == 0
    assert with_it.annual("curtailed") < without.annual("curtailed")
    assert changed(cohort).remarks[0] == ""


def test_a_small_array_with_no_surplus_gains_nothing(build):
    _, energy = balances(build({**READY, "annual_demand_kwh": 30000.0}, array={"dc_rating_kw": 0.5}))
    assert energy.annual("to_water")[0] == 0


@pytest.mark.parametrize(
    ("gas", "export", "loses"),
    [
        # break-even export price = gas price / efficiency: 0.0364 / 0.78 = 0.047, 0.0574 / 0.78 = 0.074
        (0.0364, 0.0559, True),
        (0.0574, 0.15, True),
        (0.0574, 0.05, False),
    ],
)
def test_cheap_heat_and_paid_export_are_named(build, gas, export, loses):
    change = changed(build({**ON_GAS, "gas_price": gas, "export_price": export}))
    assert ("loses" in change.remarks[0]) is loses


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
    cohort = build({**night, "night_import_price": 0.09}, night)
    assert ["loses" in text for text in changed(cohort).remarks] == [True, False]


def test_deemed_export_is_paid_whatever_is_diverted(build):
    cohort = build({**ON_GAS, "export_price": 0.15, "export_rule": "deemed export"})
    assert changed(cohort).remarks[0] == ""


def test_a_home_that_is_ready_fits(build):
    assert verdict(build) == (api.FITS, "")


@pytest.mark.parametrize(
    ("facts", "why"),
    [
        ({"water_heat": "combi boiler"}, "combi"),
        ({"water_store_litres": 0.0}, "no hot-water store"),
        ({"water_heat": "solar thermal"}, "solar thermal"),
        ({"export_rule": "gross feed-in"}, "sold"),
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
    ],
)
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
        assert (energy.annual("to_water")[row] == 0) == ("nothing is counted" in remarks[row].lower())


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
