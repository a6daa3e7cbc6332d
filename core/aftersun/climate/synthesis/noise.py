"""What the parts of a synthetic year share: parameters, months and days, persistent noise, sums that must come out."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from aftersun.model import tables
from aftersun.model.weather import DAYS_IN_MONTH, FIRST_DAY, Hours

DAYS = int(DAYS_IN_MONTH.sum())
MONTH_OF_DAY = np.repeat(np.arange(12), DAYS_IN_MONTH)
MONTH_OF_HOUR = np.repeat(MONTH_OF_DAY, 24)

_MIDDLES = FIRST_DAY + DAYS_IN_MONTH / 2


def parameter(name: str) -> float:
    """Return the parameter ``name`` of ``synthesis.csv`` in the unit that its row states; KeyError if there is none."""
    return tables.mode("synthesis.csv", name)


def persistent_noise(rng: np.random.Generator, shape: tuple[int, ...], persistence: float) -> Hours:
    """Return standard normal noise whose neighbours on the last axis correlate by ``persistence``.

    A stationary first-order autoregression: also the first value has variance 1.
    """
    from scipy.signal import lfilter  # slow to import, and needed for a made year alone

    noise = rng.standard_normal(shape)
    noise[..., 1:] *= np.sqrt(1 - persistence**2)
    chain: Hours = lfilter([1.0], [1.0, -persistence], noise, axis=-1)
    return chain


def sums_by_month(days: Hours) -> Hours:
    """Add up (365,) days by month, (12,)."""
    return np.add.reduceat(days, FIRST_DAY)


def between_months(monthly: Hours, at_days: Hours) -> Hours:
    """Interpolate (12,) values linearly between the middles of months, round the year.

    ``at_days`` are times in days from the beginning of the year.
    """
    return np.interp(at_days, _MIDDLES, monthly, period=DAYS)


def scaled_to_total(values: Hours, weights: Hours, limits: Hours, total: Hours) -> Hours:
    """Scale values on the last axis by one factor so that their weighted sum is ``total``, none above its limit.

    Parameters
    ----------
    values, weights, limits : array (..., N)
        ``values`` above 0, the rest not negative.
    total : array (...)

    Returns
    -------
    array (..., N)
        ``min(factor * values, limits)``; the limits where even they do not reach ``total``.
    """
    at_limit: npt.NDArray[np.bool_] = np.zeros(values.shape, dtype=bool)
    scaled = values
    for _ in range(values.shape[-1]):
        room = total - np.where(at_limit, weights * limits, 0.0).sum(axis=-1)
        free = np.where(at_limit, 0.0, weights * values).sum(axis=-1)
        factor = np.divide(np.maximum(room, 0.0), free, out=np.zeros_like(free), where=free > 0)
        scaled = np.where(at_limit, limits, values * factor[..., None])
        over = scaled > limits
        if not over.any():
            break
        at_limit |= over
    return np.minimum(scaled, limits)
