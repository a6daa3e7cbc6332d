"""Irradiance on the planes of the arrays and the temperature of their cells.

The conventions are those of pvlib's ModelChain with the models perez (all sites composite 1990) [1]_,
physical incidence angle [2]_, no spectral loss, and Sandia cell temperature [3]_; rows shade one another [4]_
[5]_, an adjustable frame changes its position by the calendar [6]_, one that turns follows the sun about its axis
[8]_, and a skyline that is known hides the sun and its part of the sky. Only the lit hours of the year are computed.

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
.. [6] C. R. Landau, "Optimum Tilt of Solar Panels": the days on which two or four positions are best changed.
.. [7] ICAO Doc 7488, "Manual of the ICAO Standard Atmosphere".
.. [8] K. Anderson, M. Mikofski, "Slope-aware backtracking for single-axis trackers", NREL/TP-5K00-76626, 2020.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from pvlib import iam, irradiance, shading, temperature, tracking

from aftersun.energy.assumptions import Float32s, between_nodes
from aftersun.energy.skyline import heights, sky_share
from aftersun.model.cohort import Cohort, Horizon
from aftersun.model.plant import Plant, Texts
from aftersun.model.ranges import Floats
from aftersun.model.tables import mode
from aftersun.model.weather import WeatherYear

PLANES_KEPT = 4000  # about 55 kB each; fewer than a chunk has, and each is computed again and again
_AT_A_TIME = 16  # planes or sites; keeps the working arrays in the processor's cache

CELL_TEMPERATURE_SETS = {
    "flush roof": "close_mount_glass_glass",
    "in roof": "insulated_back_glass_polymer",
    "flat roof frame": "open_rack_glass_polymer",
    "ground frame": "open_rack_glass_polymer",
}

Light = npt.NDArray[Any]  # of either precision
_GLASS_STEPS = 2048
_ALMOST_1 = 0.99999
_COLUMNS = ("zenith", "azimuth", "ghi", "dni", "dhi", "dni_extra", "airmass", "albedo", "temp_air", "wind_speed")
BETWEEN, SUMMER, WINTER = 0, 1, 2

# Days of the year (1 = 1 January) on which a position begins in the north [6]_; half a year later in the south.
_CALENDARS = {
    2: ((89, SUMMER), (253, WINTER)),  # 30 March, 10 September
    4: ((64, BETWEEN), (108, SUMMER), (234, BETWEEN), (278, WINTER)),  # 5 March, 18 April, 22 August, 5 October
}
_HALF_A_YEAR = 183
_DAYS = 365

_Turn = tuple[float, float, float, float]  # limit, axis tilt and azimuth in degrees, whether it turns back
_Key = tuple[float, float, str, float, _Turn | None, Horizon | None]
_SKY_STEP_DEG = 10.0  # of a turn, between positions at which the sky above a skyline is reckoned


class PlaneHours(NamedTuple):
    """What falls on A arrays in the L lit hours of the year, each of shape (A, L)."""

    poa: Float32s  # in-plane irradiance that heats the cells, W/m2
    effective: Float32s  # of it what passes the glass, before soiling, W/m2
    cell_temp: Float32s  # degrees C


def lit_hours(weather: WeatherYear) -> npt.NDArray[np.intp]:
    """Return the positions (L,) of the hours with any light; in all others nothing is generated."""
    return weather.once("lit hours", lambda: np.flatnonzero((weather.ghi > 0) | (weather.dni > 0) | (weather.dhi > 0)))


def plant_hours(cohort: Cohort, plant: Plant) -> PlaneHours:
    """Return irradiance and cell temperature of every array of a plant, (A, L) each."""
    (hours,) = plant_hours_in_parts(cohort, plant, [slice(None)])
    return hours


def plant_hours_in_parts(cohort: Cohort, plant: Plant, parts: Iterable[slice]) -> Iterator[PlaneHours]:
    """Yield irradiance and cell temperature of some arrays of a plant at a time."""
    rows, warmer = _plant_rows(cohort, plant), _warmer(cohort)
    for part in parts:
        hours = _stacked(cohort.weather, rows[part])
        hours.cell_temp[:] += warmer[part, None]
        yield hours


def _warmer(cohort: Cohort) -> Float32s:
    """Return how much warmer the air is at each array (A,) than at the weather's height, K [7]_; 0 if not known."""
    height = cohort.sites["elevation_m"].to_numpy(np.float64, na_value=np.nan)
    above_m = np.nan_to_num(height - cohort.weather.station.elevation_m)
    per_m = mode("weather_uncertainty.csv", "temperature_per_km") / 1000
    site = cohort.arrays["site"].to_numpy(dtype=np.intp)
    warmer: Float32s = (-per_m * above_m[site]).astype(np.float32)
    return warmer


