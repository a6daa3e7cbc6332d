"""The hourly energy balance of every site of a cohort, at once or block by block."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.energy import hot_water
from aftersun.energy.assumptions import Float32s, system_values
from aftersun.energy.battery import run_batteries, trade_hours
from aftersun.energy.demand import direct_use
from aftersun.energy.generation import DECIDE_ON_GENERATION, generated_in_parts, spread_within_hours
from aftersun.energy.planes import in_parts, lit_hours
from aftersun.energy.waiting import add_waiting_loads
from aftersun.model.cohort import Cohort
from aftersun.model.energy import Energy, HourlyKwh
from aftersun.model.plant import NIGHT_HOURS, Plant
from aftersun.model.price_times import hourly_import_price
from aftersun.model.ranges import Floats
from aftersun.model.weather import HOURS_PER_YEAR, WeatherYear

# What a kWh moved to another hour changes beside its price: rules that cancel imports, and charges by power or block.
NETTED = ("net metering", "net metering by month")
CHARGED_OTHERWISE = ("peak_charge_per_kw", "block_surcharge", "block_2_surcharge", "block_3_surcharge")
BLOCK_SITES = 500  # measured: more do not fit the processor's caches, fewer cost more a site
Sites = slice | npt.NDArray[np.intp]
_ALL = slice(None)


def simulate(cohort: Cohort, plant: Plant) -> Energy:
    """Return the hourly balance of S sites over the weather year, each column (S, H) in kWh.

    What is generated serves, in this order: the household's load at once, a load that can wait, electric water heating
    that runs in that hour, the battery, the diverter's element, the grid up to the export limit; the rest is curtailed.
    The battery serves all that would be bought, water heating and the load that can wait too. Beside a diverter it is
    charged as if it served the household alone before the diverter takes, and then by what that leaves. Where the owner
    lets it, it buys in cheap hours what it saves in dear ones, with the room and power that surplus leaves. A night
    heater's timer is set to the cheapest hours on end. Stops are hours without output: a column has the mean of the
    hours that run, as many as ``availability`` says, and of those that do not. One site alone gives the same bits as in
    a batch. An unknown name in ``cohort.overrides`` raises AftersunError.
    """
    values = system_values(cohort.overrides)
    lit = lit_hours(cohort.weather)
    year = Energy(*(np.zeros((len(cohort), HOURS_PER_YEAR), dtype=np.float32) for _ in fields(Energy)))
    for sites, generated in _generated(cohort, plant, values):
        load = household_load(cohort, plant, sites)
        load_by_day = load.take(lit, axis=1)
        runs = plant.availability[sites].astype(np.float32)[:, None]
        used = runs * direct_use(load_by_day, generated, plant.load_evenness[sites], _base_kw(plant, sites))
        year.imported[sites] = load
        year.imported[sites, lit] = load_by_day - used
        generated = runs * generated
        year.generated[sites, lit] = generated
        year.used[sites, lit] = used
        year.exported[sites, lit] = generated - used  # all surplus, until somebody takes it
    add_waiting_loads(year, cohort.weather, plant)
    beyond = _beyond_batteries(cohort, plant, year)
    switched = _heat_water(year, cohort.weather, _with_timers(cohort, plant), values, beyond)
    _add_batteries(year, cohort, plant, values, switched, beyond)
    if np.isfinite(plant.export_limit_kw).any():
        spread = np.zeros(HOURS_PER_YEAR, dtype=np.float32)
        spread[lit] = spread_within_hours(cohort.weather, values)
        _limit_export(year, plant, spread)
    return year


def simulated(cohort: Cohort, plant: Plant) -> Iterator[tuple[npt.NDArray[np.intp], Cohort, Energy]]:
    """Yield the positions of each block's sites, their cohort and their hourly balance, in order.

    The hours of a few hundred sites are all that is in memory at a time. A site's balance is the same bits whatever
    the block.
    """

    def cut() -> list[tuple[npt.NDArray[np.intp], Cohort]]:
        whole = np.arange(len(cohort), dtype=np.intp)
        cuts = np.array_split(whole, max(-(-len(cohort) // BLOCK_SITES), 1))
        return [(rows, cohort if len(rows) == len(cohort) else cohort.take(rows)) for rows in cuts]

    for rows, part in cohort.once("blocks", cut):  # kept with it: a cohort is simulated again and again
        yield rows, part, simulate(part, plant.take(rows, cohort.array_rows(rows)))


def _generated(cohort: Cohort, plant: Plant, values: Mapping[str, float]) -> list[tuple[slice, Float32s]]:
    """Return what a few sites at a time generate; the last is kept: many a change moves load and water alone."""
    key = plant.digest(DECIDE_ON_GENERATION)
    last: tuple[bytes, list[tuple[slice, Float32s]]] | None = cohort.of_plants.get("generated")
    if last is None or last[0] != key:
        last = key, list(generated_in_parts(cohort, plant, values))
        for _, kwh in last[1]:
            kwh.flags.writeable = False
        cohort.of_plants["generated"] = last
    return last[1]


def household_load(cohort: Cohort, plant: Plant, sites: Sites = _ALL) -> Float32s:
    """Return electricity without water heating, standby of added devices included, kWh an hour, (S, H)."""
    shape = cohort.sites["load_shape"].to_numpy(dtype=np.intp)[sites]
    load: Float32s = cohort.load_shapes[shape].astype(np.float32)
    load *= plant.demand_kwh[sites].astype(np.float32)[:, None]
    load += (plant.standby_kwh[sites] / HOURS_PER_YEAR).astype(np.float32)[:, None]
    return load


def _beyond_batteries(cohort: Cohort, plant: Plant, year: Energy) -> Float32s:
    """Return what each of the N sites with a battery buys all the same, kWh an hour, (N, H): the tops of its load.

    A load that strays within the hour is at times above what is generated and the battery's power together.
    """
    sites = np.flatnonzero(plant.battery_kwh > 0)
    beyond = np.zeros((len(sites), HOURS_PER_YEAR), dtype=np.float32)
    for part in in_parts(len(sites)):  # what fits the processor's caches: a quarter of the time
        few = sites[part]
        load = household_load(cohort, plant, few)
        reached = year.generated[few] + plant.battery_kw[few].astype(np.float32)[:, None]
        load -= direct_use(load, reached.astype(np.float32), plant.load_evenness[few], _base_kw(plant, few))
        beyond[part] = np.minimum(load, year.imported[few])
    return beyond


def _base_kw(plant: Plant, sites: Sites) -> Floats:
    """Return the part of the load that runs in all hours, standby of added devices included, per site."""
    base: Floats = plant.base_load_kw[sites] + plant.standby_kwh[sites] / HOURS_PER_YEAR
    return base


def _with_timers(cohort: Cohort, plant: Plant) -> Plant:
    """Return the plant with the timers of night heaters at the cheapest hours, where prices go by time."""
    timed = plant.heating_hours == NIGHT_HOURS
    if not cohort.calendars or not timed.any():
        return plant
    moved = timed & (cohort.sites["price_calendar"].to_numpy() >= 0)
    begins = cohort.sites["night_from_hour"].to_numpy(dtype=np.float64, na_value=0.0)
    hours = plant.heating_hours.copy()
    hours[moved] = [hot_water.timer(int(hour)) for hour in begins[moved]]
    return plant.replace(heating_hours=hours)


def _add_batteries(
    year: Energy,
    cohort: Cohort,
    plant: Plant,
    values: Mapping[str, float],
    switched: HourlyKwh,
    beyond: HourlyKwh,
) -> None:
    """Let the batteries move energy from what is exported to what is used and take it off the imports, in place.

    ``switched`` (N, H) is what electric heaters there import, at full power: a weaker battery serves a part of it.
    ``beyond`` (N, H) is what the household imports above the battery's power.
    """
    sites = np.flatnonzero(plant.battery_kwh > 0)
    if len(sites):
        served = np.minimum(plant.battery_kw[sites] / np.maximum(plant.heater_kw[sites], 1e-9), 1.0)
        reached = switched * served.astype(np.float32)[:, None]
        wanted = year.imported[sites] - (switched - reached) - beyond
        taken, given = _batteries(year, plant, sites, values, wanted, reached)
        year.used[sites] += taken
        year.exported[sites] -= taken
        year.imported[sites] -= given
        trading = _trades(cohort.sites)[sites]  # of all: rows of a wide table are dear
        if trading.any():
            moved = (taken[trading], given[trading], (wanted - given)[trading])
            _trade(year, cohort, plant, sites[trading], moved, values)


def _trades(sites: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Tell where a battery buys in cheap hours: where the owner lets it and a kWh costs what its hour does, (N,).

    Left out are net metering, block steps and charges on the greatest import, which a kWh moved changes, too.
    """
    if "battery_charges_from_grid" not in sites:
        return np.zeros(len(sites), dtype=bool)
    trades = sites["battery_charges_from_grid"].to_numpy(dtype=bool, na_value=False)
    if trades.any():
        trades = trades & ~sites["export_rule"].isin(NETTED).to_numpy(dtype=bool, na_value=False)
        for name in CHARGED_OTHERWISE:
            trades &= sites[name].to_numpy(dtype=np.float64, na_value=0.0) == 0.0
    return np.asarray(trades)


