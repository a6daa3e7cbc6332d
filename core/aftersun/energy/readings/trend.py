"""Change of output a year, from what the same calendar months of different years show.

The estimate is least squares with a level of its own for each calendar month [1]_: the mean over all pairs of the same
month, each slope weighted by the square of the years between them, months that weather makes uncertain and wild ones
weighing less. No season's error of a model is in it. Its interval comes from drawing whole years [2]_: what is left
of a year without its mean is moved as one block, so that neighbouring months stay together; the means, of which a few
years tell little, are drawn with the spread that the weather of years is known to have, as far as the readings' own
years do not tell it.

References
----------
.. [1] R. M. Hirsch, J. R. Slack, R. A. Smith, "Techniques of trend analysis for monthly water quality data", Water
   Resources Research 18 (1), 107-121, 1982: pairs of the same month only.
.. [2] H. R. Künsch, "The jackknife and the bootstrap for general stationary observations", Annals of Statistics
   17 (3), 1217-1241, 1989.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from aftersun.energy.readings.checks import limits
from aftersun.model.ranges import Floats

_BEND = 1.345  # standard deviations from which a month weighs less
_ROUNDS = 10
_DRAWS = 4000


@dataclass(frozen=True)
class Trend:
    """Change of output as a share of it a year, and its 95 % interval."""

    per_year: float
    low: float
    high: float

    @property
    def told(self) -> bool:
        """Whether the interval excludes zero."""
        return self.low > 0.0 or self.high < 0.0


def yearly_trend(
    year: Floats,
    month: npt.NDArray[np.intp],
    stretch: npt.NDArray[np.intp],
    ratio: Floats,
    sd: Floats,
    calm: float = 1.0,
) -> Trend | None:
    """Return the trend of N months, None where no two of a month lie in one stretch, a whole year or more apart.

    Parameters
    ----------
    year : ndarray
        Middle of each month as a year, (N,).
    month, stretch : ndarray
        Calendar month, and between which steps of output it lies: months are compared within a stretch, (N,).
    ratio : ndarray
        Measured over computed output, as a share of its level in the stretch, (N,).
    sd : ndarray
        Standard deviation of each by the weather of its month, (N,).
    calm : float
        What is left of the spread of years where the weather of their months is known, 0..1.
    """
    _, group = np.unique(np.stack([month, stretch]), axis=1, return_inverse=True)
    block = np.floor(year - year.max() + 23.0 / 24.0).astype(np.intp)  # twelve months each, the last one in the last
    _, block = np.unique(block, return_inverse=True)
    weight = sd**-2.0
    slope, left = 0.0, ratio
    for _ in range(_ROUNDS):
        apart = year - _means(group, year, weight)
        bread = float((weight * apart**2).sum())
        if bread < 1e-9 * float(weight.sum()):
            return None
        slope = float((weight * apart * ratio).sum()) / bread
        left = ratio - slope * year
        left = left - _means(group, left, weight)
        scale = max(float(np.sqrt(np.median((left / sd) ** 2) / 0.455)), 1e-6)  # 0.455: median of z^2
        weight = sd**-2.0 / np.maximum(np.abs(left) / (sd * scale * _BEND), 1.0)
    influence = weight * apart / bread
    return _interval(slope, influence, left, weight, block, month, calm)


def _means(group: npt.NDArray[np.intp], values: Floats, weight: Floats) -> Floats:
    means: Floats = (np.bincount(group, weight * values) / np.bincount(group, weight))[group]
    return means


def _interval(
    slope: float,
    influence: Floats,
    left: Floats,
    weight: Floats,
    block: npt.NDArray[np.intp],
    month: npt.NDArray[np.intp],
    calm: float,
) -> Trend:
    known, years = limits(), int(block.max()) + 1
    means = np.bincount(block, weight * left) / np.bincount(block, weight)
    table = np.zeros((years, 12))
    np.add.at(table, (block, month - 1), left - means[block])
    table *= np.sqrt(years / (years - 1.0))
    pull = np.zeros((years, 12))
    np.add.at(pull, (block, month - 1), influence)
    freedom = known["year_sd_freedom"] + years - 2
    usual = known["year_sd_freedom"] * (calm * known["trend_year_sd"]) ** 2
    spread = np.sqrt((usual + float((means**2).sum())) / freedom)
    moved = pull @ table.T  # what block j in the place of year i adds to the slope
    draw = np.random.default_rng(years)
    chosen = draw.integers(years, size=(_DRAWS, years))
    scale = spread * np.sqrt(freedom / draw.chisquare(freedom, size=(_DRAWS, 1)))  # one spread for all years of a draw
    shifts = scale * draw.standard_normal((_DRAWS, years))
    drawn = moved[np.arange(years), chosen].sum(axis=1) + shifts @ pull.sum(axis=1)
    reach = float(np.quantile(np.abs(drawn), 0.95))
    return Trend(slope, slope - reach, slope + reach)
