"""What is asked, and what is not, where nobody lives."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests_support import empty_frame, make_cohort, make_weather

from aftersun.host.guard import Guard
from aftersun.host.registry import find_plugins
from aftersun.model.uses import OF_A_HOUSEHOLD
from aftersun.money.company import Company
from aftersun.scoring.offers.chunk import plant_texts
from aftersun.scoring.ranges.drivers import of_facts_and_yield, of_systems
from aftersun.scoring.ranges.information import answers_of
from aftersun.scoring.ranges.other_systems import OtherSystems
from aftersun.scoring.value.cohorts import fleet_choices
from aftersun.scoring.value.simulations import Simulations, baseline_of
from aftersun.scoring.value.valuation import Case, evaluate

# All that a household could be asked for is unknown; a diverter and monitoring read it.
SITE = {
    "latitude": 36.12, "longitude": -79.98, "elevation_m": 0.0, "commissioned_on": "2014-05-01",
    "roof_kind": "ground", "storeys": 1, "export_rule": "no export", "remaining_life_years": 18.0,
    "import_price": 0.34, "export_price": 0.04, "load_shape": 0, "water_heat": "immersion", "element_kw": 6.0,
    "element_cut_out": True, "battery_kwh": 0.0, "water_store_litres": 800.0, "monitoring": "none",
    "internet_at_inverter": True, "inverter_year": 2014, "annual_demand_kwh": 9000.0,
}  # fmt: skip
PLANE = {"tilt_deg": 8.0, "azimuth_deg": 180.0, "dc_rating_kw": 14.0, "mounting": "ground frame", "strings": 2}


def site_used_as(use: str | None):
    cohort = make_cohort(make_weather(), [{**SITE, "site_id": str(use), "use": use}], [{**PLANE, "site": 0}])
    return replace(cohort, choices=fleet_choices(cohort.sites.iloc[:0]))


def looked_at(use: str, company: Company) -> tuple[set[str], set[str]]:
    """Return the facts and numbers of the site that a run draws and values answers to, and those a closer look asks."""
    cohort = site_used_as(use)
    baseline, _ = baseline_of(cohort, company, empty_frame("reading", 0))
    others, guard = OtherSystems(cohort, empty_frame("reading", 0)), Guard(plant_texts())
    drawn, asked = set(), set()
    for loaded in find_plugins().retrofits:
        if loaded.id not in ("hot_water_diverter", "monitoring_add_on"):
            continue
        case = Case(loaded, baseline, Simulations(baseline), company, guard)
        valuation = evaluate(case)
        assert valuation is not None
        parts, of_water = valuation.parts, bool(valuation.heats_water.any())
        moved_by = [*of_facts_and_yield(case, parts), *of_systems(case, parts, of_water)]
        drawn |= {driver.name for driver in moved_by if any(np.any(end.npv != parts.npv) for end in driver.ends)}
        asked |= {one.column for one in answers_of(case, moved_by, float(valuation.npv[0]))}
        asked |= {one.column for one in others.answers(case)}
    return drawn, asked


@pytest.mark.slow
def test_a_hotel_is_never_asked_what_a_household_is_asked(company: Company) -> None:
    drawn, asked = looked_at("home", company)
    assert {"occupants", "owner_present"} <= drawn & asked
    assert "hot_water_litres_per_day" not in drawn | asked
    drawn, asked = looked_at("hotel", company)
    assert "hot_water_litres_per_day" in drawn & asked
    assert not (drawn | asked) & {*OF_A_HOUSEHOLD, "use"}
