"""Hot-water diverter: surplus that would be exported heats the hot-water store through an electric element.

Model
-----
The plugin puts the controller and its element into the plant; the hourly balance says how much surplus the store can
take, and the tariff what that is worth: each kWh of heat saves ``fuel price / efficiency`` and gives up the export
price. Heat from a cheap fuel can be worth less than the export it replaces: then the answer is negative, and stays so.

A diverter sits in series with the element. Once it is fitted, an element that heated at any hour takes from the grid
only a daily boost of the whole store to 60 C, as hygiene asks: late in the afternoon, and before the morning too where
the store does not last a day. A boiler keeps its hours or, the other way to do it, heats one hour in the evening.

Where an element heats the water at any hour and the tariff has a cheap night, a timer is the rival, alone or with the
diverter; of each site the one that is worth most counts. It needs a store that lasts the day.

Store larger than a day's use, no solar thermal and no battery are the limits within which SAP 10.2 Appendix G4 credits
a diverter; a battery is asked about here, since the hourly balance fills it first.

Known limits
------------
Of what Appendix G4 credits, which knows neither hours nor the size of the store, a typical home saves 102 to 106 %
where the grid gives one boost a day, 77 to 82 % with a night heater, 64 to 73 % with a boiler that heats each morning
and evening, 103 to 105 % with one that heats one hour in the evening (stores of 150 and 210 litres, at 51.5 and 45
degrees north). Against a store simulated in five-minute steps and twelve layers the yearly saving is right within 10 %
(within 15 % with two boosts a day). The element is taken to heat the whole store; one near the top reaches a part. The
night heater runs from midnight to five, whatever the hours of the tariff. No independent trial that measured the
savings in several homes was found.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun import api
from aftersun_retrofits import _common as common

KWH_PER_YEAR_AND_W = 8.760

HOME = "home"
COMBI = "combi boiler"
SOLAR_THERMAL = "solar thermal"
IMMERSION, NIGHT = "immersion", "night immersion"
ELECTRIC = (IMMERSION, NIGHT)
FUEL_PRICES = {  # what the present heater burns or draws, by the column that has its price
    "gas boiler": "gas_price",
    "oil boiler": "oil_price",
    "lpg boiler": "lpg_price",
    "district heat": "district_heat_price",
    "immersion": "import_price",
    "night immersion": "night_import_price",
    "heat pump": "import_price",
}

BILLED = ("net billing", "net billing with monthly cap")
METERED = (
    "net metering",
    "net metering by month",
)  # an exported kWh cancels a bought one, until the exports reach the imports
GROSS = "gross feed-in"
UNPAID = ("deemed export", "no export")  # one more kWh exported earns nothing more

FREE = "One more kWh exported earns nothing, so what is diverted costs nothing"
DIVERTING_AT_NIGHT = "; diverting then pays only while export earns less than the night price"
UNHEARD = "Nothing is counted, since the store or what heats it is not known"

DIVERTER, TIMER, BOTH = "diverter", "night timer instead of a diverter", "diverter and night timer"
EVENING = "diverter, the present heater for one hour in the evening"
SUN_FIRST = "diverter, a boost in the afternoon in place of the night"
ONE_BOOST_A_DAY = "; grid heat: a boost to 60 C each afternoon"
TWO_BOOSTS_A_DAY = "; grid heat: boosts to 60 C each morning and afternoon"
ON_A_CLOCK = ("gas boiler", "oil boiler", "lpg boiler", "district heat")

Texts = npt.NDArray[np.object_]


def break_even_export_price(fuel_price: npt.ArrayLike, efficiency: npt.ArrayLike) -> api.Floats:
    """Return the export price above which diverting loses money: that of a kWh of heat, ``fuel_price / efficiency``.

    ``fuel_price`` per kWh that goes into the present heater, ``efficiency`` in kWh of heat per kWh of it.
    """
    price: api.Floats = np.asarray(fuel_price, dtype=np.float64) / np.asarray(efficiency)
    return price


def value_per_kwh(fuel_price: npt.ArrayLike, efficiency: npt.ArrayLike, export_price: npt.ArrayLike) -> api.Floats:
    """Return what a diverted kWh is worth that replaces heat which is used: the fuel saved less the export lost."""
    value: api.Floats = break_even_export_price(fuel_price, efficiency) - np.asarray(export_price)
    return value


class HotWaterDiverter:
    """A controller that sends surplus to an immersion element; with a new element where there is none."""

    about, assumptions, facts, claims, notes = common.from_data("hot_water_diverter")

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Reject where there is no store or no surplus to win; ask for each fact that decides and is unknown.

        Store, solar thermal and battery are limits under which SAP 10.2 Appendix G4 credits a diverter.
        """
        sites = cohort.sites
        litres, battery = common.numbers(sites, "water_store_litres"), common.numbers(sites, "battery_kwh")
        small = litres <= api.baseline(cohort).draw_litres_per_day
        nobody_counted = common.unknown(sites, "hot_water_litres_per_day") & ~self._people_counted(sites)
        no_rule, no_heat = common.unknown(sites, "export_rule"), common.unknown(sites, "water_heat")
        unpriced = common.unknown(sites, "export_price") & (no_rule | common.equals(sites, "export_rule", *BILLED))
        element_unknown = common.unknown(sites, "element_kw") & ~common.equals(sites, "water_heat", *ELECTRIC)
        may_have_element = common.numbers(sites, "element_kw") != 0.0  # NaN too
        perhaps_no_cut_out = may_have_element & common.unknown(sites, "element_cut_out")
        combi, solar_thermal = (common.equals(sites, "water_heat", kind) for kind in (COMBI, SOLAR_THERMAL))
        all_sold = common.equals(sites, "export_rule", GROSS)
        return (
            api.Screening.of(cohort)
            .reject(combi, "a combi boiler has no hot-water store")
            .reject(litres == 0.0, "there is no hot-water store")
            .reject(solar_thermal, "solar thermal already heats the store when there is surplus")
            .reject(all_sold, "all that is generated is sold, so there is no surplus to use")
            .reject(small & ~nobody_counted, "the store is not larger than a day's hot water")
            .survey(small & nobody_counted, "the store may not be larger than a day's hot water")
            .survey(no_heat, "what heats the water now is not known")
            .survey(np.isnan(litres), "the size of the hot-water store is not known")
            .survey(battery > 0.0, "the battery takes the surplus first")
            .survey(np.isnan(battery), "whether there is a battery is not known")
            .survey(element_unknown, "whether the store has an electric element is not known")
            .survey(perhaps_no_cut_out, "whether the element has its own cut-out is not known")
            .survey(no_rule, "how export is counted is not known")
            .survey(unpriced, "the price paid for export is not known")
            .survey(~no_heat & np.isnan(_fuel_price(sites)), "the price of the heat it would replace is not known")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Add the controller with its element, or a timer, or both. What each saves comes out of the hourly balance."""
        sites, ones = cohort.sites, np.ones(len(cohort))
        power, new_element = self._element(sites, assume)
        with_diverter = {
            "diverter_kw": np.minimum(power, assume["diverter_limit_kw"]),
            "standby_kwh": plant.standby_kwh + assume["standby_w"] * KWH_PER_YEAR_AND_W,
        }
        lasts = plant.store_litres >= assume["heated_once_least_store_days"] * plant.draw_litres_per_day
        night = lasts & _cheaper_at_night(sites)
        one_hour = lasts & common.equals(sites, "water_heat", *ON_A_CLOCK)
        sun_first = lasts & common.equals(sites, "water_heat", NIGHT)
        at_any_hour = common.equals(sites, "water_heat", IMMERSION)
        boost = np.where(lasts, api.ONE_BOOST, api.TWO_BOOSTS)
        boosted, at_night, in_the_evening, after_the_sun = (
            {"heating_hours": np.where(where, hours, plant.heating_hours).astype(object)}
            for where, hours in (
                (at_any_hour, boost),
                (night, api.NIGHT_HOURS),
                (one_hour, api.EVENING_HOUR),
                (sun_first, api.ONE_BOOST),
            )
        )
        diverter = (
            api.CostLine(api.MATERIAL, "water_diverter", ones, "piece"),
            api.CostLine(api.LABOUR, "electrician", assume["diverter_hours"] * ones, "h"),
        )
        timer, other_timer = (  # of quantity 0 where it cannot be had, so that no price is asked for
            (
                api.CostLine(api.MATERIAL, "water_timer", where * ones, "piece"),
                api.CostLine(api.LABOUR, "electrician", assume["timer_hours"] * where * ones, "h"),
            )
            for where in (night, sun_first)
        )
        hot, kept = _plumbing(new_element, plant.store_max_c, assume), _plumbing(new_element, plant.store_set_c, assume)
        surplus = api.Change(
            plant=plant.replace(**with_diverter, **boosted),
            costs=(*diverter, *hot),
            remarks=_remarks(sites, plant)
            + np.where(at_any_hour, np.where(lasts, ONE_BOOST_A_DAY, TWO_BOOSTS_A_DAY), ""),
            label=DIVERTER,
        )
        evening = replace(
            surplus, plant=plant.replace(**with_diverter, **in_the_evening), label=EVENING, available=one_hour
        )
        afternoon = replace(
            surplus,
            plant=plant.replace(**with_diverter, **after_the_sun),
            costs=(*diverter, *other_timer, *hot),
            remarks=_remarks(sites, plant) + np.where(sun_first, ONE_BOOST_A_DAY, ""),
            label=SUN_FIRST,
            available=sun_first,
        )
        nightly = api.Change(
            plant=plant.replace(**at_night),
            costs=(*timer, *kept),
            remarks=_timer_remarks(sites),
            label=TIMER,
            available=night,
        )
        both = replace(
            nightly,
            plant=plant.replace(**with_diverter, **at_night),
            costs=(*diverter, *timer, *hot),
            remarks=_timer_remarks(sites, DIVERTING_AT_NIGHT),
            label=BOTH,
        )
        return replace(surplus, alternatives=(evening, nightly, both, afternoon))

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Scalding, hygiene and a store under pressure, beside the work on the mains."""
        return common.notes_for(cohort, self.notes)

    def _people_counted(self, sites: pd.DataFrame) -> api.Bools:
        """Tell where people live and are counted; where nobody lives they tell nothing of the hot water."""
        lived_in = common.unknown(sites, "use") | common.equals(sites, "use", HOME)
        return lived_in & ~common.unknown(sites, "occupants")

    def _element(self, sites: pd.DataFrame, assume: api.Assumed) -> tuple[api.Floats, api.Floats]:
        """Return the element's power in kW and the chance that a new one is needed, both of shape (S,)."""
        recorded = common.numbers(sites, "element_kw")
        guess = np.where(common.equals(sites, "water_heat", *ELECTRIC), 1.0, assume["element_if_unknown"])
        present = np.where(np.isnan(recorded), guess, recorded > 0.0)
        # An element without its own cut-out is replaced before anything else.
        kept = present * assume.chance(sites, self.facts["element_cut_out"])
        return np.where(recorded > 0.0, recorded, assume["new_element_kw"]), 1.0 - kept


def _plumbing(new_element: api.Floats, store_c: api.Floats, assume: api.Assumed) -> tuple[api.CostLine, ...]:
    """Return the element and, where the store becomes hotter than is safe at the tap, the mixing valve."""
    mixing_valve = np.where(store_c > assume["scald_limit_c"], assume["mixing_valve_missing"], 0.0)
    hours = assume["element_hours"] * new_element + assume["mixing_valve_hours"] * mixing_valve
    return (
        api.CostLine(api.MATERIAL, "immersion_element", new_element, "piece", "chance of none with cut-out"),
        api.CostLine(api.MATERIAL, "mixing_valve", mixing_valve, "piece", "chance of none yet"),
        api.CostLine(api.LABOUR, "plumber", hours, "h"),
    )


def _has_night_price(sites: pd.DataFrame) -> api.Bools:
    """Tell where the tariff has a night price and its hours are known; without them it is not applied. Shape (S,)."""
    hours_unknown = common.unknown(sites, "night_from_hour") | common.unknown(sites, "night_until_hour")
    return ~(common.unknown(sites, "night_import_price") | hours_unknown)


def _cheaper_at_night(sites: pd.DataFrame) -> api.Bools:
    """Tell where a timer can move all heating to a cheaper night. Shape (S,)."""
    cheaper = common.numbers(sites, "night_import_price") < common.numbers(sites, "import_price")
    return common.equals(sites, "water_heat", IMMERSION) & _has_night_price(sites) & cheaper


def _fuel_price(sites: pd.DataFrame) -> api.Floats:
    """Return the price of a kWh that goes into the present water heater, NaN where unknown, shape (S,)."""
    price = np.full(len(sites), np.nan)
    for heat, column in FUEL_PRICES.items():
        price = np.where(common.equals(sites, "water_heat", heat), common.numbers(sites, column), price)
    # Without a night price every hour costs the same.
    one_price = common.equals(sites, "water_heat", NIGHT) & ~_has_night_price(sites)
    return np.where(one_price, common.numbers(sites, "import_price"), price)


def _export_worth(sites: pd.DataFrame, plant: api.Plant) -> api.Floats:
    """Return what one more kWh exported earns or, under net metering, cancels; NaN where unknown, shape (S,)."""
    unpaid = common.equals(sites, "export_rule", *UNPAID) | (plant.export_limit_kw <= 0.0)
    cancels = common.equals(sites, "export_rule", *METERED)
    worth = np.where(cancels, common.numbers(sites, "import_price"), common.numbers(sites, "export_price"))
    return np.where(unpaid, 0.0, worth)


def _remarks(sites: pd.DataFrame, plant: api.Plant) -> Texts:
    """Say up to which export price it pays, where it loses, and where the balance knows no store to heat."""
    fuel, export = _fuel_price(sites), _export_worth(sites, plant)
    limit = break_even_export_price(fuel, plant.water_efficiency)
    value = value_per_kwh(fuel, plant.water_efficiency, export)
    unheard = (plant.store_litres <= 0.0) | common.unknown(sites, "water_heat")
    texts = [_remark(*row) for row in zip(limit.tolist(), export.tolist(), value.tolist(), strict=True)]
    return np.where(unheard, UNHEARD, np.array(texts, dtype=object)).astype(object)


def _remark(limit: float, export: float, value: float) -> str:
    if export == 0.0:
        return FREE
    if np.isnan(limit):
        return ""
    cheaper = f"export earns less than {limit:.3g} per kWh"
    if value <= 0.0:  # False where the export price is unknown
        worth = f"the heat costs {limit:.3g} per kWh, exported it is worth {export:.3g}"
        return f"Earns nothing or loses: {worth}; pays only while {cheaper}"
    return f"Pays only while {cheaper}"


def _timer_remarks(sites: pd.DataFrame, and_so: str = "") -> Texts:
    """Say what the timer does, in the prices of the tariff; "" where there is no night price."""
    night, day = (common.numbers(sites, name) for name in ("night_import_price", "import_price"))
    prices = zip(night.tolist(), day.tolist(), strict=True)
    texts = [f"Heats the water at night, for {low:.3g} instead of {high:.3g} per kWh{and_so}" for low, high in prices]
    return np.where(_has_night_price(sites), np.array(texts, dtype=object), "").astype(object)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [HotWaterDiverter()]
