"""Tilts by latitude, and what missed adjustments leave of a seasonal tilt.

References
----------
.. [1] Jacobson and Jadhav, Solar Energy 169, 2018, 55-66: cubic fit to simulated yields of fixed tilts.
.. [2] C. R. Landau, "Optimum Tilt of Solar Panels" (web article): clear-sky beam, for latitudes of 25 to 50 degrees.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from aftersun import api

# Tilt = factor x latitude + offset in degrees [2]_: in between, in summer, in winter.
_SEASONAL = {
    2: ((0.76, 3.1), (0.93, -21.0), (0.875, 19.2)),  # in between: the fixed tilt, which two positions do not have
    4: ((0.98, -2.3), (0.92, -24.3), (0.89, 24.0)),
}
# Of four positions, days in spring and autumn over those in summer and winter: 88 / 277.
_BETWEEN_DAYS = 88.0 / 277.0


def optimal_tilt_deg(latitude_deg: npt.ArrayLike) -> api.Floats:
    """Return the best fixed tilt in degrees of modules that face the equator, by latitude (north positive) [1]_.

    For the southern hemisphere the angle is given as positive too.
    """
    lat = np.asarray(latitude_deg, dtype=np.float64)
    north = 1.3793 + lat * (1.2011 + lat * (-0.014404 + lat * 0.000080509))
    south = -0.41657 + lat * (1.4216 + lat * (0.024051 + lat * 0.00021828))
    return np.abs(np.where(lat < 0, south, north))


def seasonal_tilts_deg(latitude_deg: npt.ArrayLike, positions: int) -> tuple[api.Floats, api.Floats, api.Floats]:
    """Return the tilts in between, in summer and in winter for 2 or 4 positions, degrees, either hemisphere [2]_."""
    lat = np.abs(np.asarray(latitude_deg, dtype=np.float64))
    between, summer, winter = (np.clip(factor * lat + offset, 0.0, 90.0) for factor, offset in _SEASONAL[positions])
    return between, summer, winter


def standing_since(missed: npt.ArrayLike, positions: int) -> api.Floats:
    """Return the chance that the frame was last moved 0, 1, 2, ... adjustments ago, last axis of size ``positions``.

    Each adjustment is missed with the chance ``missed``, whatever happened before, and then the old position stays. One
    made ``positions`` ago left the same position, so the chances are ``m^j / (1 + m + ... + m^(positions - 1))``.
    """
    chance = np.asarray(missed, dtype=np.float64)[..., np.newaxis] ** np.arange(positions)
    shares: api.Floats = chance / chance.sum(axis=-1, keepdims=True)
    return shares


def swapped_share(missed: npt.ArrayLike) -> api.Floats:
    """Return the share of the year that two positions stand the wrong way round: ``m / (1 + m)``."""
    return standing_since(missed, 2)[..., 1]


def held_back_share(missed: npt.ArrayLike) -> api.Floats:
    """Return what missed adjustments of four positions lose, over the loss of standing at the middle tilt all year.

    The loss grows with the square of the error in angle. In summer and winter one step is that to the middle tilt, two
    steps lose four times as much; in spring and autumn one step loses as much a day, two steps lead back.
    """
    since = standing_since(missed, 4)
    one_step, two_steps = since[..., 1] + since[..., 3], since[..., 2]
    share: api.Floats = one_step * (1.0 + _BETWEEN_DAYS) + 4.0 * two_steps
    return share


def effect_left(today_kwh: api.Floats, right_kwh: api.Floats, wrong_kwh: api.Floats, share: api.Floats) -> api.Floats:
    """Return the share of the gain ``right - today`` that stays where ``share`` of ``right - wrong`` is lost; 0..1.

    All of shape (S,). Where nothing is gained there is nothing to lose: 1.
    """
    gain = right_kwh - today_kwh
    lost = np.divide(share * (right_kwh - wrong_kwh), gain, out=np.zeros_like(gain), where=gain > 0.0)
    return np.clip(1.0 - lost, 0.0, 1.0)