def _trade(
    year: Energy,
    cohort: Cohort,
    plant: Plant,
    sites: npt.NDArray[np.intp],
    moved: tuple[HourlyKwh, HourlyKwh, HourlyKwh],
    values: Mapping[str, float],
) -> None:
    """Let batteries buy in cheap hours what they save in dear ones, in place.

    ``moved`` is what they take of surplus and give, and the load within their reach that is left, (N, H) each.
    """
    hour = np.asarray(cohort.weather.times.hour)
    bought, saved = trade_hours(
        *moved,
        hourly_import_price(cohort.sites.iloc[sites], cohort.calendars, hour),
        plant.battery_kwh[sites],
        plant.battery_kw[sites],
        values["battery_round_trip_efficiency"],
    )
    year.imported[sites] += bought - saved


def _batteries(
    year: Energy,
    plant: Plant,
    sites: npt.NDArray[np.intp],
    values: Mapping[str, float],
    served: HourlyKwh,
    switched: HourlyKwh | float = 0.0,
) -> tuple[Float32s, Float32s]:
    """Return what the batteries of sites take from the exports and give to what they serve, (N, H) each."""
    return run_batteries(
        year.exported[sites],
        served,
        plant.battery_kwh[sites],
        plant.battery_kw[sites],
        values["battery_round_trip_efficiency"],
        values["battery_within_hour"],
        switched,
    )


