"""Home batteries by the hour: charged from surplus, or from the grid where it is cheap, discharged to the load left."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from aftersun.energy.assumptions import Float32s
from aftersun.model.energy import HourlyKwh
from aftersun.model.price_times import cheapest_start
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


def trade_hours(
    taken: HourlyKwh,
    given: HourlyKwh,
    unmet: HourlyKwh,
    price: Floats,
    capacity_kwh: Floats,
    power_kw: Floats,
    round_trip: float,
) -> tuple[Float32s, Float32s]:
    """Return what N batteries buy in cheap hours and what of it they give in dear ones, kWh an hour, each (N, H).

    ``taken`` and ``given`` are what they do with surplus, which stays as it is: only room and power that it leaves are
    used, and no hour both charges and discharges. ``unmet`` is the load that is left, ``price`` (N, H) that of a kWh
    bought. A kWh is bought only to be given later in the same day where that saves more than it costs, losses counted,
    so that no trade raises a bill whose kWh cost what ``price`` says. A day begins with its cheapest hour; pairs of
    hours are taken by their mean gain over the year, greatest first. All losses are on the way in.
    """
    size = len(taken)
    start = cheapest_start(price.reshape(size, -1, 24).mean(axis=1), 1)

    def by_day(hourly: npt.NDArray[np.floating]) -> Floats:
        turned = np.stack([np.roll(row, -first) for row, first in zip(hourly, start, strict=True)])
        return turned.reshape(size, -1, 24).astype(np.float64)

    held = np.cumsum(taken - given / round_trip, axis=1, dtype=np.float64)  # before losses
    room = np.maximum(by_day(capacity_kwh[:, None] / round_trip - held), 0.0)
    power = power_kw[:, None, None]
    may_take = np.where(by_day(given) > 0, 0.0, power - by_day(taken))
    may_give = np.where(by_day(taken) > 0, 0.0, np.minimum(power - by_day(given), by_day(unmet)))
    may_take[start > 0, -1] = 0.0  # the day that would run on into the next year
    cost = by_day(price)
    mean = cost.mean(axis=1)
    bought, saved = np.zeros_like(cost), np.zeros_like(cost)
    gain = {(a, b): mean[:, b] * round_trip - mean[:, a] for a in range(24) for b in range(a + 1, 24)}
    for a, b in sorted(gain, key=lambda pair: -float(np.nan_to_num(gain[pair]).max(initial=0.0))):
        worth = cost[:, :, b] * round_trip > cost[:, :, a]
        if not worth.any():
            continue
        kwh = np.minimum(may_take[:, :, a], may_give[:, :, b] / round_trip)
        kwh = np.where(worth, np.maximum(np.minimum(kwh, room[:, :, a:b].min(axis=2)), 0.0), 0.0)
        # an hour that charges does not discharge, nor the other way round
        kwh[(saved[:, :, a] > 0) | (bought[:, :, b] > 0)] = 0.0
        bought[:, :, a] += kwh
        saved[:, :, b] += kwh * round_trip
        may_take[:, :, a] -= kwh
        may_give[:, :, b] -= kwh * round_trip
        room[:, :, a:b] -= kwh[:, :, None]
    back = [
        np.stack([np.roll(row, first) for row, first in zip(part.reshape(size, -1), start, strict=True)])
        for part in (bought, saved)
    ]
    return back[0].astype(np.float32), np.minimum(back[1].astype(np.float32), unmet)
