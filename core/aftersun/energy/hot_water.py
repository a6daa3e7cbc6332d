"""Hot-water stores by the hour: draw, standing loss, surplus from the roof, and the present heater.

A store is one body of water at its mean temperature. Heat is drawn as if it were layered: hot water is
delivered at the tap temperature as long as the store holds heat above the cold feed.

References
----------
.. [1] BRE, "The Government's Standard Assessment Procedure for Energy Rating of Dwellings", SAP 2012,
   Tables 1b, 1c, 1d, 2, 2a, 2b.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

import aftersun_datasets
from aftersun.energy.assumptions import Float32s
from aftersun.model.plant import ANY_HOUR, BOILER_HOURS, NIGHT_HOURS, Plant, Texts
from aftersun.model.ranges import Floats
from aftersun.model.weather import HOURS_PER_YEAR, WeatherYear

WATER_KWH_PER_L_K = 1.1628e-3  # 4.186 kJ/(kg K)
STORES_KEPT = 1000  # 35 kB each
STORES_AT_ONCE = 32  # measured: their year stays in the cache of a processor

ELECTRIC_HEATERS = ("immersion", "night immersion", "heat pump")
# Of each heater the usual hours. The others have no store of their own or one that something else feeds.
_USUAL_HOURS = {
    "gas boiler": BOILER_HOURS,
    "oil boiler": BOILER_HOURS,
    "lpg boiler": BOILER_HOURS,
    "night immersion": NIGHT_HOURS,
    "immersion": ANY_HOUR,
    "heat pump": ANY_HOUR,
    "district heat": ANY_HOUR,
}


@dataclass(frozen=True, eq=False)
class StoreYear:
    """One year of N stores, heat in kWh an hour, each (N, H). Stores begin the year as the heater keeps them."""

    diverted: Floats  # heat from surplus
    backup: Floats  # heat from the present heater
    drawn: Floats  # heat drawn, pipes included
    temperature: Floats  # degrees C at the end of the hour


def has_store(plant: Plant) -> npt.NDArray[np.bool_]:
    """Tell per site whether there is a store whose present heater is known and modelled. Shape (S,)."""
    return (plant.store_litres > 0) & keeps_store(plant.water_heat)


def keeps_store(water_heat: Texts) -> npt.NDArray[np.bool_]:
    """Tell which kinds of heaters keep a store of their own that is modelled; shape as given."""
    return np.isin(water_heat, list(_USUAL_HOURS))


def usual_hours(water_heat: Texts) -> Texts:
    """Return when heaters of these kinds may heat, unless something else is known; shape as given."""
    return np.array([_USUAL_HOURS.get(kind, ANY_HOUR) for kind in water_heat], dtype=object)


def litres_per_day(occupants: Floats, values: Mapping[str, float]) -> Floats:
    """Return hot water a day at the year's mean, litres at tap temperature, by SAP [1]_ Table 1b."""
    return values["water_litres_per_person"] * occupants + values["water_litres_per_home"]