def _plant_rows(cohort: Cohort, plant: Plant) -> list[Float32s]:
    """Return (3, L) for each array; an adjusted frame has each hour of the plane that stands then."""
    weather, horizons = cohort.weather, cohort.array_horizons()
    rest = (plant.azimuth_deg, plant.mounting, plant.ground_cover_ratio)
    rows = _rows(weather, (plant.tilt_deg, *rest), horizons, _turns(plant))
    adjusted = np.flatnonzero((plant.tilt_positions > 1) & (plant.turn_limit_deg <= 0))
    if not len(adjusted):
        return rows
    seen = [horizons[row] for row in adjusted]
    lit = lit_hours(weather)
    calendars = {count: positions_by_hour(weather, count)[lit] for count in (2, 4)}
    for season, tilt in ((SUMMER, plant.summer_tilt_deg), (WINTER, plant.winter_tilt_deg)):
        planes = _rows(weather, tuple(column[adjusted] for column in (tilt, *rest)), seen)
        for row, plane in zip(adjusted, planes, strict=True):
            stands = calendars[int(plant.tilt_positions[row])] == season
            rows[row] = np.where(stands, plane, rows[row])
    return rows


def _turns(plant: Plant) -> list[_Turn | None]:
    columns = (plant.turn_limit_deg, plant.axis_tilt_deg, plant.axis_azimuth_deg, plant.backtracks)
    turns = zip(*(column.tolist() for column in columns), strict=True)
    return [turn if turn[0] > 0 else None for turn in turns]


def positions_by_hour(weather: WeatherYear, positions: int) -> npt.NDArray[np.int8]:
    """Return BETWEEN, SUMMER or WINTER for each hour of the weather year, shape (H,), for 2 or 4 positions a year.

    The calendar is that of the hemisphere of the weather's place.
    """
    first_day, position = zip(*_CALENDARS[positions], strict=True)
    day = weather.times.day_of_year.to_numpy()
    if weather.station.latitude < 0:
        day = (day - 1 + _HALF_A_YEAR) % _DAYS + 1
    begun = np.searchsorted(first_day, day, side="right") - 1  # -1 = before the first day: the last one still stands
    return np.asarray(position, dtype=np.int8)[begun]


def plane_hours(
    weather: WeatherYear,
    tilt_deg: Floats,
    azimuth_deg: Floats,
    mounting: Texts,
    ground_cover_ratio: Floats,
    horizons: Sequence[Horizon | None] | None = None,
) -> PlaneHours:
    """Return irradiance and cell temperature of A arrays; each distinct plane is computed once a year.

    All columns have shape (A,). ``ground_cover_ratio`` is slant height over row pitch, 0 = a single row;
    ``horizons`` has the skyline of each array, None = the whole sky is free.
    """
    seen = [None] * len(tilt_deg) if horizons is None else horizons
    columns = (tilt_deg, azimuth_deg, mounting, ground_cover_ratio)
    return _stacked(weather, _rows(weather, columns, seen))


def _rows(
    weather: WeatherYear,
    columns: Sequence[Floats | Texts],
    horizons: Sequence[Horizon | None],
    turns: Sequence[_Turn | None] | None = None,
) -> list[Float32s]:
    """Return (3, L) for each array."""
    still = [None] * len(horizons) if turns is None else turns
    keys: list[_Key] = list(zip(*(column.tolist() for column in columns), still, horizons, strict=True))
    return weather.memo.recall("planes", keys, lambda missing: _compute(weather, missing), PLANES_KEPT)


