"""Loads that can wait, such as a car that stands at home: a day's energy from surplus first, the rest in time.

Each day counts from the hour the load comes until the same hour of the next: it takes surplus while it may, up to its
power and the day's energy, and what is then missing is bought in the last hours it may run. A load that does not wait
for surplus takes its energy as soon as it may, and surplus meets what comes at the same time.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from aftersun.energy.assumptions import Float32s
from aftersun.energy.demand import day_type
from aftersun.model.energy import Energy
from aftersun.model.plant import Plant
from aftersun.model.ranges import Floats
from aftersun.model.weather import HOURS_PER_YEAR, WeatherYear

_HOURS_PER_DAY = 24


def add_waiting_loads(year: Energy, weather: WeatherYear, plant: Plant) -> None:
    """Let the loads of all sites that have one take surplus and buy the rest, in place."""
    sites = np.flatnonzero((plant.waiting_kwh_per_day > 0) & (plant.waiting_kw > 0))
    if len(sites):
        surplus = year.exported[sites]
        used, bought = run_waiting(surplus.astype(np.float64), weather, plant, sites)
        used_of_surplus: Float32s = np.minimum(used.astype(np.float32), surplus)
        year.used[sites] += used_of_surplus
        year.exported[sites] -= used_of_surplus
        year.imported[sites] += bought.astype(np.float32)


def run_waiting(
    surplus: Floats, weather: WeatherYear, plant: Plant, sites: npt.NDArray[np.intp]
) -> tuple[Floats, Floats]:
    """Return what the loads of N sites take of the surplus and what they buy, kWh an hour, (N, H) each."""
    hour = weather.times.hour.to_numpy()
    come, gone = (getattr(plant, name)[sites].round() for name in ("waiting_from_hour", "waiting_until_hour"))
    lasts = (gone - come) % _HOURS_PER_DAY
    lasts = np.where(lasts == 0, _HOURS_PER_DAY, lasts)
    may = (hour - come[:, None]) % _HOURS_PER_DAY < lasts[:, None]
    may |= (day_type(weather.times) > 0) & (plant.waiting_at_weekends[sites] > 0)[:, None]
    power = plant.waiting_kw[sites, None] * may
    # the year turned so that each day begins when the load comes
    first = ((come - hour[0]) % _HOURS_PER_DAY).astype(np.intp)
    turned = (np.arange(HOURS_PER_YEAR) + first[:, None]) % HOURS_PER_YEAR

    def by_day(hours: Floats) -> Floats:
        return np.take_along_axis(hours, turned, axis=1).reshape(len(sites), -1, _HOURS_PER_DAY)

    room = by_day(power)
    wanted = np.minimum(plant.waiting_kwh_per_day[sites, None], room.sum(axis=2))[..., None]
    waits = plant.waiting_for_surplus[sites, None] > 0
    offered = np.where(waits & (surplus >= plant.waiting_least_kw[sites, None]), np.minimum(surplus, power), 0.0)
    taken = _first_of(by_day(offered), wanted)
    missing, left = wanted - taken.sum(axis=2, keepdims=True), room - taken
    late = _first_of(left[..., ::-1], missing)[..., ::-1]
    rest = np.where(waits[..., None], late, _first_of(left, missing))

    back = np.argsort(turned, axis=1)
    taken, rest = (np.take_along_axis(days.reshape(len(sites), -1), back, axis=1) for days in (taken, rest))
    at_once = np.minimum(rest, np.maximum(surplus - taken, 0.0))
    return taken + at_once, rest - at_once


def _first_of(offered: Floats, wanted: Floats) -> Floats:
    """Return of each hour of a day (N, D, 24) what is taken until the wanted (N, D, 1) is reached."""
    taken: Floats = np.diff(np.minimum(np.cumsum(offered, axis=2), wanted), axis=2, prepend=0.0)
    return taken
