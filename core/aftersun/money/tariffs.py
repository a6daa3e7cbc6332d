"""A year's bill of each site, decided hour by hour from the energy balance and the tariff in force."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.model.energy import Energy, HourlyKwh
from aftersun.model.price_times import PriceCalendar, within_night
from aftersun.model.ranges import Bools, Floats, Ints
from aftersun.model.uses import reclaims_tax
from aftersun.money.export_rules import (
    DEEMED_EXPORT,
    GROSS_FEED_IN,
    MONTHLY_CAP,
    NET_BILLING,
    NET_METERING,
    NET_METERING_BY_MONTH,
    NETTED,
    NO_EXPORT,
    ends_some_day,
    export_rule,
    rule_after,
    supported,
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
_BLOCKS = ("block", "block_2", "block_3")  # each with a size a month and a surcharge beyond it
_CHARGES = ("fixed_charge_per_year", "peak_charge_per_kw", *(f"{block}_surcharge" for block in _BLOCKS))
_TAXED = ("import_price", "night_import_price", *_CHARGES, *dict.fromkeys(_FUEL_PRICE.values()))  # tax included
_ELECTRIC_WATER_HEAT = ("immersion", "night immersion", "heat pump")  # already in the energy imported


@dataclass(frozen=True, eq=False)
class Bill:
    """Money a year, per site (S,), in the currency of the tariff.

    The masks say what had to be assumed: the energy that needs a price that is unknown counts nothing.
    """

    import_cost: Floats
    export_income: Floats
    generation_income: Floats  # support of what is generated or used on the spot
    import_cost_after: Floats  # once the export rule has ended; as today where it never does
    export_income_after: Floats
    charges: Floats  # standing charges and those on the greatest import of each month
    water_fuel_cost: Floats
    export_price_unknown: Bools
    export_price_after_unknown: Bools
    fuel_price_unknown: Bools

    @property
    def electricity(self) -> Floats:
        """Cost less income of electricity, which follows electricity prices."""
        return self.import_cost + self.charges - self.export_income - self.generation_income

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
    taxed = [name for name in _TAXED if name in sites]
    return sites.assign(**{name: sites[name].mask(reclaimed, sites[name] / (1.0 + sales_tax_rate)) for name in taxed})


@dataclass(frozen=True, eq=False)
class Registers:
    """What the meters of S sites count in a year in R registers, each of one month, period and price.

    kWh and prices have the shape (S, R), ``month`` and ``period`` (R,). ``export_price`` is NaN where the tariff's one
    price holds, of which the share ``paid`` is paid.
    """

    imported: Floats
    exported: Floats
    on_site: Floats
    import_price: Floats
    export_price: Floats
    paid: Floats
    month: Ints
    period: Ints


def yearly_bill(
    energy: Energy, sites: pd.DataFrame, times: pd.DatetimeIndex, calendars: Sequence[PriceCalendar] = ()
) -> Bill:
    """Return the bill of each site over the simulated year: each kWh at the price of its hour.

    - net billing: exports earn the export price, imports cost the import price of their hour.
    - net billing with monthly cap: a month's exports never earn more than what is bought in it costs.
    - net metering: the meter runs backwards. Exports cancel imports of the same period (day and night each for itself)
      at their mean price, within the year or within each month; what is exported beyond them earns the export price.
    - gross feed-in: all generation is sold at the export price, all energy used is bought: imports and what
      the plant supplies on the spot, to the water store too.
    - deemed export: half of the generation earns the export price, however much is used.
    - no export: exports earn nothing.

    Where there are blocks, what is bought in a month beyond the beginning of each costs its surcharge more, on top of
    those before it; exports that cancel imports spare it.

    Energy curtailed never passes a meter and is not paid under any rule. Prices of what is generated or used on the
    spot are paid on top. The same energy is counted once more by the rule that follows today's.

    Parameters
    ----------
    energy
        Hourly kWh (S, H).
    sites
        One row a site with the dictionary's columns of tables site and tariff, and ``price_calendar`` where the tariff
        has prices by time: its number, -1 = none. Unknown generation price = none. An unknown import price makes the
        bill NaN: nothing can be valued without it.
    times
        The H hours, whole days, in the time that the night hours are given in.
    calendars
        Registers of the tariffs that have prices by time.

    Raises
    ------
    ValueError
        If ``times`` are not successive hours of whole days, or an export rule is not one of the dictionary.
    """
    hour = times.hour.to_numpy()
    day = hour[:HOURS_PER_DAY]
    if len(hour) % HOURS_PER_DAY or not np.array_equal(hour, (day[0] + np.arange(len(hour))) % HOURS_PER_DAY):
        raise ValueError("times have to be successive hours of whole days")
    today, after = (export_rule(sites), _column(sites, "export_price")), rule_after(sites)
    after_known = ~np.isnan(_column(sites, "export_price_after"))
    size, ends = len(sites), ends_some_day(sites)
    cost, income, cost_after, income_after, generated, on_site = (np.zeros(size) for _ in range(6))
    unknown, unknown_after = np.zeros(size, dtype=bool), np.zeros(size, dtype=bool)
    steps = _blocks(sites)
    for rows, meters in _registers(energy, sites, times, calendars):
        blocks = [(size[rows], surcharge[rows]) for size, surcharge in steps]
        by_rule = today[0][rows], today[1][rows]
        cost[rows], income[rows], unknown[rows] = _traded(meters, *by_rule, blocks)
        cost_after[rows], income_after[rows], unknown_after[rows] = cost[rows], income[rows], unknown[rows]
        if ends[rows].any():
            flat = after_known[rows] | (today[0][rows] == GROSS_FEED_IN)
            later = _at_one_price(meters, flat & ends[rows])
            cost_after[rows], income_after[rows], unknown_after[rows] = _traded(
                later, after[0][rows], after[1][rows], blocks
            )
        on_site[rows] = meters.on_site.sum(axis=1)
        generated[rows] = on_site[rows] + meters.exported.sum(axis=1)
    water_fuel_cost, fuel_price_unknown = _water_fuel(energy.annual("water_backup"), sites)
    support, self_use = (np.nan_to_num(_column(sites, name)) for name in ("generation_price", "self_use_price"))
    return Bill(
        import_cost=cost,
        export_income=income,
        generation_income=generated * support + on_site * self_use,
        import_cost_after=cost_after,
        export_income_after=income_after,
        charges=np.nan_to_num(_column(sites, "fixed_charge_per_year")) + _peak_charges(energy, sites, times),
        water_fuel_cost=water_fuel_cost,
        export_price_unknown=unknown,
        export_price_after_unknown=unknown_after & ends,
        fuel_price_unknown=fuel_price_unknown,
    )


def _blocks(sites: pd.DataFrame) -> list[tuple[Floats, Floats]]:
    """Return the block steps that any of the sites has: kWh a month that each begins at and what it adds, each (S,)."""
    found = []
    for block in _BLOCKS:
        begins, surcharge = (
            _column(sites, f"{block}_kwh_per_month"),
            np.nan_to_num(_column(sites, f"{block}_surcharge")),
        )
        if (surcharge[~np.isnan(begins)] != 0.0).any():
            found.append((np.where(np.isnan(begins), np.inf, begins), surcharge))
    return found


def _traded(
    meters: Registers,
    rule: npt.NDArray[np.object_],
    export_price: Floats,
    blocks: Sequence[tuple[Floats, Floats]],
) -> tuple[Floats, Floats, Bools]:
    """Return import cost, export income, and where the export price would be needed but is unknown, each (S,)."""
    unknown = set(rule) - set(_RULES)
    if unknown:
        raise ValueError(f"no such export rule: {', '.join(sorted(map(str, unknown)))}")
    gross, half = rule == GROSS_FEED_IN, rule == DEEMED_EXPORT
    bought = np.where(gross[:, np.newaxis], meters.imported + meters.on_site, meters.imported)
    cost = bought * meters.import_price
    of_all = (gross | half)[:, np.newaxis]
    sold = np.where(of_all, meters.exported + meters.on_site, meters.exported)
    sold *= np.select([half, rule == NO_EXPORT], [DEEMED_EXPORT_SHARE, 0.0], 1.0)[:, np.newaxis]
    price = np.where(np.isnan(meters.export_price), export_price[:, np.newaxis] * meters.paid, meters.export_price)
    earned = sold * np.nan_to_num(price)
    income = earned.sum(axis=1)
    billed = bought  # less what exports cancel
    for netted, months in ((NET_METERING, None), (NET_METERING_BY_MONTH, meters.month)):
        rows = rule == netted
        if rows.any():
            kinds = meters.period if months is None else meters.period * 12 + months
            billed = billed.copy() if billed is bought else billed
            billed[rows], sold[rows], income[rows] = _netted(bought[rows], cost[rows], sold[rows], earned[rows], kinds)
    capped = rule == MONTHLY_CAP
    charge = _summed(cost, meters.month) if blocks or capped.any() else cost.sum(axis=1, keepdims=True)
    if blocks:
        by_month = _summed(billed, meters.month)
        for begins, surcharge in blocks:
            charge += np.maximum(by_month - begins[:, np.newaxis], 0.0) * surcharge[:, np.newaxis]
    if capped.any():
        income[capped] = np.minimum(_summed(earned[capped], meters.month), charge[capped]).sum(axis=1)
    return charge.sum(axis=1), income, np.asarray((np.isnan(price) & (sold > 0.0)).any(axis=1))


_RULES = (NET_BILLING, MONTHLY_CAP, *NETTED, GROSS_FEED_IN, DEEMED_EXPORT, NO_EXPORT)


def _netted(bought: Floats, cost: Floats, sold: Floats, earned: Floats, kind: Ints) -> tuple[Floats, Floats, Floats]:
    """Return what is left of each register's imports and exports, (S, R) each, and the export income (S,).

    Exports cancel imports of the same kind of register at the mean price of these; what is left earns the mean price of
    the exports.
    """
    kwh_in, money_in, kwh_out, money_out = (_summed(part, kind) for part in (bought, cost, sold, earned))
    cancelled = np.minimum(kwh_in, kwh_out)
    share_in, share_out = (cancelled / np.where(kwh > 0.0, kwh, 1.0) for kwh in (kwh_in, kwh_out))
    income = (money_in * share_in + money_out * (1.0 - share_out)).sum(axis=1)
    _, place = np.unique(kind, return_inverse=True)
    return bought * (1.0 - share_in)[:, place], sold * (1.0 - share_out)[:, place], income


def _summed(of_registers: Floats, kind: Ints) -> Floats:
    """Return the sums (S, K) over the registers of each kind, in order."""
    order = np.argsort(kind, kind="stable")
    starts = np.flatnonzero(np.diff(kind[order], prepend=-1))
    return np.asarray(np.add.reduceat(of_registers[:, order], starts, axis=1))


def _at_one_price(meters: Registers, where: Bools) -> Registers:
    """Return the registers with the tariff's one export price at some sites."""
    if not where.any() or np.isnan(meters.export_price).all():
        return meters
    return replace(meters, export_price=np.where(where[:, np.newaxis], np.nan, meters.export_price))