def _stacked(weather: WeatherYear, rows: Sequence[Float32s]) -> PlaneHours:
    if not rows:
        return PlaneHours(*np.empty((3, 0, len(lit_hours(weather))), dtype=np.float32))
    return PlaneHours(*(np.stack([row[part] for row in rows]) for part in range(3)))


def in_parts(size: int) -> list[slice]:
    """Return slices that together cover ``size`` rows: what is done a few rows at a time stays in the cache."""
    return [slice(start, min(start + _AT_A_TIME, size)) for start in range(0, size, _AT_A_TIME)]


def few_sites(cohort: Cohort) -> tuple[list[slice], list[slice]]:
    """Return slices that together cover all sites, a few each, and with them the slices of their arrays."""
    site = cohort.arrays["site"].to_numpy(dtype=np.intp)
    sites = in_parts(len(cohort))
    return sites, [slice(*np.searchsorted(site, (part.start, part.stop)).tolist()) for part in sites]


def _compute(weather: WeatherYear, planes: list[_Key]) -> Iterator[Float32s]:
    """Yield (3, L) for each plane: in-plane irradiance, effective irradiance, cell temperature."""
    for part in in_parts(len(planes)):
        tilt, azimuth, mounting, ratio, turns, horizons = zip(*planes[part], strict=True)
        angles = np.array([tilt, azimuth, tilt], dtype=np.float32)[:, :, None]
        if any(turns):
            angles = np.broadcast_to(angles, (*angles.shape[:2], len(lit_hours(weather)))).copy()
            for row, turn in enumerate(turns):
                if turn is not None:
                    angles[:, row] = _following(weather, turn, ratio[row])
        block = _block(weather, angles, mounting, np.array(ratio, dtype=np.float32), turns, horizons)
        yield from np.stack(block, axis=1).astype(np.float32, copy=False)


def _following(weather: WeatherYear, turn: _Turn, ratio: float) -> tuple[Floats, Floats, Floats]:
    """Return tilt, azimuth and turn of a plane that follows the sun about an axis [8]_, degrees in each lit hour (L,).

    While the sun is down it stands as without a turn.
    """
    limit, axis_tilt, axis_azimuth, backtracks = turn
    lit = lit_hours(weather)
    position = tracking.singleaxis(
        weather.zenith[lit], weather.azimuth[lit], axis_tilt, axis_azimuth, limit, bool(backtracks and ratio > 0), ratio
    )
    angle = np.nan_to_num(position["tracker_theta"])
    plane = tracking.calc_surface_orientation(angle, axis_tilt, axis_azimuth)
    return np.asarray(plane["surface_tilt"]), np.asarray(plane["surface_azimuth"]), np.abs(angle)


def _block(
    weather: WeatherYear,
    angles: Float32s,
    mounting: Sequence[str],
    ratio: Float32s,
    turns: Sequence[_Turn | None],
    horizons: Sequence[Horizon | None],
) -> tuple[Light, Light, Light]:
    """Compute P planes; ``angles`` are tilt, azimuth, and slope over the ground the rows stand on.

    In degrees, (3, P, 1), or (3, P, L) where any plane turns: its rows are taken to stand on a slope as its axis.
    """
    # Single precision is twice as fast, and right to less than 0.001 W/m2.
    zenith, sun_azimuth, ghi, dni, dhi, extra, airmass, albedo, air, wind = (
        getattr(weather, name)[lit_hours(weather)].astype(np.float32) for name in _COLUMNS
    )
    tilt, azimuth, slope = angles
    facing = irradiance.aoi_projection(tilt, azimuth, zenith, sun_azimuth)  # cosine of the angle of incidence
    sky = np.nan_to_num(  # no value where neither sky nor sun shines
        irradiance.perez(tilt, azimuth, dhi, dni, extra, zenith, sun_azimuth, airmass)
    )
    ground = irradiance.get_ground_diffuse(tilt, ghi, albedo)
    beam = np.maximum(dni * facing, 0)
    rows = np.flatnonzero(ratio > 0)
    if len(rows):
        above = np.cos(np.radians(zenith))
        if any(turns):
            of_rows = [turns[row] for row in rows.tolist()]
            above = np.stack([above if turn is None else _above_axis(turn, zenith, sun_azimuth) for turn in of_rows])
        beam[rows] *= 1 - shaded_height(above, facing[rows], ratio[rows, None])
        sky[rows] *= 1 - shading.sky_diffuse_passias(shading.masking_angle_passias(slope[rows], ratio[rows, None]))
    for row, horizon in enumerate(horizons):
        if horizon is not None:
            beam[row] *= heights(horizon, sun_azimuth) < 90 - zenith
            sky[row] *= _sky_seen(horizon, tilt[row], azimuth[row])
    diffuse = sky + ground
    poa = beam + diffuse
    effective = beam * passed_by_glass(facing) + diffuse
    return poa, effective, cell_temperature(poa, air, wind, mounting)


