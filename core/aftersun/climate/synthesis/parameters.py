"""The parameters of synthetic years, each with its source in ``synthesis.csv``."""

from __future__ import annotations

from aftersun.model import tables


def parameter(name: str) -> float:
    """Return the parameter ``name`` in the unit that its row states; KeyError if there is none."""
    return tables.mode("synthesis.csv", name)
