"""The limits and tolerances that weather is judged by, each with its source in ``weather_limits.csv``."""

from __future__ import annotations

from aftersun.model import tables


def limit(name: str) -> float:
    """Return the limit ``name`` in the unit that its row states; KeyError if there is none."""
    return tables.mode("weather_limits.csv", name)
