"""Damaged shunts: a leak across the cells that takes little of a strong current and much of a weak one.

The figures are those of the single-diode model of an ordinary module of 60 cells whose shunt resistance falls
while all else stays [1]_ [2]_. It is solved once, for a row of resistances and of irradiances; arrays
interpolate in that table, by the share that the shunt takes in full sun.

References
----------
.. [1] W. De Soto, S. Klein, W. Beckman, "Improvement and validation of a model for photovoltaic array
   performance", Solar Energy 80 (1), 78-88, 2006.
.. [2] W. Luo et al., Energy & Environmental Science, 2017 (potential-induced shunting of p-type cells).
   :doi:`10.1039/c6ee02271e`
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from pvlib import pvsystem

from aftersun.energy.assumptions import Float32s, between_nodes
from aftersun.model.ranges import Floats

FULL_SUN = 1000.0  # W/m2
GREATEST_LOSS = 0.9  # of the table, in full sun; beyond it, low light is as bad as there

# An ordinary module of 60 crystalline cells in series: assumption, of importance for the shape only.
PHOTOCURRENT_A = 10.0  # in full sun
SERIES_OHM = 0.25
N_NS_VTH_V = 1.619
OPEN_CIRCUIT_V = 40.5
SOUND_SHUNT_OHM = 300.0

_STEP = 10.0  # W/m2
_STEPS = 140  # up to 1400 W/m2
_RESISTANCES = 60


def module_power(irradiance: npt.ArrayLike, shunt_ohm: npt.ArrayLike) -> Floats:
    """Return the greatest power of the module in W. Irradiance in W/m2, above 0; shapes broadcast."""
    light, shunt = np.broadcast_arrays(
        np.asarray(irradiance, dtype=np.float64), np.asarray(shunt_ohm, dtype=np.float64)
    )
    saturation_a = PHOTOCURRENT_A / np.expm1(OPEN_CIRCUIT_V / N_NS_VTH_V)
    maximum = pvsystem.max_power_point(
        PHOTOCURRENT_A * light.ravel() / FULL_SUN, saturation_a, SERIES_OHM, shunt.ravel(), N_NS_VTH_V, method="newton"
    )
    power: Floats = np.asarray(maximum["p_mp"]).reshape(light.shape)
    return power


class _Table(NamedTuple):
    full_sun: Floats  # (K,) share lost in full sun, rising from 0
    relative: Floats  # (K, N) share left in light n, over the share left in full sun


@cache
def _table() -> _Table:
    irradiance = np.maximum(np.arange(_STEPS + 1) * _STEP, 1.0)  # 1 W/m2 stands for the limit at 0
    shunt_ohm = SOUND_SHUNT_OHM / np.geomspace(1.0, 300.0, _RESISTANCES)
    power = module_power(irradiance, shunt_ohm[:, None])
    left = power / power[0]
    full = left[:, round(FULL_SUN / _STEP)]
    return _Table(1 - full, left / full[:, None])


def low_light_factor(irradiance: Float32s, shunt_loss: Floats) -> Float32s:
    """Return the share that shunts leave in each hour over the share that they leave in full sun, (A, L).

    ``irradiance`` in W/m2 (A, L); ``shunt_loss`` (A,) is the share that they take in full sun. 1 in full sun and
    where nothing is lost, less in less light, a little more in stronger light.
    """
    curves = _curves(shunt_loss).astype(np.float32)
    position = np.minimum(irradiance, np.float32(_STEP * (_STEPS - 0.5))) * np.float32(1 / _STEP)
    first = np.arange(len(curves))[:, None] * (_STEPS + 1)
    return between_nodes(curves.ravel(), position, first)


def _curves(shunt_loss: Floats) -> Floats:
    """Return the table's row for each loss (A,), between its rows: (A, N)."""
    table = _table()
    loss = np.minimum(shunt_loss, GREATEST_LOSS)
    row = np.searchsorted(table.full_sun, loss, side="right") - 1
    part = (loss - table.full_sun[row]) / (table.full_sun[row + 1] - table.full_sun[row])
    lower = table.relative[row]
    curves: Floats = lower + part[:, None] * (table.relative[row + 1] - lower)
    return curves


def full_sun_loss(irradiance: Float32s, output: Float32s, year_loss: Floats, shunt_share: Floats) -> Floats:
    """Return the share lost in full sun where ``year_loss`` is lost of a year's output, per array (A,).

    ``irradiance`` in W/m2 and ``output`` of sound arrays, in any unit, have shape (A, L); ``year_loss`` (A,) is a
    share, and ``shunt_share`` (A,) the part of the loss in full sun that is a shunt's. Without shunts, and without
    light, it is the same share.
    """
    loss = year_loss.copy()
    of_year = output.sum(axis=1, dtype=np.float64)
    rows = np.flatnonzero((year_loss > 0) & (shunt_share > 0) & (of_year > 0))
    table = _table()
    node = np.minimum(np.rint(irradiance[rows] / np.float32(_STEP)).astype(np.intp), _STEPS)
    node += np.arange(len(rows))[:, None] * (_STEPS + 1)
    by_node = np.bincount(node.ravel(), output[rows].ravel(), len(rows) * (_STEPS + 1))
    by_node = by_node.reshape(len(rows), _STEPS + 1) / of_year[rows, None]
    for row, weights in zip(rows, by_node, strict=True):
        in_full_sun = table.full_sun / shunt_share[row]
        in_year = 1 - (1 - in_full_sun) * (table.relative * weights).sum(axis=1)
        loss[row] = np.interp(year_loss[row], in_year, in_full_sun)
    return np.minimum(loss, 1.0)
