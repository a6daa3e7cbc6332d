"""Hot-water diverter: surplus that would be exported heats the hot-water store through an electric element.

The plugin only puts the controller and its element into the plant; the hourly balance says how much surplus
the store can take, and the tariff what that is worth. Heat from a cheap fuel can be worth less than the
export it replaces: then the answer is negative, and stays so. The element is taken to heat the whole store;
one near the top reaches a part.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun import api
from aftersun_retrofits import _common as common

KWH_PER_YEAR_AND_W = 8.760

COMBI = "combi boiler"
SOLAR_THERMAL = "solar thermal"
ELECTRIC = ("immersion", "night immersion")
FUEL_PRICES = {  # what the present heater burns or draws, by the column that has its price
    "gas boiler": "gas_price",
    "oil boiler": "oil_price",
    "lpg boiler": "lpg_price",
    "district heat": "district_heat_price",
    "immersion": "import_price",
    "night immersion": "night_import_price",
    "heat pump": "import_price",
}

BILLED = "net billing"
GROSS = "gross feed-in"
UNPAID = ("deemed export", "no export")  # one more kWh exported earns nothing more

MONEY = "Earns nothing or loses, since the heat it replaces costs no more than exported electricity earns"
UNHEARD = "Nothing is counted, since the store or what heats it is not known"

Texts = npt.NDArray[np.object_]


class HotWaterDiverter:
    """A controller that sends surplus to an immersion element; with a new element where there is none."""

    assumptions = api.read_ranges(common.DATA, "assumptions/hot_water_diverter.csv")
    facts = api.read_facts(common.DATA, "facts.csv", ("element_cut_out",))
    claims = api.read_claims(common.DATA, "claims.csv", "hot_water_diverter")
    notes = api.read_notes(
        common.DATA,
        "safety_notes.csv",
        (
            "mains_licensed",
            "scald",
            "element_cut_out",
            "unvented_store",
            "legionella",
            "continuous_load",
            "current_sensor",
            "local_rules",
        ),
    )
    about = api.About(
        id="hot_water_diverter",
        title="Hot water from surplus",
        summary="A controller that heats the hot-water store with surplus instead of exporting it",
        version="1.0",
        life=assumptions["life_years"],
        reads=(
            "water_heat",
            "water_store_litres",
            "element_kw",
            "element_cut_out",
            "battery_kwh",
            "export_rule",
            "export_price",
            "occupants",
            *sorted(set(FUEL_PRICES.values())),
        ),
        sources=(
            "SAP 10.2 Appendix G4, from a public copy",
            "SAP 2012 Tables 1b and 2, from public copies",
            "HSE HSG274 Part 2 (2014)",
        ),
        price_items=("water_diverter", "immersion_element", "mixing_valve"),
    )

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Reject where there is no store or no surplus to win; ask for each fact that decides and is unknown.

        Store, solar thermal and battery are limits under which SAP 10.2 Appendix G4 credits a diverter.
        """
        sites = cohort.sites
        litres, battery = common.numbers(sites, "water_store_litres"), common.numbers(sites, "battery_kwh")
        small = litres <= api.baseline(cohort).draw_litres_per_day
        nobody_counted = common.unknown(sites, "occupants")
        no_rule, no_heat = common.unknown(sites, "export_rule"), common.unknown(sites, "water_heat")
        unpriced = common.unknown(sites, "export_price") & (no_rule | common.equals(sites, "export_rule", BILLED))
        element_unknown = common.unknown(sites, "element_kw") & ~common.equals(sites, "water_heat", *ELECTRIC)
        may_have_element = common.numbers(sites, "element_kw") != 0.0  # NaN too
        return (
            api.Screening.of(cohort)
            .reject(common.equals(sites, "water_heat", COMBI), "a combi boiler has no hot-water store")
            .reject(litres == 0.0, "there is no hot-water store")
            .reject(
                common.equals(sites, "water_heat", SOLAR_THERMAL),
                "solar thermal already heats the store when there is surplus",
            )
            .reject(
                common.equals(sites, "export_rule", GROSS),
                "all that is generated is sold, so there is no surplus to use",
            )
            .reject(small & ~nobody_counted, "the store is not larger than a day's hot water")
            .survey(small & nobody_counted, "the store may not be larger than a day's hot water")
            .survey(no_heat, "what heats the water now is not known")
            .survey(np.isnan(litres), "the size of the hot-water store is not known")
            .survey(battery > 0.0, "the battery takes the surplus first")
            .survey(np.isnan(battery), "whether there is a battery is not known")
            .survey(element_unknown, "whether the store has an electric element is not known")
            .survey(
                may_have_element & common.unknown(sites, "element_cut_out"),
                "whether the element has its own cut-out is not known",
            )
            .survey(no_rule, "how export is counted is not known")
            .survey(unpriced, "the price paid for export is not known")
            .survey(~no_heat & np.isnan(_fuel_price(sites)), "the price of the heat it would replace is not known")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Add the controller with its element. What it saves comes out of the hourly balance."""
        ones = np.ones(len(cohort))
        power, new_element = self._element(cohort.sites, assume)
        mixing_valve = np.where(plant.store_max_c > assume["scald_limit_c"], assume["mixing_valve_missing"], 0.0)
        plumbing = assume["element_hours"] * new_element + assume["mixing_valve_hours"] * mixing_valve
        return api.Change(
            plant=plant.replace(
                diverter_kw=np.minimum(power, assume["diverter_limit_kw"]),
                standby_kwh=plant.standby_kwh + assume["standby_w"] * KWH_PER_YEAR_AND_W,
            ),
            costs=(
                api.CostLine(api.MATERIAL, "water_diverter", ones, "piece"),
                api.CostLine(api.LABOUR, "electrician", assume["diverter_hours"] * ones, "h"),
                api.CostLine(api.MATERIAL, "immersion_element", new_element, "piece", "chance of none with cut-out"),
                api.CostLine(api.MATERIAL, "mixing_valve", mixing_valve, "piece", "chance of none yet"),
                api.CostLine(api.LABOUR, "plumber", plumbing, "h"),
            ),
            remarks=_remarks(cohort.sites, plant),
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Scalding, hygiene and a store under pressure, beside the work on the mains."""
        return common.notes_for(cohort, self.notes)

    def _element(self, sites: pd.DataFrame, assume: api.Assumed) -> tuple[api.Floats, api.Floats]:
        """Return the element's power in kW and the chance that a new one is needed, both of shape (S,)."""
        recorded = common.numbers(sites, "element_kw")
        guess = np.where(common.equals(sites, "water_heat", *ELECTRIC), 1.0, assume["element_if_unknown"])
        present = np.where(np.isnan(recorded), guess, recorded > 0.0)
        # An element without its own cut-out is replaced before anything else.
        kept = present * assume.chance(sites, self.facts["element_cut_out"])
        return np.where(recorded > 0.0, recorded, assume["new_element_kw"]), 1.0 - kept


def _fuel_price(sites: pd.DataFrame) -> api.Floats:
    """Return the price of a kWh that goes into the present water heater, NaN where unknown, shape (S,)."""
    price = np.full(len(sites), np.nan)
    for heat, column in FUEL_PRICES.items():
        price = np.where(common.equals(sites, "water_heat", heat), common.numbers(sites, column), price)
    # Without a night price every hour costs the same.
    one_price = common.equals(sites, "water_heat", "night immersion") & np.isnan(price)
    return np.where(one_price, common.numbers(sites, "import_price"), price)


def _export_worth(sites: pd.DataFrame, plant: api.Plant) -> api.Floats:
    """Return the least that one more kWh exported earns, NaN where unknown, shape (S,).

    Under net metering it earns more, the import price, until the year's exports reach its imports.
    """
    unpaid = common.equals(sites, "export_rule", *UNPAID) | (plant.export_limit_kw <= 0.0)
    return np.where(unpaid, 0.0, common.numbers(sites, "export_price"))


def _remarks(sites: pd.DataFrame, plant: api.Plant) -> Texts:
    """Say where the money runs the wrong way, and where the balance knows no store to heat."""
    heat = _fuel_price(sites) / plant.water_efficiency
    loses = heat <= _export_worth(sites, plant)  # False where a price is unknown
    unheard = (plant.store_litres <= 0.0) | common.unknown(sites, "water_heat")
    return np.select([unheard, loses], [UNHEARD, MONEY], default="").astype(object)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [HotWaterDiverter()]
