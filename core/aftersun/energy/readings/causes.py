"""What may have made output fall at once: by Bayes from its size, suspected and never known."""

from __future__ import annotations

import numpy as np

import aftersun_datasets
from aftersun.model.ranges import Floats

OPEN_STRING = "open_string"
_LEAST = 0.01  # a chance below it is not worth a word


def ranked_causes(change: float, error: float, open_string: float) -> tuple[tuple[str, ...], tuple[float, ...]]:
    """Return codes of causes of a fall of output and the chance of each, the likeliest first; empty where it rose.

    ``change`` is a share of the output before, below 0 for a fall, ``error`` its standard error, ``open_string`` the
    chance of an open string by the meter. The others share what that leaves by how often they are and by the sizes they
    have, ``step_causes.csv``; what they leave is unknown.
    """
    from scipy.special import ndtr  # slow to import, and needed of few sites

    if not change < 0.0:
        return (), ()
    rows = aftersun_datasets.rows("step_causes.csv")
    share, least, most = (np.array([float(row[name]) for row in rows]) for name in ("share", "least", "most"))
    spread = max(error, 1e-3)
    density: Floats = (ndtr((most + change) / spread) - ndtr((least + change) / spread)) / (most - least)
    weight = share * density
    unknown = 1.0 - share.sum()
    left = weight * (1.0 - open_string) / (weight.sum() + unknown)
    chances = {OPEN_STRING: open_string} | {row["cause"]: float(each) for row, each in zip(rows, left, strict=True)}
    ranked = sorted((cause for cause in chances if chances[cause] >= _LEAST), key=lambda cause: -chances[cause])
    return tuple(ranked), tuple(round(chances[cause], 3) for cause in ranked)