def _registers(
    energy: Energy, sites: pd.DataFrame, times: pd.DatetimeIndex, calendars: Sequence[PriceCalendar]
) -> Iterator[tuple[npt.NDArray[np.intp] | slice, Registers]]:
    """Yield sites of one calendar, as positions or all, with their registers."""
    number = sites["price_calendar"].to_numpy(dtype=np.intp) if "price_calendar" in sites else np.full(len(sites), -1)
    distinct = np.unique(number)
    for one in distinct:
        alone = len(distinct) == 1
        rows = slice(None) if alone else np.flatnonzero(number == one)
        some = sites if alone else sites.iloc[rows]
        by_time = calendars[one] if one >= 0 else _hours_of_day_by_month(times[0], len(times))
        imported, exported = (_counted(getattr(energy, name)[rows], by_time) for name in ("imported", "exported"))
        if _on_site_counts(some):
            on_site = _counted(energy.used[rows], by_time) + _counted(energy.to_water[rows], by_time)
        else:
            on_site = np.zeros_like(exported)
        if one >= 0:
            import_price, export_price, paid = (
                np.broadcast_to(price, imported.shape)
                for price in (by_time.import_price, by_time.export_price, by_time.paid)
            )
            month, period = by_time.month, by_time.period
            yield rows, Registers(imported, exported, on_site, import_price, export_price, paid, month, period)
        else:
            yield rows, _by_day_and_night(imported, exported, on_site, some, times)


