"""Irradiance of a synthetic year: clearness of days, of hours, and the split into direct and diffuse.

Clearness is irradiance over extraterrestrial irradiance, both on the horizontal. Its days have the distribution
of the normals and a persistence from one day to the next. Within the day it follows the model of Aguiar &
Collares-Pereira [1]_ below a clear sky after Ineichen [2]_, and each day's sum is kept. Diffuse irradiance is that of
Erbs et al. [3]_: of seven decompositions tried on measured hours of 15 reference years it met their diffuse fraction
best.

References
----------
.. [1] R. Aguiar, M. Collares-Pereira, "TAG: a time-dependent, autoregressive, Gaussian model for generating
   synthetic hourly radiation", Solar Energy 49, 167-174, 1992.
.. [2] P. Ineichen, "A broadband simplified version of the Solis clear sky model", Solar Energy 82, 758-762, 2008.
.. [3] D. Erbs, S. Klein, J. Duffie, "Estimation of the diffuse radiation fraction for hourly, daily and
   monthly-average global radiation", Solar Energy 28, 293-302, 1982.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pvlib
from scipy.special import ndtr, ndtri

from aftersun.climate.synthesis.noise import (
    DAYS,
    MONTH_OF_DAY,
    parameter,
    persistent_noise,
    scaled_to_total,
    sums_by_month,
)
from aftersun.model.weather import DAYS_IN_MONTH, FIRST_DAY, Hours

QUANTILES = np.linspace(0, 1, 11)
"""The shares of days to which the columns of ``Normals.clearness_shape`` belong."""

SPREAD_KNOWN = (0.2, 0.6)
"""Clearness of the days to which the parameters ``hour_spread_dull`` and ``hour_spread_fair`` belong."""


def clearest_sky(zenith: Hours, elevation_m: float) -> Hours:
    """Return clearness of the clearest sky [2]_ at a zenith in degrees, of any shape; meaningless at night."""
    height = np.clip(90 - zenith, 0.1, 90)
    sky: Hours = pvlib.clearsky.simplified_solis(
        height,
        aod700=parameter("clear_aerosol"),
        precipitable_water=parameter("clear_water"),
        pressure=pvlib.atmosphere.alt2pres(elevation_m),
        dni_extra=1.0,
    )["ghi"]
    return sky / np.sin(np.radians(height))


def highest_clearness(clearest: Hours, extra: Hours, ghi_wh_m2: Hours) -> Hours:
    """Return the limit of hourly clearness (365, 24): the clearest sky, raised in months that need more.

    ``clearest`` and ``extra``, the extraterrestrial irradiance on the horizontal in W/m2, are (365, 24);
    ``ghi_wh_m2`` is the irradiation of the months (12,).
    """
    possible = sums_by_month((clearest * extra).sum(axis=1)) * parameter("clear_room")
    needed = np.divide(ghi_wh_m2, possible, out=np.ones(12), where=possible > 0)
    raised = clearest * np.maximum(needed, 1.0)[MONTH_OF_DAY][:, None]
    return np.minimum(raised, parameter("clearest_hour"))


def daily_clearness(
    ghi_wh_m2: Hours,
    shape: Hours,
    extra_wh_m2: Hours,
    limits: Hours,
    wet: npt.NDArray[np.bool_],
    rng: np.random.Generator,
) -> tuple[Hours, Hours]:
    """Return clearness of the days (365,), and its rank within the month as a standard normal score (365,).

    Parameters
    ----------
    ghi_wh_m2 : array (12,)
        Irradiation of the months, which the result keeps as far as the limits let it.
    shape : array (12, 11)
        Quantiles of daily clearness over its mean.
    extra_wh_m2, limits : array (365,)
        Extraterrestrial irradiation of the days on the horizontal, and the highest clearness of each.
    wet : array (365,) of bool
        Wet days are cloudier.
    """
    sky = persistent_noise(rng, (DAYS,), parameter("day_persistence")) - parameter("wet_day_shift") * wet
    clearness, score = np.empty(DAYS), np.empty(DAYS)
    for month in range(12):
        days = slice(FIRST_DAY[month], FIRST_DAY[month] + DAYS_IN_MONTH[month])
        rank = (np.argsort(np.argsort(sky[days])) + 0.5) / DAYS_IN_MONTH[month]
        relative = np.maximum(np.interp(rank, QUANTILES, shape[month]), 1e-3)
        score[days] = ndtri(rank)
        clearness[days] = scaled_to_total(relative, extra_wh_m2[days], limits[days], ghi_wh_m2[month])
    return clearness, score


def course_of_clearness(clearness: Hours, sun_height: Hours) -> tuple[Hours, Hours]:
    """Return mean and standard deviation of hourly clearness [1]_ by that of the day and the sine of the sun's height.

    Shapes broadcast. The coefficients are from memory; hours measured in Germany confirm them within a few hundredths.
    """
    level = -0.19 + 1.12 * clearness + 0.24 * np.exp(-8 * clearness)
    rise = 0.32 - 1.6 * (clearness - 0.5) ** 2
    bend = 0.19 + 2.27 * clearness**2 - 2.51 * clearness**3
    mean: Hours = level + rise * np.exp(-bend / np.maximum(sun_height, 0.01))
    size = 0.14 * np.exp(-20 * (clearness - 0.35) ** 2)
    growth = 3 * (clearness - 0.45) ** 2 + 16 * clearness**5
    spread: Hours = size * np.exp(growth * (1 - sun_height))
    return mean, spread


def hourly_clearness(
    clearness: Hours, sun_height: Hours, extra: Hours, limits: Hours, rng: np.random.Generator
) -> Hours:
    """Return hourly clearness (365, 24) of days (365,), their irradiation kept.

    ``sun_height`` is the sine of the sun's height, ``extra`` the extraterrestrial irradiance on the horizontal in
    W/m2 and ``limits`` the highest clearness, all (365, 24). The Gaussian of the model is cut off at nought and at
    the limit without losing probability.
    """
    mean, spread = course_of_clearness(np.clip(clearness, 0.01, 0.85)[:, None], sun_height)
    wider = [parameter("hour_spread_dull"), parameter("hour_spread_fair")]
    spread *= np.interp(clearness, SPREAD_KNOWN, wider)[:, None]
    mean = np.clip(mean, 0.0, limits)
    chance = ndtr(persistent_noise(rng, (DAYS, 24), parameter("hour_persistence")))
    below, above = ndtr(-mean / spread), ndtr((limits - mean) / spread)
    drawn = mean + spread * ndtri(np.clip(below + chance * (above - below), 1e-9, 1 - 1e-9))
    return scaled_to_total(np.maximum(drawn, 1e-3), extra, limits, clearness * extra.sum(axis=1))


def split_irradiance(ghi: Hours, zenith: Hours, day_of_year: npt.NDArray[np.int_]) -> tuple[Hours, Hours]:
    """Return ``dni`` and ``dhi`` of ``ghi``, all (8760,) in W/m2, so that GHI = DHI + DNI cos(zenith) [3]_."""
    beam = pvlib.irradiance.erbs(ghi, zenith, day_of_year)["dni"]
    dni: Hours = np.clip(np.nan_to_num(beam), 0.0, parameter("dni_max"))
    dhi = np.maximum(ghi - dni * np.maximum(np.cos(np.radians(zenith)), 0.0), 0.0)
    return dni, dhi
