"""Surge protection and an isolator beside the inverter: led by safety; what it saves is damage by its small chance."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from aftersun import api
from aftersun_upgrades import _common as common

LIFE = api.Range(15, 8, 20, "years", "common practice, no source")


class SurgeProtection:
    """Arresters on both sides of the inverter and a switch to isolate the DC side."""

    about = api.About(
        id="surge_protection",
        title="Isolator and surge protection",
        summary="A DC isolator and arresters are fitted beside the inverter",
        version="0.1",
        life=LIFE,
        reads=("surroundings", "inverter_topology"),
        sources=("IEC 61643-32", "IEC 60364-7-712", "assumption: chance of damage"),
        prices=(
            api.PriceItem(
                "arrester_set",
                api.MATERIAL,
                api.Range(260, 150, 500, "per set", "common practice, no source; EUR of 2026", "DC and AC arresters"),
            ),
            api.PriceItem(
                "dc_isolator",
                api.MATERIAL,
                api.Range(90, 50, 200, "per piece", "common practice, no source; EUR of 2026", "switch for DC"),
            ),
            api.PriceItem(
                "surge_damage",
                api.AVOIDED_RISK,
                api.Range(
                    250,
                    120,
                    500,
                    "per kW",
                    "assumption: a new inverter with work; EUR of 2026",
                    "what a surge destroys",
                ),
            ),
        ),
    )
    assumptions: Mapping[str, api.Range] = {
        "life_years": LIFE,
        "damage_per_year": api.Range(
            0.003,
            0.001,
            0.01,
            "chance a year",
            "assumption",
            "that a surge destroys the inverter where nothing keeps it off",
        ),
        "damage_in_the_open": api.Range(2.0, 1.0, 4.0, "times", "assumption", "as often in the country and on farms"),
        "kept_off": api.Range(0.8, 0.5, 0.95, "share", "assumption", "part of the damage that arresters keep off"),
        "kw_per_set": api.Range(30, 20, 60, "kW", "assumption", "one set of arresters for so much"),
        "h_per_set": api.Range(3, 2, 6, "h", "assumption", "electrician"),
    }
    facts: Mapping[str, api.Fact] = {}
    claims = (api.Claim("Every system needs surge protection.", "common practice, no source"),)

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Somebody has to see what is there."""
        return api.Screening.of(cohort).survey(
            np.ones(len(cohort), dtype=bool), "whether arresters and an isolator are there already"
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Nothing in the energy; damage by its chance."""
        kw = plant.inverter_rating_kw
        sets = np.ceil(np.maximum(kw, 0.1) / assume["kw_per_set"])
        open_land = common.equals(cohort.sites, "surroundings", "rural", "farmland", "desert", "coast")
        chance = np.where(open_land, assume["damage_in_the_open"], 1.0) * assume["damage_per_year"] * assume["kept_off"]
        return api.Change(
            plant=plant,
            costs=(
                api.CostLine(api.MATERIAL, "arrester_set", sets, "set"),
                api.CostLine(api.MATERIAL, "dc_isolator", sets, "piece"),
                api.CostLine(api.LABOUR, "electrician", assume["h_per_set"] * sets, "h"),
            ),
            yearly=(api.CostLine(api.AVOIDED_RISK, "surge_damage", chance * kw, "kW", "by its small chance"),),
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Live DC; a switch that is not made for DC burns."""
        arc = api.Note(
            "isolator_arc",
            api.DANGER,
            "A switch made for AC burns when it breaks DC: only one rated for the voltage and current of the strings.",
            "a licensed electrician",
            "IEC 60947-3, utilisation category DC-PV2",
        )
        return api.Notes.of(cohort).add(common.LIVE).add(arc)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [SurgeProtection()]
