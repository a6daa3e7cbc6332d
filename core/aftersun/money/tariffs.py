"""A year's bill of each site, decided hour by hour from the energy balance and the tariff in force."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.model.energy import Energy, HourlyKwh
from aftersun.model.ranges import Bools, Floats
from aftersun.model.uses import reclaims_tax
from aftersun.money.export_rules import (
    DEEMED_EXPORT,
    GROSS_FEED_IN,
    NET_BILLING,
    NET_METERING,
    NO_EXPORT,
    ends_some_day,
    export_rule,
    rule_after,
)

# Deemed export pays for half of the generation, whatever is exported: Great Britain's feed-in tariff for
# small systems (McKenna, Pless, Darby, Oxford Programme on Integrating Renewable Energy, 2019).
DEEMED_EXPORT_SHARE = 0.5

HOURS_PER_DAY = 24

_FUEL_PRICE: Mapping[str, str] = {
    "gas boiler": "gas_price",
    "combi boiler": "gas_price",
    "oil boiler": "oil_price",
    "lpg boiler": "lpg_price",
    "district heat": "district_heat_price",
}
_TAXED = ("import_price", "night_import_price", *dict.fromkeys(_FUEL_PRICE.values()))  # prices with tax included
_ELECTRIC_WATER_HEAT = ("immersion", "night immersion", "heat pump")  # already in the energy imported


@dataclass(frozen=True, eq=False)
class Bill:
    """Money a year, per site (S,), in the currency of the tariff. Standing charges never change: left out.

    The masks say what had to be assumed: the energy that needs a price that is unknown counts nothing.
    """

    import_cost: Floats
    export_income: Floats
    generation_income: Floats
    import_cost_after: Floats  # once the export rule has ended; as today where it never does
    export_income_after: Floats
    water_fuel_cost: Floats
    export_price_unknown: Bools
    export_price_after_unknown: Bools
    fuel_price_unknown: Bools

    @property
    def electricity(self) -> Floats:
        """Cost less income of electricity, which follows electricity prices."""
        return self.import_cost - self.export_income - self.generation_income

    def lost_by_ends(self, rule_left: Floats, support_left: Floats) -> Floats:
        """Return what electricity costs more in each year than by today's rule and support, (S, Y), at today's prices.

        The shares (S, Y) of each year in which today's export rule still holds and the generation price is still paid.
        """
        dearer = (self.import_cost_after - self.import_cost) - (self.export_income_after - self.export_income)
        unpaid = self.generation_income[:, np.newaxis] * (1.0 - support_left)
        return np.asarray(dearer[:, np.newaxis] * (1.0 - rule_left) + unpaid)

    @property
    def total(self) -> Floats:
        """Cost less income; negative if the site earns more than it pays."""
        return self.electricity + self.water_fuel_cost


def as_paid(sites: pd.DataFrame, sales_tax_rate: float) -> pd.DataFrame:
    """Return the sites with what they pay for energy: without sales tax where the owner gets that back.

    The rate of the company file is taken to be that on energy, too.
    """
    reclaimed = reclaims_tax(sites)
    if not reclaimed.any():
        return sites
    return sites.assign(**{name: sites[name].mask(reclaimed, sites[name] / (1.0 + sales_tax_rate)) for name in _TAXED})


def yearly_bill(energy: Energy, sites: pd.DataFrame, times: pd.DatetimeIndex) -> Bill:
    """Return the bill of each site over the simulated year.

    - net billing: exports earn the export price, imports cost the import price of their hour.
    - net metering: the meter runs backwards. Within the year, exports cancel imports bought at the same price
      (day and night each for itself); what is exported beyond them earns the export price.
    - gross feed-in: all generation is sold at the export price, all energy used is bought: imports and what
      the plant supplies on the spot, to the water store too.
    - deemed export: half of the generation earns the export price, however much is used.
    - no export: exports earn nothing.

    Energy curtailed never passes a meter and is not paid under any rule. A generation price is paid on top.
    The same energy is counted once more by the rule that follows today's.

    Parameters
    ----------
    energy
        Hourly kWh (S, H).
    sites
        One row a site with the dictionary's columns of tables site and tariff. Unknown generation price =
        none. An unknown import price makes the bill NaN: nothing can be valued without it.
    times
        The H hours, whole days, in the time that the night hours are given in.

    Raises
    ------
    ValueError
        If ``times`` are not successive hours of whole days, or an export rule is not one of the dictionary.
    """
    night = _night(sites, times)
    imported = _by_register(energy.imported, night)
    exported = _by_register(energy.exported, night)
    on_site = _by_register(energy.used, night) + _by_register(energy.to_water, night)
    generated = (on_site + exported).sum(axis=1)
    prices = _import_prices(sites, night)

    def traded(rule: npt.NDArray[np.object_], export_price: Floats) -> tuple[Floats, Floats, Bools]:
        """Return import cost, export income, and where the export price would be needed but is unknown."""
        bought = np.where((rule == GROSS_FEED_IN)[:, np.newaxis], imported + on_site, imported)
        cancelled = np.where((rule == NET_METERING)[:, np.newaxis], np.minimum(imported, exported), 0.0)
        sold = _energy_sold(rule, (exported - cancelled).sum(axis=1), generated)
        income = (cancelled * prices).sum(axis=1) + sold * np.nan_to_num(export_price)
        return (bought * prices).sum(axis=1), income, np.isnan(export_price) & (sold > 0.0)

    import_cost, export_income, unknown = traded(export_rule(sites), _column(sites, "export_price"))
    import_cost_after, export_income_after, unknown_after = traded(*rule_after(sites))
    water_fuel_cost, fuel_price_unknown = _water_fuel(energy.annual("water_backup"), sites)
    return Bill(
        import_cost=import_cost,
        export_income=export_income,
        generation_income=generated * np.nan_to_num(_column(sites, "generation_price")),
        import_cost_after=import_cost_after,
        export_income_after=export_income_after,
        water_fuel_cost=water_fuel_cost,
        export_price_unknown=unknown,
        export_price_after_unknown=unknown_after & ends_some_day(sites),
        fuel_price_unknown=fuel_price_unknown,
    )


def _night(sites: pd.DataFrame, times: pd.DatetimeIndex) -> Bools:
    """Return which hours of a day, in the order of ``times``, cost the night price (S, 24).

    A night price without its hours is not applied.
    """
    hours = times.hour.to_numpy()
    day = hours[:HOURS_PER_DAY]
    if len(hours) % HOURS_PER_DAY or not np.array_equal(hours, (day[0] + np.arange(len(hours))) % HOURS_PER_DAY):
        raise ValueError("times have to be successive hours of whole days")
    begins = _column(sites, "night_from_hour")[:, np.newaxis]
    ends = _column(sites, "night_until_hour")[:, np.newaxis]
    priced = ~np.isnan(_column(sites, "night_import_price"))
    over_midnight = begins > ends
    within = np.where(over_midnight, (day >= begins) | (day < ends), (day >= begins) & (day < ends))
    return within & priced[:, np.newaxis]


def _by_register(hourly_kwh: HourlyKwh, night: Bools) -> Floats:
    """Return kWh a year by day and by night (S, 2)."""
    size, hours = hourly_kwh.shape
    days = hourly_kwh.reshape(size, hours // HOURS_PER_DAY, HOURS_PER_DAY)
    by_hour_of_day = days.sum(axis=1, dtype=np.float64)
    return np.stack([(by_hour_of_day * ~night).sum(axis=1), (by_hour_of_day * night).sum(axis=1)], axis=1)


def _import_prices(sites: pd.DataFrame, night: Bools) -> Floats:
    """Return the import price by day and by night (S, 2)."""
    day_price = _column(sites, "import_price")
    night_price = np.where(night.any(axis=1), _column(sites, "night_import_price"), day_price)
    return np.stack([day_price, night_price], axis=1)


def _energy_sold(rule: npt.NDArray[np.object_], exported: Floats, generated: Floats) -> Floats:
    """Return kWh a year that earn the export price (S,); ``exported`` without what has cancelled imports."""
    by_rule = {
        NET_BILLING: exported,
        NET_METERING: exported,
        GROSS_FEED_IN: generated,
        DEEMED_EXPORT: DEEMED_EXPORT_SHARE * generated,
        NO_EXPORT: np.zeros_like(exported),
    }
    unknown = set(rule) - set(by_rule)
    if unknown:
        raise ValueError(f"no such export rule: {', '.join(sorted(map(str, unknown)))}")
    return np.asarray(np.select([rule == name for name in by_rule], list(by_rule.values())))


def _water_fuel(backup_kwh: Floats, sites: pd.DataFrame) -> tuple[Floats, Bools]:
    """Return the yearly cost of fuel for hot water (S,) and where its price would be needed but is unknown.

    A combi boiler is taken to burn gas. Electric heaters' energy is among the imports and costs nothing here.
    """
    heat = sites["water_heat"].to_numpy(dtype=object, na_value="")
    price = np.full(len(sites), np.nan)
    for heater in set(heat) & set(_FUEL_PRICE):
        price = np.where(heat == heater, _column(sites, _FUEL_PRICE[heater]), price)
    fuel_kwh = np.where(np.isin(heat, _ELECTRIC_WATER_HEAT), 0.0, backup_kwh)
    return fuel_kwh * np.nan_to_num(price), np.isnan(price) & (fuel_kwh > 0.0)


def _column(sites: pd.DataFrame, name: str) -> Floats:
    return sites[name].to_numpy(dtype=np.float64, na_value=np.nan)
