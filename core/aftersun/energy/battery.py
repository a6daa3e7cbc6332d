"""Home batteries by the hour: charged from surplus, discharged to the load that is left."""

from __future__ import annotations

import numpy as np

from aftersun.energy.assumptions import Float32s
from aftersun.model.energy import HourlyKwh
from aftersun.model.ranges import Floats


def run_batteries(
    surplus: HourlyKwh, unmet: HourlyKwh, capacity_kwh: Floats, power_kw: Floats, round_trip: float
) -> tuple[Float32s, Float32s]:
    """Return what N batteries take from surplus and give to the load, kWh an hour, each (N, H).

    ``surplus`` and ``unmet`` have shape (N, H), ``capacity_kwh`` and ``power_kw`` (N,). A battery acts on the
    hour's balance: where an hour has both surplus and unmet load, which one home's uneven load brings about,
    it takes or gives the difference only. All losses are on the way in. Batteries begin the year empty.
    """
    balance: Floats = np.subtract(surplus, unmet, dtype=np.float64)
    power = power_kw[:, None]
    # Counted in energy before the losses, so that one number says what is held.
    wanted = np.clip(balance, 0, power) - np.clip(-balance, 0, power) / round_trip
    change = np.diff(_held(wanted, capacity_kwh / round_trip), axis=1, prepend=0.0)
    taken, given = np.maximum(change, 0), np.maximum(-change, 0) * round_trip
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
