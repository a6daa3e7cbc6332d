"""How a system does now, from its readings by month: at which times its output changed at once, and its level since.

Measured over computed output of a period is the level then, times one plus what makes months differ though nothing
happened to the system: the weather of the period, as the computed year is a typical one; a season's error of the
model, the same each year and none over a whole year (tilt, shade, the climate of the cell); and slow drift, so that old
readings say less of today. All three are normal with variances from ``readings_limits.csv``, so levels are generalised
least squares [1]_ with Huber's weights [2]_, and a step is looked for between each two periods [3]_.

References
----------
.. [1] A. C. Aitken, "On least squares and linear combination of observations", Proc. Royal Society of Edinburgh 55,
   42-48, 1936.
.. [2] P. Huber, "Robust estimation of a location parameter", Annals of Mathematical Statistics 35 (1), 73-101, 1964.
.. [3] D. M. Hawkins, "Testing a sequence of observations for a shift in location", J. American Statistical Association
   72 (357), 180-186, 1977.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from aftersun.energy.readings.checks import limits
from aftersun.energy.readings.periods import Periods
from aftersun.model.ranges import Floats

_BEND = 1.345  # standard deviations from which a period weighs less: 95 % efficient for normal errors [2]_
_EFFICIENCY = 0.95
_BENT_VARIANCE = 0.7102  # mean of min(z, 1.345)^2 for standard normal z
_ROUNDS = 5
_LEAST_LEVEL = 0.05  # keeps the scale of a system that stands still above zero
_NOTHING = 1e-6  # the level of what shows nothing, so that steps have a size
_MOST_STEPS = 4
_NEIGHBOURS = 2  # periods on either side of whose median one alone may not differ by much when steps are looked for
_FAR = 2.5  # standard deviations from that median


@dataclass(frozen=True, eq=False)
class Levels:
    """Levels of K + 1 stretches of time between K steps.

    ``cuts`` (K,) are the periods with which a new stretch begins, ``stretch`` (N,) says which one a period is in,
    ``level`` (K + 1,) is measured over computed output there, ``error`` (K + 1,) its standard error on the day of the
    run, ``step_error`` (K,) that of the ratio of neighbouring levels as a share of it.
    """

    cuts: tuple[int, ...]
    stretch: npt.NDArray[np.intp]
    level: Floats
    error: Floats
    step_error: Floats

    @property
    def sizes(self) -> Floats:
        """Return by what share of the level before output changed at each step, (K,)."""
        sizes: Floats = self.level[1:] / self.level[:-1] - 1.0
        return sizes


def fit_levels(periods: Periods, ratio: Floats, cuts: Sequence[int] = ()) -> Levels:
    """Return the levels of stretches that begin at the first period and at each of ``cuts``.

    ``ratio`` (N,) is measured over computed energy of the periods, normal ageing until the run put right.
    """
    return _fit(ratio, _covariance(periods), tuple(cuts))


def find_steps(periods: Periods, ratio: Floats) -> tuple[int, ...]:
    """Return the periods with which output changed at once by more than weather, season and a steady slope explain."""
    known, size = limits(), len(ratio)
    covariance = _covariance(periods, known["step_slope_sd"])
    elapsed = np.concatenate([[0.0], np.cumsum(periods.hours) / 24.0])
    cuts: tuple[int, ...] = ()
    while len(cuts) < _MOST_STEPS:
        edges = np.array([0, *cuts, size])
        stretch = np.searchsorted(edges, np.arange(size), side="right") - 1
        room = np.minimum(elapsed[:-1] - elapsed[edges[stretch]], elapsed[edges[stretch + 1]] - elapsed[:-1])
        possible = room >= known["step_days"]
        if not possible.any():
            break
        level = _fit(ratio, covariance, cuts).level[stretch]
        deviations = np.where(possible, np.abs(_scan(_calm(ratio / level - 1.0, covariance), covariance, stretch)), 0.0)
        trial = tuple(sorted((*cuts, int(np.argmax(deviations)))))
        found = _fit(ratio, covariance, trial)
        logs = np.abs(np.log(found.level[1:] / found.level[:-1]))
        if (logs < known["step_errors"] * found.step_error).any() or (np.abs(found.sizes) < known["step_least"]).any():
            break
        cuts = trial
    return cuts


def step_rather_than_slope(periods: Periods, ratio: Floats) -> tuple[int, ...]:
    """Return the one step that explains a change better than a steady slope does, none where the slope does.

    To be asked where output is known to change and no step stands out. Better is by ``step_better`` in the logarithm of
    the likelihood, as a step may be anywhere.
    """
    known, size = limits(), len(ratio)
    covariance = _covariance(periods)
    elapsed = np.concatenate([[0.0], np.cumsum(periods.hours) / 24.0])
    possible = np.minimum(elapsed[:-1], elapsed[-1] - elapsed[:-1]) >= known["step_days"]
    deviation = _calm(ratio / _fit(ratio, covariance, ()).level[0] - 1.0, covariance)
    scores = np.where(possible, _scan(deviation, covariance, np.zeros(size, dtype=np.intp)), 0.0)
    inverse = np.linalg.inv(covariance)
    apart = periods.years_ago - (inverse @ periods.years_ago).sum() / inverse.sum()
    slope_score = apart @ inverse @ deviation / np.sqrt(apart @ inverse @ apart)
    best = int(np.argmax(np.abs(scores)))
    better = (scores[best] ** 2 - slope_score**2) / 2.0 >= known["step_better"]
    if not better or np.abs(_fit(ratio, covariance, (best,)).sizes[0]) < known["step_least"]:
        return ()
    return (best,)


def _covariance(periods: Periods, slope_sd: float = 0.0) -> Floats:
    """Return the covariance of the periods' deviations from their level, shares of it, (N, N).

    With ``slope_sd``, 1/a, also for a steady slope that is not known.
    """
    known = limits()
    year_kwh = periods.month_kwh.sum()
    shares = periods.month_kwh / year_kwh
    turn = 2.0 * np.pi * np.arange(12) / 12.0
    season = known["season_sd"] ** 2 * np.cos(turn[:, np.newaxis] - turn) + known["season_month_sd"] ** 2 * np.eye(12)
    centred = np.eye(12) - shares  # a season takes nothing from the whole year
    by_month = periods.season @ centred
    since = np.maximum(periods.years_ago, 0.0)
    drift = known["drift_sd"] ** 2 * np.minimum(since[:, np.newaxis], since)
    slope = slope_sd**2 * since[:, np.newaxis] * since
    weather = np.diag(periods.weather_sd**2) + np.outer(periods.shared_sd, periods.shared_sd)
    total: Floats = weather + by_month @ season @ by_month.T + drift + slope
    return total


def _fit(ratio: Floats, covariance: Floats, cuts: tuple[int, ...]) -> Levels:
    stretch = np.searchsorted(np.array(cuts, dtype=np.intp), np.arange(len(ratio)), side="right")
    columns = np.eye(len(cuts) + 1)[stretch]
    level = np.array([np.median(ratio[stretch == each]) for each in range(len(cuts) + 1)])
    inflated = np.zeros_like(ratio)
    for _ in range(_ROUNDS):
        level = np.maximum(level, _LEAST_LEVEL)
        deviation = ratio / level[stretch] - 1.0
        inverse = np.linalg.inv(covariance + np.diag(inflated))
        spread = np.linalg.inv(columns.T @ inverse @ columns)
        change = spread @ (columns.T @ inverse @ deviation)
        level = level * (1.0 + change)
        # how far each lies from where all others expect it, in standard deviations
        weight = inverse.diagonal()
        own = 1.0 / weight - inflated
        far = np.abs(inverse @ (deviation - columns @ change)) / (weight * np.sqrt(own))
        inflated = own * (np.maximum(far / _BEND, 1.0) - 1.0)
    free = len(ratio) - len(level)
    excess = max(float((np.minimum(far, _BEND) ** 2).sum()) / (_BENT_VARIANCE * free), 1.0) if free > 0 else 1.0
    scaled = spread * excess / _EFFICIENCY
    alone = scaled.diagonal()
    step_error = np.sqrt(np.maximum(alone[1:] + alone[:-1] - 2.0 * scaled.diagonal(1), 0.0))
    error = np.maximum(level, _LEAST_LEVEL) * np.sqrt(alone)
    return Levels(cuts, stretch, np.maximum(level, _NOTHING), error, step_error)


def _calm(deviation: Floats, covariance: Floats) -> Floats:
    """Return the deviations with single wild ones brought towards the median of their neighbours."""
    padded = np.pad(deviation, _NEIGHBOURS, mode="reflect" if len(deviation) > _NEIGHBOURS else "edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * _NEIGHBOURS + 1), axis=1)
    far = _FAR * np.sqrt(covariance.diagonal())
    calm: Floats = middle + np.clip(deviation - middle, -far, far)
    return calm


def _scan(deviation: Floats, covariance: Floats, stretch: npt.NDArray[np.intp]) -> Floats:
    """Return in standard errors the step before each period, the levels of the stretches being free, (N,)."""
    white = np.linalg.inv(np.linalg.cholesky(covariance))
    levels = np.linalg.qr(white @ np.eye(int(stretch[-1]) + 1)[stretch])[0]
    later = np.tril(np.ones_like(covariance)) * (stretch[:, np.newaxis] == stretch)  # column j: from j on
    steps = white @ later
    steps -= levels @ (levels.T @ steps)
    length = np.sqrt((steps**2).sum(axis=0))
    score: Floats = (steps.T @ (white @ deviation)) / np.maximum(length, 1e-9)
    return np.where(length > 1e-6, score, 0.0)
