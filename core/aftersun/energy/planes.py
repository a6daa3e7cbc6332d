"""Irradiance on the planes of the arrays and the temperature of their cells.

The conventions are those of pvlib's ModelChain with the models perez (all sites composite 1990) [1]_,
physical incidence angle [2]_, no spectral loss, and Sandia cell temperature [3]_; rows shade one another [4]_
[5]_. Only the lit hours of the year are computed.

References
----------
.. [1] R. Perez et al., "Modeling daylight availability and irradiance components from direct and global
   irradiance", Solar Energy 44 (5), 271-289, 1990.
.. [2] W. De Soto, S. Klein, W. Beckman, "Improvement and validation of a model for photovoltaic array
   performance", Solar Energy 80 (1), 78-88, 2006.
.. [3] D. King et al., "Sandia Photovoltaic Array Performance Model", SAND2004-3535, 2004.
.. [4] D. Passias, B. Kaellbaeck, "Shading effects in rows of solar cell panels", Solar Cells 11,
   281-291, 1984.
.. [5] K. Anderson, A. Jensen, "Shaded fraction and backtracking in single-axis trackers on rolling terrain",
   J. Renewable Sustainable Energy 16 (2), 023504, 2024.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from pvlib import iam, irradiance, shading, temperature

from aftersun.energy.assumptions import Float32s, recall
from aftersun.model.plant import Texts
from aftersun.model.ranges import Floats
from aftersun.model.weather import WeatherYear

PLANES_KEPT = 2000  # about 55 kB each
_AT_A_TIME = 16  # planes; keeps the working arrays in the processor's cache

CELL_TEMPERATURE_SETS = {
    "flush roof": "close_mount_glass_glass",
    "in roof": "insulated_back_glass_polymer",
    "flat roof frame": "open_rack_glass_polymer",
    "ground frame": "open_rack_glass_polymer",
}

_Key = tuple[float, float, str, float]


class PlaneHours(NamedTuple):
    """What falls on A arrays in the L lit hours of the year, each of shape (A, L)."""

    poa: Float32s  # in-plane irradiance that heats the cells, W/m2
    effective: Float32s  # of it what passes the glass, before soiling, W/m2
    cell_temp: Float32s  # degrees C


def lit_hours(weather: WeatherYear) -> npt.NDArray[np.intp]:
    """Return the positions (L,) of the hours with any light; in all others nothing is generated."""
    if "lit hours" not in weather.memo:
        weather.memo["lit hours"] = np.flatnonzero((weather.ghi > 0) | (weather.dni > 0) | (weather.dhi > 0))
    hours: npt.NDArray[np.intp] = weather.memo["lit hours"]
    return hours


def plane_hours(
    weather: WeatherYear, tilt_deg: Floats, azimuth_deg: Floats, mounting: Texts, ground_cover_ratio: Floats
) -> PlaneHours:
    """Return irradiance and cell temperature of A arrays; each distinct plane is computed once a year.

    All columns have shape (A,). ``ground_cover_ratio`` is slant height over row pitch, 0 = a single row.
    """
    columns = (tilt_deg, azimuth_deg, mounting, ground_cover_ratio)
    keys: list[_Key] = list(zip(*(column.tolist() for column in columns), strict=True))
    rows = recall(weather.memo, "planes", keys, lambda missing: _compute(weather, missing), PLANES_KEPT)
    if not rows:
        return PlaneHours(*np.empty((3, 0, len(lit_hours(weather))), dtype=np.float32))
    return PlaneHours(*(np.stack([row[part] for row in rows]) for part in range(3)))


def _compute(weather: WeatherYear, planes: list[_Key]) -> Iterator[Float32s]:
    """Yield (3, L) for each plane: in-plane irradiance, effective irradiance, cell temperature."""
    for start in range(0, len(planes), _AT_A_TIME):
        tilt, azimuth, mounting, ratio = zip(*planes[start : start + _AT_A_TIME], strict=True)
        block = _block(weather, np.array(tilt), np.array(azimuth), mounting, np.array(ratio))
        yield from np.stack(block, axis=1).astype(np.float32)


def _block(
    weather: WeatherYear, tilt_deg: Floats, azimuth_deg: Floats, mounting: Sequence[str], ratio: Floats
) -> tuple[Floats, Floats, Floats]:
    lit = lit_hours(weather)
    zenith, sun_azimuth, dni, dhi = (
        column[lit] for column in (weather.zenith, weather.azimuth, weather.dni, weather.dhi)
    )
    tilt, azimuth = tilt_deg[:, None], azimuth_deg[:, None]
    angle = irradiance.aoi(tilt, azimuth, zenith, sun_azimuth)
    sky = np.nan_to_num(  # no value where neither sky nor sun shines
        irradiance.perez(tilt, azimuth, dhi, dni, weather.dni_extra[lit], zenith, sun_azimuth, weather.airmass[lit])
    )
    ground = irradiance.get_ground_diffuse(tilt, weather.ghi[lit], weather.albedo[lit])
    beam = np.maximum(dni * np.cos(np.radians(angle)), 0)
    rows = np.flatnonzero(ratio > 0)
    if len(rows):
        beam[rows] *= 1 - shaded_height(zenith, sun_azimuth, tilt[rows], azimuth[rows], ratio[rows, None])
        sky[rows] *= 1 - shading.sky_diffuse_passias(shading.masking_angle_passias(tilt[rows], ratio[rows, None]))
    diffuse = sky + ground
    poa = beam + diffuse
    effective = beam * iam.physical(angle) + diffuse
    return poa, effective, cell_temperature(poa, weather.temp_air[lit], weather.wind_speed[lit], mounting)


def shaded_height(zenith: Floats, sun_azimuth: Floats, tilt_deg: Floats, azimuth_deg: Floats, ratio: Floats) -> Floats:
    """Return the share of a row's height that the row in front shades, on level ground [5]_.

    Angles in degrees; all shapes broadcast.
    """
    with np.errstate(divide="ignore", invalid="ignore"):  # sun in the plane of the modules: no beam on them
        shaded: Floats = shading.shaded_fraction1d(
            zenith, sun_azimuth, azimuth_deg - 90, tilt_deg, collector_width=ratio, pitch=1.0
        )
    return np.nan_to_num(shaded)


def cell_temperature(poa: Floats, temp_air: Floats, wind_speed: Floats, mounting: Sequence[str]) -> Floats:
    """Return cell temperature (P, L) in degrees C of P planes by the Sandia model [3]_.

    ``poa`` in W/m2 (P, L), ``temp_air`` in degrees C and ``wind_speed`` in m/s (L,), ``mounting`` (P,).
    """
    sets = temperature.TEMPERATURE_MODEL_PARAMETERS["sapm"]
    chosen = [sets[CELL_TEMPERATURE_SETS[name]] for name in mounting]
    a, b, delta = (np.array([one[part] for one in chosen])[:, None] for part in ("a", "b", "deltaT"))
    cells: Floats = temperature.sapm_cell(poa, temp_air, wind_speed, a, b, delta)
    return cells