def _heat_water(
    year: Energy, weather: WeatherYear, plant: Plant, values: Mapping[str, float], beyond: HourlyKwh
) -> HourlyKwh:
    """Heat the stores, with surplus where there is a diverter, in place.

    ``beyond`` (N, H) is what N sites with a battery buy above its power. Returns what heating imports there, (N, H).
    """
    store = hot_water.has_store(plant)
    present = np.flatnonzero(store & (plant.diverter_kw <= 0))
    backup = hot_water.present_backup(weather, plant, present, values)
    for site, heat in zip(present, backup, strict=True):
        year.water_backup[site] = heat
    fed = np.flatnonzero(store & (plant.diverter_kw > 0))
    if len(fed):
        surplus, charged = year.exported[fed], plant.battery_kwh[fed] > 0
        if charged.any():
            beside = fed[charged]
            wanted = year.imported[beside] - beyond[np.searchsorted(np.flatnonzero(plant.battery_kwh > 0), beside)]
            surplus[charged] -= _batteries(year, plant, beside, values, wanted)[0]
        offer = _diverter_offer(surplus, plant.diverter_kw[fed], plant.availability[fed], values)
        stores = hot_water.run_stores(weather, plant, fed, offer, values)
        year.water_backup[fed], year.to_water[fed] = stores.backup, stores.diverted
        year.exported[fed] -= year.to_water[fed]
    heated = np.flatnonzero(store)
    year.water_backup[heated] /= plant.water_efficiency[heated].astype(np.float32)[:, None]

    electric = np.flatnonzero(store & np.isin(plant.water_heat, hot_water.ELECTRIC_HEATERS))
    wanted = year.water_backup[electric]
    # A thermostat switches: the heater draws its full power for a part of the hour, and surplus meets a part of that.
    runs = plant.availability[electric].astype(np.float32)[:, None]
    met = np.minimum(year.exported[electric] / plant.heater_kw[electric].astype(np.float32)[:, None], runs)
    at_once = wanted * met
    year.used[electric] += at_once
    year.exported[electric] -= at_once
    year.imported[electric] += wanted - at_once
    beside_battery = np.flatnonzero(plant.battery_kwh > 0)
    switched = np.zeros((len(beside_battery), HOURS_PER_YEAR), dtype=np.float32)
    _, of_electric, of_battery = np.intersect1d(electric, beside_battery, return_indices=True)
    switched[of_battery] = (wanted - at_once)[of_electric]
    return switched


def _diverter_offer(surplus: HourlyKwh, element_kw: Floats, runs: Floats, values: Mapping[str, float]) -> Float32s:
    """Return what diverters could take: surplus above the margin, from the least power to the element's.

    ``runs`` is the share of the hours with output, in which all of the ``surplus`` comes.
    """

    def while_running(power: float | Floats) -> Float32s:
        return (power * runs).astype(np.float32)[:, None]

    above = surplus - while_running(values["diverter_margin_kw"])
    offer: Float32s = np.minimum(above, while_running(element_kw))
    offer[above < while_running(values["diverter_least_kw"])] = 0
    return np.maximum(offer, 0, out=offer)


def _limit_export(year: Energy, plant: Plant, spread: Float32s) -> None:
    """Curtail what the export limits do not let through, in place.

    Surplus strays from its mean within the hour by as much as what is generated, ``spread`` (H,) of it.
    """
    sites = np.flatnonzero(plant.export_limit_kw < np.inf)
    surplus = year.exported[sites]
    runs = plant.availability[sites].astype(np.float32)[:, None]
    limit = runs * plant.export_limit_kw[sites].astype(np.float32)[:, None]
    stray = np.minimum(spread * year.generated[sites], surplus)
    site, hour = np.nonzero(surplus + stray > limit)
    mean, width, most = surplus[site, hour], stray[site, hour], limit[site, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        passed = mean - (mean + width - most) ** 2 / (4 * width)
    year.exported[sites[site], hour] = np.where(mean - width >= most, most, passed)
    year.curtailed[sites] = surplus - year.exported[sites]
