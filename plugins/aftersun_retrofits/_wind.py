"""Wind on raised modules and the ballast that holds them: a screening, never a structural design.

Peak velocity pressure as in EN 1991-1-4, sections 4.2 to 4.5, with its recommended values (flat ground, no factor for
direction or season; a national annex may differ): ``q_p = c_e(z) q_b``, ``q_b = 0.5 rho v_b^2``. The force on a module
is ``q_p c A``, and ballast alone weighs it down: ``F / g``, no friction, no coupling of rows, no own weight counted.
Table 4.1 from memory, compared with public code that states it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from aftersun import api

AIR_DENSITY_KG_M3 = 1.25  # EN 1991-1-4, 4.5
GRAVITY_M_S2 = 9.80665  # standard gravity
STOREY_M = 3.0  # height of a storey; common practice, no source

# Roughness length z0 and least height zmin in m, EN 1991-1-4 table 4.1. "open water" stands for 0 and I: 0 is taken.
TERRAIN = {
    "open water": (0.003, 1.0),
    "open country": (0.05, 2.0),
    "suburban or forest": (0.3, 5.0),
    "city": (1.0, 10.0),
}
_UNKNOWN = (np.nan, np.nan)


def velocity_pressure_pa(wind_m_s: npt.ArrayLike, air_density_kg_m3: float = AIR_DENSITY_KG_M3) -> api.Floats:
    """Return ``0.5 rho v^2`` in Pa."""
    speed = np.asarray(wind_m_s, dtype=np.float64)
    pressure: api.Floats = 0.5 * air_density_kg_m3 * speed**2
    return pressure


def exposure_factor(height_m: npt.ArrayLike, terrain: npt.NDArray[np.object_]) -> api.Floats:
    """Return ``c_e(z) = (1 + 7 I_v) c_r^2``: peak pressure at a height over that of the basic wind speed.

    ``c_r = k_r ln(z / z0)``, ``k_r = 0.19 (z0 / 0.05)^0.07``, ``I_v = 1 / ln(z / z0)``, z no less than zmin. NaN where
    the terrain is not one of :data:`TERRAIN`.
    """
    rough, least = np.array([TERRAIN.get(str(name), _UNKNOWN) for name in terrain]).reshape(-1, 2).T
    ratio = np.log(np.maximum(np.asarray(height_m, dtype=np.float64), least) / rough)
    factor: api.Floats = (1.0 + 7.0 / ratio) * (0.19 * (rough / 0.05) ** 0.07 * ratio) ** 2
    return factor


def wind_force_n(pressure_pa: npt.ArrayLike, coefficient: npt.ArrayLike, area_m2: npt.ArrayLike) -> api.Floats:
    """Return the force ``q c A`` in N."""
    force: api.Floats = np.asarray(pressure_pa, float) * np.asarray(coefficient, float) * np.asarray(area_m2, float)
    return force


def ballast_kg(force_n: npt.ArrayLike) -> api.Floats:
    """Return the mass in kg whose weight is this force."""
    mass: api.Floats = np.asarray(force_n, dtype=np.float64) / GRAVITY_M_S2
    return mass
