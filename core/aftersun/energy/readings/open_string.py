"""What a meter says of an open string: with one of n strings open a system makes 1/n less than with all of them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from aftersun.model.ranges import Floats


def chance_by_meter(
    prior: npt.ArrayLike, strings: npt.ArrayLike, ratio: npt.ArrayLike, sd: npt.ArrayLike, other_cause: float
) -> Floats:
    """Return the chance of an open string after the meter was read, by Bayes; all but ``other_cause`` (S,) or scalar.

    Parameters
    ----------
    prior
        Chance before, 0..1.
    strings
        Strings of the site, more than 1.
    ratio
        Metered output over that computed with all strings.
    sd
        Standard deviation of the ratio for a sound system: of model, weather and meter together.
    other_cause
        Share of systems whose output is off by anything between nothing and the whole, for a reason of their own:
        what lies far from both tells of neither.
    """

    chance, count, seen, spread = (np.asarray(each, dtype=np.float64) for each in (prior, strings, ratio, sd))

    def density(mean: Floats | float) -> Floats:
        normal = np.exp(-0.5 * ((seen - mean) / spread) ** 2) / (np.sqrt(2.0 * np.pi) * spread)
        return np.asarray((1.0 - other_cause) * normal + other_cause)

    is_open = chance * density(1.0 - 1.0 / count)
    return np.asarray(is_open / (is_open + (1.0 - chance) * density(1.0)))
