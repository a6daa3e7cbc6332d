"""The parameters of synthetic years, each with its source in ``synthesis.csv``."""

from __future__ import annotations

from functools import cache

import aftersun_datasets
from aftersun.model.ranges import Range


@cache
def _parameters() -> dict[str, Range]:
    return {row["name"]: Range.from_row(row) for row in aftersun_datasets.rows("synthesis.csv")}


def parameter(name: str) -> float:
    """Return the parameter ``name`` in the unit that its row states.

    Raises
    ------
    KeyError
        If there is no such parameter.
    """
    return _parameters()[name].mode
