"""The limits and tolerances that weather is judged by, each with its source in ``weather_limits.csv``."""

from __future__ import annotations

from functools import cache

import aftersun_datasets
from aftersun.model.ranges import Range


@cache
def _limits() -> dict[str, Range]:
    return {row["name"]: Range.from_row(row) for row in aftersun_datasets.rows("weather_limits.csv")}


def limit(name: str) -> float:
    """Return the limit ``name`` in the unit that its row states.

    Raises
    ------
    KeyError
        If there is no such limit.
    """
    return _limits()[name].mode
