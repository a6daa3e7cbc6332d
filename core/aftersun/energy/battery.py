"""Home batteries by the hour: charged from surplus, discharged to the load that is left."""

from __future__ import annotations

import numpy as np

from aftersun.energy.assumptions import Float32s
from aftersun.model.ranges import Floats


def run_batteries(
    surplus: Float32s, unmet: Float32s, capacity_kwh: Floats, power_kw: Floats, round_trip: float
) -> tuple[Float32s, Float32s]:
    """Return what N batteries take from surplus and give to the load, kWh an hour, each (N, H).

    ``surplus`` and ``unmet`` have shape (N, H), ``capacity_kwh`` and ``power_kw`` (N,). A battery acts on the
    hour's balance: where an hour has both surplus and unmet load, which one home's uneven load brings about,
    it takes or gives the difference only. All losses are on the way in. Batteries begin the year empty.
    """
    balance = np.ascontiguousarray(surplus.T) - unmet.T.astype(np.float64)
    # Counted in energy before the losses, so that one number says what is held.
    capacity = capacity_kwh / round_trip
    taken, given = np.clip(balance, 0, power_kw), np.clip(-balance, 0, power_kw) / round_trip
    held = np.zeros(len(capacity))
    for hour in range(len(balance)):
        held += np.minimum(taken[hour], capacity - held, out=taken[hour])
        held -= np.minimum(given[hour], held, out=given[hour])
    given *= round_trip
    return (
        np.minimum(taken.T.astype(np.float32), surplus),
        np.minimum(given.T.astype(np.float32), unmet),
    )
