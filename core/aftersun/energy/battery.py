"""Home batteries by the hour: charged from surplus, discharged to the load that is left."""

from __future__ import annotations

import numpy as np

from aftersun.energy.assumptions import Float32s
from aftersun.model.energy import HourlyKwh
from aftersun.model.ranges import Floats


def run_batteries(
    surplus: HourlyKwh,
    unmet: HourlyKwh,
    capacity_kwh: Floats,
    power_kw: Floats,
    round_trip: float,
    same_day: float,
    switched: HourlyKwh | float = 0.0,
) -> tuple[Float32s, Float32s]:
    """Return what N batteries take from surplus and give to the load, kWh an hour, each (N, H).

    ``surplus`` and ``unmet`` have shape (N, H), ``capacity_kwh`` and ``power_kw`` (N,). One home's uneven load brings
    about hours that have both. ``same_day`` of what is in both comes and goes within one hour of one day, where a
    battery evens it out; the rest is of different days, and the battery takes or gives the difference alone. What a
    thermostat switches, ``switched`` of the unmet, all comes and goes within the hour and is evened out first. Either
    takes the battery's power for a quarter of the hour at most (the mean of the shorter part of an hour that is split
    anywhere). All losses are on the way in. Batteries begin the year empty.
    """
    power = power_kw[:, None]
    within = np.minimum(np.minimum(surplus, switched / round_trip), power / 4, dtype=np.float64)
    of_load = np.maximum(np.minimum(surplus, unmet / round_trip) - within, 0)
    within = np.minimum(within + same_day * of_load, power / 4)
    balance: Floats = (surplus - within) - (unmet - within * round_trip)
    left = power - within
    # Counted in energy before the losses, so that one number says what is held.
    wanted = np.clip(balance, 0, left) - np.clip(-balance, 0, left) / round_trip
    change = np.diff(_held(wanted, capacity_kwh / round_trip), axis=1, prepend=0.0)
    taken, given = within + np.maximum(change, 0), within * round_trip + np.maximum(-change, 0) * round_trip
    return (
        np.minimum(taken.astype(np.float32), surplus),
        np.minimum(given.astype(np.float32), unmet),
    )


def _held(wanted: Floats, capacity: Floats) -> Floats:
    """Return what is held at the end of each hour, (N, H), of what is wanted: above 0 to take, below to give.

    While a battery only takes, or only gives, it does so until it is full or empty. So it is enough to go
    through these spells, a few in a day, one after another.
    """
    size = len(wanted)
    turns = np.diff(wanted > 0, axis=1, prepend=(wanted > 0)[:, :1])
    spell = np.cumsum(turns, axis=1)
    count = int(spell.max(initial=0)) + 1
    spell += count * np.arange(size)[:, None]
    total = np.bincount(spell.ravel(), wanted.ravel(), size * count).reshape(size, count)
    begin = np.zeros((count + 1, size))
    for turn, change in enumerate(np.ascontiguousarray(total.T)):
        np.clip(begin[turn] + change, 0, capacity, out=begin[turn + 1])
    summed = np.cumsum(wanted, axis=1)
    before = np.cumsum(total, axis=1) - total  # of the spell
    held: Floats = summed + (begin[:-1].T - before).ravel()[spell]
    np.clip(held, 0, capacity[:, None], out=held)
    return held
