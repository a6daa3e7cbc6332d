"""Hot-water stores by the hour: draw, standing loss, surplus from the roof, and the present heater.

A store is one body of water at its mean temperature. Heat is drawn as if it were layered: hot water is
delivered at the tap temperature as long as the store holds heat above the cold feed.

References
----------
.. [1] BRE, "The Government's Standard Assessment Procedure for Energy Rating of Dwellings", SAP 2012,
   Tables 1b, 1c, 1d, 2, 2a, 2b.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
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
FEW_STORES = 8  # measured: up to so many are quicker one by one than side by side

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
    """
    month, hour_of_day = _month(weather.times, weather.station.latitude), weather.times.hour.to_numpy()
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
    offered = np.zeros_like(need) if offer is None else np.ascontiguousarray(offer.T)

    diverted, backup, held = (np.zeros((HOURS_PER_YEAR, len(sites))) for _ in range(3))
    clock = list(zip(month.tolist(), hour_of_day.tolist(), strict=True))
    stores, years = (kept, from_room, least, full, cold, most), (need, offered, diverted, backup, held)
    if len(sites) > FEW_STORES:
        _side_by_side(clock, stores, years, offer is not None)
    else:
        _one_by_one(clock, stores, years)
    held /= capacity
    return StoreYear(diverted.T, backup.T, need.T, held.T)  # ``need`` has become what is drawn


def _side_by_side(
    clock: Sequence[tuple[int, int]], stores: tuple[Floats, ...], years: tuple[Floats, ...], surplus_comes: bool
) -> None:
    """Run many stores hour by hour, all at once, in place: years (H, N) of what is drawn, offered, given, held."""
    kept, from_room, least, full, cold, most = stores
    some_heat: list[bool] = (most.sum(axis=1) > 0).tolist()
    heat = least.copy()
    for (in_month, hour), drawn, surplus, from_surplus, from_heater, at_end in zip(clock, *years, strict=True):
        heat *= kept
        heat += from_room
        np.minimum(drawn, np.maximum(heat - cold[in_month], 0.0), out=drawn)
        heat -= drawn
        if surplus_comes:
            np.minimum(np.subtract(full, heat, out=from_surplus), surplus, out=from_surplus)
            heat += np.maximum(from_surplus, 0.0, out=from_surplus)
        if some_heat[hour]:
            np.minimum(np.subtract(least, heat, out=from_heater), most[hour], out=from_heater)
            heat += np.maximum(from_heater, 0.0, out=from_heater)
        at_end[:] = heat


def _one_by_one(clock: Sequence[tuple[int, int]], stores: tuple[Floats, ...], years: tuple[Floats, ...]) -> None:
    """Do the same store by store, with the same bits: for a few, numbers are quicker than arrays of a few."""
    need, offered, diverted, backup, held = years
    for site in range(need.shape[1]):
        kept, from_room, least, full, cold, most = (values[..., site].tolist() for values in stores)
        heat = least
        rows = []
        for (in_month, hour), needed, surplus in zip(
            clock, need[:, site].tolist(), offered[:, site].tolist(), strict=True
        ):
            heat = heat * kept + from_room
            drawn = min(needed, max(heat - cold[in_month], 0.0))
            heat -= drawn
            from_surplus = max(min(full - heat, surplus), 0.0)
            heat += from_surplus
            from_heater = max(min(least - heat, most[hour]), 0.0)
            heat += from_heater
            rows.append((drawn, from_surplus, from_heater, heat))
        need[:, site], diverted[:, site], backup[:, site], held[:, site] = np.array(rows).T


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


def _hours_of(hours: str) -> Floats:
    return np.ones(24) if hours == ANY_HOUR else _table(hours)
