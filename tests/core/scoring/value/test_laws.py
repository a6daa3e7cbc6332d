"""Laws of value, tried through the whole chain from facts to net present value."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests_support import empty_frame, make_cohort, make_weather

from aftersun.host.registry import Registry, find_plugins
from aftersun.money.company import Company
from aftersun.scoring.offers.chunk import score

NONE_FITTED = pd.DataFrame(
    {
        "site_id": pd.Series(dtype="string"),
        "retrofit": pd.Series(dtype="string"),
        "fitted_on": pd.Series(dtype="datetime64[us]"),
    }
)
NO_READINGS = empty_frame("reading", 0)
HOME = {
    "latitude": 36.1,
    "longitude": -79.9,
    "roof_kind": "pitched tile",
    "storeys": 1,
    "commissioned_on": pd.Timestamp("2018-05-01"),
    "remaining_life_years": 18.0,
    "import_price": 0.30,
    "export_price": 0.05,
    "export_rule": "net billing",
    "annual_demand_kwh": 4000.0,
    "occupants": 3,
    "inverter_rating_kw": 5.0,
    "inverter_topology": "transformerless",
    "water_heat": "immersion",
    "water_store_litres": 210.0,
    "element_kw": 3.0,
    "element_cut_out": True,
    "battery_kwh": 0.0,
    "module_gap_mm": 90.0,
}
PLANE = {
    "site": 0, "tilt_deg": 30.0, "azimuth_deg": 180.0, "dc_rating_kw": 6.0, "module_count": 18, "strings": 2,
    "mounting": "flush roof",
}  # fmt: skip
LAWS = settings(max_examples=4)
WEATHER = make_weather()


@pytest.fixture(scope="module")
def registry() -> Registry:
    return find_plugins()


def npv(registry: Registry, company: Company, retrofit: str, **facts: object) -> float:
    cohort = make_cohort(WEATHER, [{**HOME, **facts}], [PLANE])
    only = Registry(tuple(one for one in registry.retrofits if one.id == retrofit), (), (), ())
    result = score(cohort, NONE_FITTED, only, company, NO_READINGS, ranges=False)
    assert result.failures == ()
    (row,) = result.frames["ranking"].to_dict("records")
    return float(row["npv"])


@LAWS
@given(low=st.floats(0, 0.3), more=st.floats(0.01, 0.3))
@pytest.mark.slow
def test_a_diverter_is_worth_less_the_more_is_paid_for_export(registry, company, low, more):
    worth = [npv(registry, company, "hot_water_diverter", export_price=price) for price in (low, low + more)]
    assert worth[1] < worth[0]


@LAWS
@given(gas=st.floats(0.02, 0.3), more=st.floats(0.01, 0.3))
@pytest.mark.slow
def test_a_diverter_is_worth_more_the_dearer_the_heat_it_displaces(registry, company, gas, more):
    worth = [
        npv(registry, company, "hot_water_diverter", water_heat="gas boiler", gas_price=price)
        for price in (gas, gas + more)
    ]
    assert worth[1] > worth[0]


OTHERS = ("monitoring_add_on", "hot_water_diverter", "connector_replacement")


@LAWS
@given(markup=st.floats(0, 2), more=st.floats(0.05, 1))
@pytest.mark.parametrize("retrofit", ["bird_mesh", *(pytest.param(name, marks=pytest.mark.slow) for name in OTHERS)])
@pytest.mark.slow
def test_worth_falls_as_the_price_rises(registry, company, retrofit, markup, more):
    def at(share: float) -> Company:
        return company.model_copy(update={"money": company.money.model_copy(update={"markup_share": share})})

    assert npv(registry, at(markup + more), retrofit) < npv(registry, at(markup), retrofit)


@LAWS
@given(years=st.integers(1, 15), more=st.integers(1, 10))
@pytest.mark.slow
def test_what_brings_something_every_year_is_worth_more_the_longer_the_system_is_kept(registry, company, years, more):
    worth = [
        npv(registry, company, "hot_water_diverter", remaining_life_years=float(kept)) for kept in (years, years + more)
    ]
    assert worth[1] >= worth[0]


@pytest.mark.slow
def test_a_system_about_to_go_gets_nothing_but_the_bill(registry, company):
    cohort = make_cohort(WEATHER, [{**HOME, "remaining_life_years": 0.5}], [PLANE])
    ranking = score(cohort, NONE_FITTED, registry, company, NO_READINGS, ranges=False).frames["ranking"]
    evaluated = ranking[ranking["npv"].notna()]
    assert (evaluated["npv"] == -evaluated["upfront"]).all()
    assert (evaluated["years"] == 0).all()


def test_mesh_saves_no_money_on_energy_where_no_birds_are(registry, company):
    cohort = make_cohort(WEATHER, [{**HOME, "birds_seen": False}], [PLANE])
    only = Registry(tuple(one for one in registry.retrofits if one.id == "bird_mesh"), (), (), ())
    (row,) = score(cohort, NONE_FITTED, only, company, NO_READINGS, ranges=False).frames["ranking"].to_dict("records")
    assert row["energy_gain_kwh"] <= 0
    assert -row["upfront"] < row["npv"] < -row["upfront"] * 0.8  # some of which keeps birds from coming later
