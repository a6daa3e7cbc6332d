"""What a skyline leaves of the sky: the sun behind a hill is gone, and so is that part of the diffuse light.

The diffuse light of the sky is taken as coming evenly from all of it, and the hill in front as dark.
"""

from __future__ import annotations

import numpy as np

from aftersun.energy.assumptions import Float32s
from aftersun.model.cohort import Horizon
from aftersun.model.ranges import Floats

_DIRECTIONS_DEG = np.arange(0.5, 360.0)  # of the sum over the sky


def heights(horizon: Horizon, azimuth_deg: Floats | Float32s) -> Floats:
    """Return the height of the skyline in degrees in each direction, clockwise from north."""
    height_deg: Floats = np.interp(azimuth_deg, horizon.azimuth_deg, horizon.height_deg, period=360.0)
    return height_deg


def sky_share(horizon: Horizon, tilt_deg: float, azimuth_deg: float) -> float:
    """Return the share of the sky's diffuse light on a plane that comes from above the skyline, 0..1."""
    turned = np.cos(np.radians(_DIRECTIONS_DEG - azimuth_deg))
    behind = np.degrees(np.arctan(-np.tan(np.radians(min(tilt_deg, 89.999))) * turned))  # where the plane ends
    free = np.maximum(behind, 0.0)
    seen = _light_above(np.maximum(free, heights(horizon, _DIRECTIONS_DEG)), tilt_deg, turned)
    return float(seen.sum() / _light_above(free, tilt_deg, turned).sum())


def _light_above(height_deg: Floats, tilt_deg: float, turned: Floats) -> Floats:
    """Return the integral of cos(incidence) over the sky from a height up to the zenith, for each direction.

    ``turned`` is the cosine of the angle between direction and plane azimuth.
    """
    low, tilt = np.radians(height_deg), np.radians(tilt_deg)
    level = np.cos(low) ** 2 / 2  # integral of sin(e) cos(e)
    facing = (np.pi / 2 - low) / 2 - np.sin(2 * low) / 4  # integral of cos(e)^2
    light: Floats = np.cos(tilt) * level + np.sin(tilt) * turned * facing
    return light
