"""What a diverter saves, against a store of twelve layers run in five-minute steps that shares no code with it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import store_reference

import aftersun_datasets
from aftersun import api
from aftersun.climate.normals import normals_at
from aftersun.climate.synthesis.year import synthetic_year
from aftersun.energy.assumptions import system_values
from aftersun.energy.balance import household_load
from aftersun.energy.demand import standard_load_shapes
from aftersun.host.assumed import assumed
from aftersun.testing import sample_cohort
from aftersun_retrofits.hot_water_diverter import HotWaterDiverter

DIVERTER = HotWaterDiverter()
VALUES = system_values()
HOMES = 20
YEARS = 4  # of other loads and draws each: one year of one home differs by 5 %
PLACE = (45.0, 8.0)
IMPORT, EXPORT = 0.30, 0.08  # per kWh


def home(rng: np.random.Generator, days: float) -> dict[str, Any]:
    """One to five people with an immersion element, whose store holds the hot water of so many days."""
    people, rating = int(rng.integers(1, 6)), float(rng.uniform(2, 8))
    return {
        "water_heat": "immersion",
        "water_store_litres": days * 0.8 * (25 * people + 36),
        "water_store_insulation_mm": float(rng.choice([25, 50, 80])),
        "element_kw": float(rng.choice([2.0, 2.4, 3.0])),
        "element_cut_out": True,
        "battery_kwh": 0.0,
        "occupants": people,
        "export_rule": "net billing",
        "import_price": IMPORT,
        "export_price": EXPORT,
        "annual_demand_kwh": float(rng.uniform(2500, 4500) + 700 * people),
        "inverter_rating_kw": rating,
        "arrays": [{"dc_rating_kw": rating, "azimuth_deg": float(rng.uniform(120, 240))}],
        "latitude": PLACE[0],
        "longitude": PLACE[1],
    }


def table(name: str) -> np.ndarray:
    return np.array([float(row["value"]) for row in aftersun_datasets.rows("hot_water.csv") if row["table"] == name])


def saved_by_a_diverter(
    homes: list[dict[str, Any]], years: int, evenness: float = VALUES["load_evenness"]
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return what it saves a year by the program and by the reference, where one boost a day is enough, cold shares."""
    weather = synthetic_year(normals_at(*PLACE), seed=1)
    cohort = sample_cohort(*homes, weather=weather)
    cohort = replace(cohort, load_shapes=standard_load_shapes(weather.times)[:1], overrides={"load_evenness": evenness})
    plant = api.baseline(cohort)
    boosted = DIVERTER.change(cohort, plant, assumed(DIVERTER, {}, {})).plant
    before, after = api.simulate(cohort, plant), api.simulate(cohort, boosted)

    month = weather.times.month.to_numpy() - 1
    boosts = np.stack([table(hours) > 0 for hours in boosted.heating_hours], axis=1)
    at_any_hour = np.ones((24, len(homes)), dtype=bool)
    reference = store_reference.run(
        store_reference.Homes(
            generated=np.tile(before.generated.astype(float), (2 * years, 1)),
            load=np.tile(household_load(cohort, plant).astype(float), (2 * years, 1)),
            litres=np.tile(plant.store_litres, 2 * years),
            loss_w_per_k=np.tile(plant.store_loss_w_per_k, 2 * years),
            element_kw=np.tile(plant.heater_kw, 2 * years),
            draw_litres_per_day=np.tile(plant.draw_litres_per_day, 2 * years) * (1 + VALUES["pipe_loss_share"]),
            draw_share=table("draw_share"),
            month_factor=table("month_factor")[month],
            cold_c=(VALUES["tap_temperature_c"] - table("temperature_rise"))[month],
            diverter=np.repeat([False, True], years * len(homes)),
            grid_hours=np.concatenate([np.tile(hours, years) for hours in (at_any_hour, boosts)], axis=1),
            tap_c=VALUES["tap_temperature_c"],
            room_c=VALUES["room_c"],
            set_c=VALUES["store_set_c"],
            max_c=VALUES["store_max_c"],
            household=np.tile(np.arange(years * len(homes)), 2),
            evenness=evenness,
            base_kw=np.tile(plant.base_load_kw, 2 * years),
            battery_kwh=np.tile(plant.battery_kwh, 2 * years),
            battery_kw=np.tile(plant.battery_kw, 2 * years),
            round_trip=VALUES["battery_round_trip_efficiency"],
        )
    )

    def paid(imported: np.ndarray, exported: np.ndarray) -> np.ndarray:
        return IMPORT * imported - EXPORT * exported

    bills = paid(reference.imported, reference.exported).reshape(2, years, len(homes)).mean(axis=1)
    saved = paid(before.annual("imported"), before.annual("exported"))
    saved -= paid(after.annual("imported"), after.annual("exported"))
    return saved, bills[0] - bills[1], boosted.heating_hours == api.ONE_BOOST, reference.cold_share


@pytest.mark.slow
def test_twenty_homes_save_what_a_finer_simulation_says() -> None:
    rng = np.random.default_rng(3)
    homes = [home(rng, days) for days in np.linspace(1.1, 3.5, HOMES).tolist()]
    saved, expected, once, cold_share = saved_by_a_diverter(homes, YEARS)
    assert 10 < once.sum() < HOMES
    np.testing.assert_allclose(saved[once], expected[once], rtol=0.10)
    # Two boosts leave the smallest stores less room for the sun here than in layers: on the safe side.
    np.testing.assert_allclose(saved[~once], expected[~once], rtol=0.15)
    assert saved.sum() == pytest.approx(expected.sum(), rel=0.05)
    # Seen, not hidden: the share of the water that comes below 45 C.
    assert cold_share.max() < 0.035


@pytest.mark.slow
def test_beside_a_battery_a_diverter_saves_what_a_finer_simulation_says() -> None:
    rng = np.random.default_rng(3)
    homes = [home(rng, 2.0) | {"battery_kwh": kwh} for kwh in np.linspace(3, 12, 10).tolist()]
    # The load is even within the hour: by the hour it is one day's and another's that differ.
    saved, expected, once, _ = saved_by_a_diverter(homes, years=1, evenness=50.0)
    assert once.all()
    # The draws of a day come in showers there and evenly here, where a battery evens out more: on the safe side.
    assert 0.8 * expected.sum() < saved.sum() < 1.05 * expected.sum()
    np.testing.assert_allclose(saved, expected, atol=45)  # money a year