def _on_site_counts(sites: pd.DataFrame) -> bool:
    """Tell whether any bill goes by what is generated or used on the spot."""
    of_all = (GROSS_FEED_IN, DEEMED_EXPORT)
    ruled = np.isin(export_rule(sites), of_all) | np.isin(rule_after(sites)[0], of_all)
    return bool((ruled | supported(sites)).any())


def _counted(hourly_kwh: HourlyKwh, calendar: PriceCalendar) -> Floats:
    """Return kWh a year in each register, (S, R)."""
    days = hourly_kwh.reshape(len(hourly_kwh), -1, HOURS_PER_DAY)
    alike, order, starts = calendar.patterns
    by_hour = np.stack([days[:, some].sum(axis=1, dtype=np.float64) for some in alike], axis=1)
    by_hour = by_hour.reshape(len(days), -1)
    return by_hour if order is None else np.asarray(np.add.reduceat(by_hour[:, order], starts, axis=1))


@lru_cache(maxsize=8)
def _hours_of_day_by_month(first: pd.Timestamp, hours: int) -> PriceCalendar:
    """Return a register for each hour of the day in each month of successive hours; none has a price."""
    days = pd.date_range(first, periods=hours // HOURS_PER_DAY, freq="D")
    months, place = np.unique(np.asarray(days.month), return_inverse=True)
    register = place[:, np.newaxis] * HOURS_PER_DAY + np.arange(HOURS_PER_DAY)
    size = len(months) * HOURS_PER_DAY
    nothing = np.full(size, np.nan)
    month = np.repeat(months - 1, HOURS_PER_DAY)
    return PriceCalendar(register, month, np.tile(np.arange(HOURS_PER_DAY), len(months)), nothing, nothing, nothing)


def _by_day_and_night(
    imported: Floats, exported: Floats, on_site: Floats, sites: pd.DataFrame, times: pd.DatetimeIndex
) -> Registers:
    """Return the registers of day and night of each month (S, 2 M) from those of each hour of the day.

    A night price without its hours is not applied.
    """
    hours = times.hour.to_numpy()[:HOURS_PER_DAY]
    night_price = _column(sites, "night_import_price")
    night = within_night(hours, _column(sites, "night_from_hour"), _column(sites, "night_until_hour"))
    night &= ~np.isnan(night_price)[:, np.newaxis]
    months = np.unique(_hours_of_day_by_month(times[0], len(times)).month)
    shape = (len(sites), len(months), HOURS_PER_DAY)

    def split(of_hours: Floats) -> Floats:
        by_month = of_hours.reshape(shape)
        parts = [(by_month * which[:, np.newaxis]).sum(axis=2) for which in (~night, night)]
        return np.concatenate(parts, axis=1)

    prices = np.stack([_column(sites, "import_price"), np.where(night.any(axis=1), night_price, 0.0)], axis=1)
    size = 2 * len(months)
    return Registers(
        split(imported),
        split(exported),
        split(on_site),
        import_price=np.repeat(prices, len(months), axis=1),
        export_price=np.full((len(sites), size), np.nan),
        paid=np.ones((len(sites), size)),
        month=np.tile(months, 2),
        period=np.repeat([0, 1], len(months)),
    )


def _peak_charges(energy: Energy, sites: pd.DataFrame, times: pd.DatetimeIndex) -> Floats:
    """Return the charges of a year on the greatest import of an hour in each month, (S,)."""
    charge = np.nan_to_num(_column(sites, "peak_charge_per_kw"))
    rows = np.flatnonzero(charge > 0.0)
    if len(rows):
        starts = np.flatnonzero(np.diff(times.month, prepend=0))
        charge[rows] *= np.maximum.reduceat(energy.imported[rows], starts, axis=1).sum(axis=1, dtype=np.float64)
    return charge


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
    if name not in sites:
        return np.full(len(sites), np.nan)
    return sites[name].to_numpy(dtype=np.float64, na_value=np.nan)
