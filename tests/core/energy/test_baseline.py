"""Today's plant: known facts are kept, unknown ones take their published or stated defaults."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

import aftersun_datasets
from aftersun.energy.assumptions import system_values
from aftersun.energy.baseline import baseline
from aftersun.energy.hot_water import present_backup
from aftersun.model import tables
from aftersun.model.errors import AftersunError


def test_default_losses_are_those_of_pvlib(make_cohort: Any) -> None:
    # pvlib.pvsystem.pvwatts_losses with its defaults: 14.0757 %, of which soiling 2 %
    cohort = make_cohort({"birds_seen": False})
    plant = baseline(cohort)
    names = ("shading", "mismatch", "wiring", "connection", "light_induced", "nameplate")
    left = np.prod([1 - getattr(plant, f"{name}_loss")[0] for name in names])
    total = 1 - left * plant.availability[0] * (1 - tables.mode("system.csv", "default_soiling_loss"))
    assert 100 * total == pytest.approx(14.0757, abs=1e-3)
    assert plant.droppings_loss[0] == 0


def test_ageing(make_cohort: Any) -> None:
    # 0.5 %/a (median of Jordan & Kurtz 2013), compound: 0.8822 after 25 years, 0.9511 after 10
    cohort = make_cohort({"commissioned_on": "2000-01-01"}, {"commissioned_on": "2015-01-01"}, {})
    ageing = baseline(cohort).ageing
    assert ageing[:2] == pytest.approx([0.8822, 0.9511], abs=1e-4)
    assert ageing[2] == pytest.approx(0.995**8)


def test_known_facts_are_kept(make_cohort: Any) -> None:
    array = {
        "tilt_deg": 12.0,
        "azimuth_deg": 95.0,
        "dc_rating_kw": 6.0,
        "mounting": "flat roof frame",
        "temp_coefficient_pct_per_k": -0.34,
        "ground_cover_ratio": 0.6,
        "shading_pct": 10.0,
    }
    site = {
        "inverter_rating_kw": 5.0,
        "export_limit_kw": 3.0,
        "battery_kwh": 8.0,
        "water_store_litres": 210.0,
        "water_store_insulation_mm": 50.0,
        "occupants": 3,
        "water_heat": "gas boiler",
        "cell_type": "thin film",
        "measured_excess_loss": 0.07,
        "surroundings": "desert",
        "annual_demand_kwh": 4321.0,
    }
    plant = baseline(make_cohort(site | {"arrays": [array]}))
    expected = {
        "tilt_deg": 12,
        "azimuth_deg": 95,
        "dc_rating_kw": 6,
        "temp_coefficient_per_k": -0.0034,
        "ground_cover_ratio": 0.6,
        "shading_loss": 0.10,
        "inverter_rating_kw": 5,
        "export_limit_kw": 3,
        "battery_kwh": 8,
        "store_litres": 210,
        "excess_loss": 0.07,
        "demand_kwh": 4321,
        "soiling_rate_per_day": 0.0030,  # Kimber et al. 2006, desert
        "store_loss_w_per_k": 1.5877 * 1000 / 24 / 40,  # SAP 2012 Table 2: 210 L, 50 mm foam
        "draw_litres_per_day": 0.8 * 111,  # SAP 2012 Table 1b: 25 N + 36
        "diverter_kw": 0,
        "extra_temp_k": 0,
        "transmittance": 1,
        "standby_kwh": 0,
    }
    for name, value in expected.items():
        assert getattr(plant, name)[0] == pytest.approx(value, rel=1e-3), name
    assert plant.mounting[0] == "flat roof frame"
    assert plant.water_heat[0] == "gas boiler"


def test_unknown_facts_take_their_defaults(make_cohort: Any) -> None:
    plant = baseline(make_cohort({"arrays": [{"dc_rating_kw": 4.6}]}))
    expected = {
        "temp_coefficient_per_k": -0.004,
        "inverter_rating_kw": 4.0,
        "inverter_efficiency": 0.96,
        "export_limit_kw": np.inf,
        "demand_kwh": 3500.0,
        "battery_kwh": 0,
        "store_litres": 0,
        "ground_cover_ratio": 0,
        "availability": 0.97,
        "ageing_per_year": 0.005,
        "rain_threshold_mm": 6.0,
        "droppings_loss": 0.10 * 0.02,
        "shunt_share": 1.0,
    }
    for name, value in expected.items():
        assert getattr(plant, name)[0] == pytest.approx(value), name
    assert plant.mounting[0] == "flush roof"
    assert plant.water_heat[0] == ""


def test_row_spacing_counts_only_where_there_are_rows(make_cohort: Any) -> None:
    mountings = ["flush roof", "in roof", "flat roof frame", "ground frame"]
    arrays = [{"mounting": mounting, "ground_cover_ratio": 0.5} for mounting in mountings]
    assert baseline(make_cohort({"arrays": arrays})).ground_cover_ratio.tolist() == [0, 0, 0.5, 0.5]


def test_open_strings(make_cohort: Any) -> None:
    prior = next(float(row["mode"]) for row in aftersun_datasets.rows("facts.csv") if row["id"] == "open_string")
    cohort = make_cohort(
        {"open_string": True, "arrays": [{"strings": 4}]},
        {"open_string": True, "arrays": [{"strings": 1}]},
        {"open_string": False, "arrays": [{"strings": 4}]},
        {"arrays": [{"strings": 4}]},
        {"arrays": [{"strings": 1}]},
        {"arrays": [{"dc_rating_kw": 10.0}]},  # two strings of 5 kW
        {"open_string": True, "arrays": [{"strings": 1}, {"strings": 1}]},
        {"open_string": True, "arrays": [{"dc_rating_kw": 4.0, "module_count": 36}]},  # three strings of 12
        {"open_string": True, "arrays": [{"dc_rating_kw": 3.0, "module_count": 8}]},  # runs without one: two at least
    )
    # a system with one string never falls to zero by it
    expected = [0.75, 1, 1, 1 - prior / 4, 1, 1 - prior / 2, 0.5, 0.5, 2 / 3, 0.5]
    assert baseline(cohort).strings_working == pytest.approx(expected)


def test_excess_loss_only_where_it_can_be(make_cohort: Any) -> None:
    cohort = make_cohort(
        {"cell_type": "p-type crystalline", "inverter_topology": "transformerless"},
        {"cell_type": "thin film", "inverter_topology": "transformerless"},
        {"cell_type": "n-type crystalline"},
        {"cell_type": "p-type crystalline", "inverter_topology": "module level"},
        {"cell_type": "p-type crystalline", "inverter_topology": "isolated"},
        {"cell_type": "thin film", "measured_excess_loss": 0.05},
        {"measured_excess_loss": 0.0},
    )
    plant = baseline(cohort)
    assert plant.excess_loss[1:] == pytest.approx([0, 0, 0, 0, 0.05, 0])
    assert plant.shunt_share == pytest.approx([1, 0, 0, 0, 0, 0, 0.5])
    # A shunt's 0.3 % of the year's output is less in full sun
    assert 0.0008 < plant.excess_loss[0] < 0.002


def test_birds(make_cohort: Any) -> None:
    cohort = make_cohort({"birds_seen": True}, {"birds_seen": False}, {})
    assert baseline(cohort).droppings_loss == pytest.approx([0.02, 0, 0.002])


def test_no_export_is_a_limit_of_zero(make_cohort: Any) -> None:
    cohort = make_cohort({"export_rule": "no export", "export_limit_kw": 5.0}, {"export_limit_kw": 5.0}, {})
    assert baseline(cohort).export_limit_kw.tolist() == [0, 5, np.inf]


def test_electric_water_heating_is_taken_off_the_demand(make_cohort: Any) -> None:
    store = {"water_store_litres": 150.0, "occupants": 3}
    cohort = make_cohort(
        store | {"water_heat": "immersion", "annual_demand_kwh": 5000.0},
        store | {"water_heat": "immersion", "annual_demand_kwh": 2000.0},
        store | {"water_heat": "gas boiler", "annual_demand_kwh": 5000.0},
        store | {"water_heat": "immersion"},
    )
    plant = baseline(cohort)
    water = present_backup(cohort.weather, plant, np.array([0]), system_values())[0].sum(dtype=float)
    assert plant.demand_kwh[0] == pytest.approx(5000 - water)
    assert plant.demand_kwh[1] == pytest.approx(0.4 * 2000)
    assert plant.demand_kwh[2] == 5000
    assert plant.demand_kwh[3] == 3500


def test_water_efficiency(make_cohort: Any) -> None:
    kinds = ["gas boiler", "oil boiler", "heat pump", "immersion", "district heat", None]
    cohort = make_cohort(*({"water_heat": kind} if kind else {} for kind in kinds))
    assert baseline(cohort).water_efficiency.tolist() == [0.72, 0.72, 2.5, 1, 1, 1]


def test_overrides_replace_unknowns_only(make_cohort: Any) -> None:
    cohort = make_cohort({"arrays": [{}, {"shading_pct": 10.0}]})
    plant = baseline(cohort, {"shading_loss": 0.2, "soiling_rate_factor": 2.0, "mismatch_loss": 0.05})
    assert plant.shading_loss == pytest.approx([0.2, 0.1])
    assert plant.soiling_rate_per_day == pytest.approx(2 * baseline(cohort).soiling_rate_per_day)
    assert plant.mismatch_loss == pytest.approx(0.05)
    with pytest.raises(AftersunError, match="shadng_loss") as caught:
        baseline(cohort, {"shadng_loss": 0.2})
    assert "shading_loss" in caught.value.hint


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("dc_ac_ratio", 0),
        ("shading_loss", -0.1),
        ("shading_loss", 1.2),
        ("temp_coefficient_per_k", 0.004),
        ("load_evenness", float("nan")),
    ],
)
def test_impossible_overrides_are_refused(make_cohort: Any, name: str, value: float) -> None:
    with pytest.raises(AftersunError, match=name) as caught:
        baseline(make_cohort({}), {name: value})
    assert "usual are" in caught.value.hint


def test_the_companys_own_values(make_cohort: Any) -> None:
    cohort = make_cohort({})
    own = replace(cohort, overrides={"shading_loss": 0.08}, priors={"birds_seen": 0.5})
    assert baseline(own).shading_loss[0] == pytest.approx(0.08)
    assert baseline(own).droppings_loss[0] == pytest.approx(0.01)
    assert baseline(own, {"shading_loss": 0.01}).shading_loss[0] == pytest.approx(0.01)


def test_plant_follows_the_order_of_sites(make_cohort: Any) -> None:
    cohort = make_cohort({"arrays": [{"tilt_deg": 10.0}]}, {"arrays": [{"tilt_deg": 20.0}, {"tilt_deg": 30.0}]})
    turned = cohort.take(np.array([1, 0]))
    assert baseline(turned).tilt_deg.tolist() == [20, 30, 10]


def test_every_assumption_has_a_source() -> None:
    for name, known in tables.ranges("system.csv").items():
        assert known.meaning, name
        assert "TBD" not in known.source