def _above_axis(turn: _Turn, zenith: Float32s, sun_azimuth: Float32s) -> Float32s:
    """Return the cosine of the sun's angle to the normal of the ground that rows about an axis stand on, (L,)."""
    above: Float32s = irradiance.aoi_projection(turn[1], turn[2], zenith, sun_azimuth)
    return above


def _sky_seen(horizon: Horizon, tilt: Float32s, azimuth: Float32s) -> Float32s:
    """Return the share of the sky's light above a skyline on a plane that stands, (1,), or turns, (L,)."""
    near: Light = np.stack([tilt, azimuth])
    near = near if len(tilt) == 1 else np.round(near / _SKY_STEP_DEG) * _SKY_STEP_DEG
    distinct, which = np.unique(near, axis=1, return_inverse=True)
    shares = [sky_share(horizon, float(one_tilt), float(direction)) for one_tilt, direction in distinct.T]
    return np.array(shares)[which.ravel()]


def passed_by_glass(cos_incidence: Light) -> Float32s:
    """Return the share of the beam that passes the glass, over that at right angles [2]_; 0 from behind."""
    position = np.clip(cos_incidence, 0, _ALMOST_1).astype(np.float32) * np.float32(_GLASS_STEPS)
    return between_nodes(_glass_table(), position)


@cache
def _glass_table() -> Float32s:
    """Return the modifier at evenly spaced cosines from 0 to 1; between them it is straight to less than 0.00001."""
    cosines = np.linspace(0, 1, _GLASS_STEPS + 1)
    return np.asarray(iam.physical(np.degrees(np.arccos(cosines))), dtype=np.float32)


def shaded_height(cos_zenith: Light, cos_incidence: Light, ratio: Light) -> Light:
    """Return the share of a row's height that the row in front shades, on level ground [5]_; all shapes broadcast.

    Of the sun's direction it takes the cosines to the vertical and to the modules' normal: seen along the rows, the
    ray over the edge in front meets the slope at ``cos_zenith / (ratio * cos_incidence)`` of its height from the top.
    Without beam on the modules it has no meaning.
    """
    lit: Light = cos_zenith / (ratio * np.maximum(cos_incidence, 1e-6))
    return 1 - np.clip(lit, 0, 1)


def cell_temperature(poa: Light, temp_air: Light, wind_speed: Light, mounting: Sequence[str]) -> Light:
    """Return cell temperature (P, L) in degrees C of P planes by the Sandia model [3]_.

    ``poa`` in W/m2 (P, L), ``temp_air`` in degrees C and ``wind_speed`` in m/s (L,), ``mounting`` (P,).
    """
    sets = temperature.TEMPERATURE_MODEL_PARAMETERS["sapm"]
    chosen = [sets[CELL_TEMPERATURE_SETS[name]] for name in mounting]
    a, b, delta = (np.array([one[part] for one in chosen], dtype=poa.dtype)[:, None] for part in ("a", "b", "deltaT"))
    cells: Light = temperature.sapm_cell(poa, temp_air, wind_speed, a, b, delta)
    return cells