def standing_loss_kwh_per_day(litres: Floats, insulation_mm: Floats, values: Mapping[str, float]) -> Floats:
    """Return the standing loss of foamed stores (N,) by SAP [1]_ Tables 2, 2a, 2b; 0 without a store."""
    per_litre = 0.005 + 0.55 / (insulation_mm + 4.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        loss = litres * per_litre * np.cbrt(120 / litres) * values["store_temperature_factor"]
    return np.where(litres > 0, loss, 0.0)


def tap_heat_kwh(weather: WeatherYear) -> Floats:
    """Return the heat drawn at the tap by the hour (H,), kWh for one litre a day at the year's mean."""
    month = _month(weather.times, weather.station.latitude)
    share = _table("draw_share")[weather.times.hour]
    heat: Floats = WATER_KWH_PER_L_K * share * (_table("month_factor") * _table("temperature_rise"))[month]
    return heat


def run_stores(
    weather: WeatherYear,
    plant: Plant,
    sites: npt.NDArray[np.intp],
    offer: npt.NDArray[np.floating] | None,
    values: Mapping[str, float],
) -> StoreYear:
    """Run the stores of N sites, given by their positions (N,), through the year.

    ``offer`` is the heat that surplus could give, kWh an hour (N, H), or None. In each hour: standing loss at
    the first temperature, draw, surplus up to ``store_max_c``, then the present heater if it may run, with no more than
    ``heater_kw`` lets into it: up to ``store_set_c``, or in the mean half a thermostat's band less if at any hour.

    A day begins with the heat that the day before ended with. All days are run at once from a guess; those that began
    with another heat are run again until none has, so that each hour has the bits of hour after hour. A store that was
    full or heated up forgets how it began: a few times are enough.
    """
    if len(sites) > STORES_AT_ONCE:
        some = [slice(first, first + STORES_AT_ONCE) for first in range(0, len(sites), STORES_AT_ONCE)]
        parts = (run_stores(weather, plant, sites[at], None if offer is None else offer[at], values) for at in some)
        return StoreYear(*map(np.concatenate, zip(*(vars(part).values() for part in parts), strict=True)))
    month = _month(weather.times, weather.station.latitude).reshape(-1, 24)
    capacity = WATER_KWH_PER_L_K * plant.store_litres[sites]  # kWh/K
    # A store that lost more than its heat in an hour would be none.
    loss_share = np.minimum(plant.store_loss_w_per_k[sites] / 1000 / capacity, 1.0)
    kept, from_room = 1 - loss_share, loss_share * capacity * values["room_c"]
    cold_c = values["tap_temperature_c"] - _table("temperature_rise")
    # Heat above 0 degrees C: cold feed (12, N), what the present heater and surplus heat up to (N,).
    cold = cold_c[:, None] * capacity
    # A heater that may run at any hour starts once the store is a thermostat's band below where it stops.
    band = np.where(plant.heating_hours[sites] == ANY_HOUR, values["thermostat_band_k"] / 2, 0.0)
    least, full = capacity * (plant.store_set_c[sites] - band), capacity * plant.store_max_c[sites]
    need = tap_heat_kwh(weather)[:, None] * (plant.draw_litres_per_day[sites] * (1 + values["pipe_loss_share"]))
    most = np.stack([_hours_of(name) for name in plant.heating_hours[sites]], axis=1)  # (24, N)
    most *= plant.heater_kw[sites] * plant.water_efficiency[sites]  # heat an hour
    most = most[weather.times.hour[:24]]

    needed = need.reshape(*month.shape, -1)
    offered = np.zeros_like(needed) if offer is None else np.ascontiguousarray(offer.T).reshape(needed.shape)
    drawn, diverted, backup, held = np.empty((4, *needed.shape))
    begin = np.tile(least, (len(needed), 1))
    end = np.empty_like(begin)
    day: Any = np.s_[:]
    site: Any = np.s_[:]
    while True:
        heat = begin[day, site]
        for hour in range(24):
            at = (day, hour, site)
            heat = heat * kept[site] + from_room[site]
            drawn[at] = moved = np.minimum(needed[at], np.maximum(heat - cold[month[day, hour], site], 0.0))
            heat -= moved
            diverted[at] = moved = np.maximum(np.minimum(full[site] - heat, offered[at]), 0.0)
            heat += moved
            backup[at] = moved = np.maximum(np.minimum(least[site] - heat, most[hour, site]), 0.0)
            heat += moved
            held[at] = heat
        end[day, site] = heat
        day, site = np.nonzero(begin[1:] != end[:-1])
        if not len(day):
            break
        day += 1
        begin[day, site] = end[day - 1, site]
    held /= capacity
    return StoreYear(*(year.reshape(HOURS_PER_YEAR, -1).T for year in (diverted, backup, drawn, held)))


def present_backup(
    weather: WeatherYear, plant: Plant, sites: npt.NDArray[np.intp], values: Mapping[str, float]
) -> list[Float32s]:
    """Return the heat of the present heater without any surplus, kWh an hour, one (H,) for each of these sites.

    It does not depend on the roof: each distinct store is run once for a weather year.
    """
    setting = tuple(values[name] for name in ("tap_temperature_c", "pipe_loss_share", "room_c", "thermostat_band_k"))
    # ``store_max_c`` decides nothing without surplus
    store = ("store_litres", "store_loss_w_per_k", "store_set_c", "draw_litres_per_day")
    names = (*store, "heater_kw", "water_efficiency", "heating_hours")
    columns = (getattr(plant, name)[sites].tolist() for name in names)
    keys = [(*row, setting) for row in zip(*columns, strict=True)]
    row_of = {key: row for row, key in enumerate(keys)}

    def compute(missing: list[tuple[Any, ...]]) -> Iterator[Float32s]:
        distinct = sites[[row_of[key] for key in missing]]
        yield from run_stores(weather, plant, distinct, None, values).backup.astype(np.float32)

    return weather.memo.recall("stores", keys, compute, STORES_KEPT)


def _month(times: pd.DatetimeIndex, latitude: float) -> npt.NDArray[np.intp]:
    """Return the position of the month in the tables, 0 = January north of the equator, July south of it."""
    shift = 6 if latitude < 0 else 0
    return np.asarray((times.month - 1 + shift) % 12, dtype=np.intp)


@cache
def _table(name: str) -> Floats:
    rows = [row for row in aftersun_datasets.rows("hot_water.csv") if row["table"] == name]
    return np.array([float(row["value"]) for row in rows])


def timer(begins: int) -> str:
    """Return the hours of a night heater whose timer begins at an hour of the day, as ``Plant.heating_hours``."""
    return f"{NIGHT_HOURS} from {begins}" if begins else NIGHT_HOURS


def _hours_of(hours: str) -> Floats:
    if hours == ANY_HOUR:
        return np.ones(24)
    table, _, begins = hours.partition(" from ")
    return np.roll(_table(table), int(begins or 0))
