"""A heat pump of its own for hot water, in place of what heats the store now: the rival of the diverter.

It heats the store in the afternoon, when the roof has most over, with a third of the electricity that an element takes.
What it replaces is the present heater's fuel or electricity at the site's own price; the balance of the program meets
what runs in the sun by surplus. Left out: the heat it takes from the room, cold rooms, noise, and the room it needs.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from aftersun import api
from aftersun_upgrades import _common as common

LIFE = api.Range(15, 10, 20, "years", "common practice, no source")


class HotWaterHeatPump:
    """A store with a heat pump on top, in place of the present store."""

    about = api.About(
        id="hot_water_heat_pump",
        title="Heat pump for hot water",
        summary="A store with its own heat pump takes the place of the present store",
        version="0.1",
        life=LIFE,
        reads=("water_heat", "water_store_litres"),
        sources=("hourly balance of the program", "EN 16147: efficiency of heat pumps for hot water"),
        excludes=("hot_water_diverter",),
        prices=(
            api.PriceItem(
                "water_heat_pump", api.MATERIAL,
                api.Range(2100, 1500, 3200, "per piece", "common practice, no source; EUR of 2026", "200 to 300 L"),
            ),
        ),
    )  # fmt: skip
    assumptions: Mapping[str, api.Range] = {
        "life_years": LIFE,
        "heat_per_kwh": api.Range(
            2.8, 2.2, 3.4, "kWh/kWh", "common practice, no source: EN 16147 values of 2.6 to 3.4 at 14 to 20 C",
            "heat for each kWh of electricity over the year",
        ),
        "heat_pump_kw": api.Range(0.6, 0.4, 0.9, "kW", "common practice, no source", "electric"),
        "least_litres": api.Range(200, 150, 270, "L", "common practice, no source", "of its store"),
        "kwh_per_litre": api.Range(
            0.06, 0.05, 0.07, "kWh/L", "SAP 2012 Tables 1c, 1d: January's rise and draw",
            "heat drawn in winter, pipes counted",
        ),
        "plumber_h": api.Range(8, 5, 14, "h", "assumption"),
        "electrician_h": api.Range(3, 1, 5, "h", "assumption"),
    }  # fmt: skip
    facts: Mapping[str, api.Fact] = {}
    claims = (api.Claim("Hot water for a quarter of the cost.", "common practice, no source"),)

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Where something else heats a store; a room for it has to be seen."""
        sites = cohort.sites
        there = common.equals(sites, "water_heat", "heat pump", "solar thermal")
        without = common.equals(sites, "water_heat", "combi boiler") | (
            common.numbers(sites, "water_store_litres") == 0.0
        )
        everywhere = np.ones(len(cohort), dtype=bool)
        return (
            api.Screening.of(cohort)
            .reject(there, "what heats the water now is as cheap")
            .reject(without, "there is no hot-water store, and its pipes are not counted here")
            .survey(everywhere, "a room of 20 m3 above 10 C with a drain, and where its noise goes")
            .survey(sites["water_heat"].isna().to_numpy(dtype=bool), "what heats the water now is not known")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Its own heat and power; boosts in the afternoon, or at any hour where that is not enough."""
        size = len(cohort)
        known = plant.water_heat != ""
        litres = np.maximum(plant.store_litres, assume["least_litres"])
        heat_kw = assume["heat_pump_kw"] * assume["heat_per_kwh"]
        # what an afternoon of three hours puts in has to last until the next, in winter too
        need = assume["kwh_per_litre"] * plant.draw_litres_per_day + 0.024 * plant.store_loss_w_per_k * 40.0
        enough = (litres >= 2.0 * plant.draw_litres_per_day) & (3.0 * heat_kw >= need)
        hours = np.where(enough, api.ONE_BOOST, api.ANY_HOUR)
        columns: Mapping[str, Any] = {
            "water_heat": "heat pump",
            "water_efficiency": assume["heat_per_kwh"],
            "heater_kw": assume["heat_pump_kw"],
            "heating_hours": hours,
            "store_litres": litres,
        }
        changed = {
            name: np.where(known, value, getattr(plant, name)).astype(getattr(plant, name).dtype)
            for name, value in columns.items()
        }
        ones = np.ones(size)
        heats = np.where(
            enough, "heats in the afternoon", "heats at any hour: the day's water is too much for one boost"
        )
        return api.Change(
            plant=plant.replace(**changed),
            costs=(
                api.CostLine(api.MATERIAL, "water_heat_pump", ones, "piece"),
                api.CostLine(api.LABOUR, "plumber", assume["plumber_h"] * ones, "h"),
                api.CostLine(api.LABOUR, "electrician", assume["electrician_h"] * ones, "h"),
            ),
            remarks=np.where(known, heats, "nothing is counted: what heats the water now is not known").astype(object),
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Pressure, hygiene, refrigerant."""
        pressure = api.Note(
            "heat_pump_water_pressure", api.WARNING,
            "Without safety valve a store bursts; lukewarm water breeds legionella: a valve, and 60 C at times.",
            "a licensed plumber", "EN 806-4; CEN/TR 16355",
        )  # fmt: skip
        gas = api.Note(
            "heat_pump_refrigerant", api.DANGER,
            "Some refrigerants burn: no flame, no opening of the circuit, and the least room that the maker asks for.",
            "people certified for refrigerants", "EN 378-1; IEC 60335-2-40; Regulation (EU) 2024/573",
        )  # fmt: skip
        return api.Notes.of(cohort).add(pressure).add(gas)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [HotWaterHeatPump()]
