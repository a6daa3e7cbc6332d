"""Puts the company's overrides in force over what a retrofit assumes."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from aftersun.model.change import Retrofit
from aftersun.model.errors import AftersunError
from aftersun.model.ranges import Assumed, Range


def assumed(
    retrofit: Retrofit,
    overrides: Mapping[str, float],
    priors: Mapping[str, float],
    prices: Mapping[str, float] = {},
) -> Assumed:
    """Return the mode of every assumption, or the company's own value where it gives one.

    ``prices`` are the company's by item; the retrofit sees those of the items that it has declared.

    Raises
    ------
    AftersunError
        If an override names something that the retrofit does not assume, or cannot be true of it.
    """
    unknown = sorted(set(overrides) - set(retrofit.assumptions))
    if unknown:
        raise AftersunError(
            f"The company file sets {', '.join(unknown)} for '{retrofit.about.id}', which assumes no such thing.",
            f"It assumes: {', '.join(sorted(retrofit.assumptions))}.",
        )
    for name, value in overrides.items():
        problem = _impossible(name, value, retrofit.assumptions[name])
        if problem:
            given = retrofit.assumptions[name]
            raise AftersunError(
                f"The company file sets {name} = {value:g} for '{retrofit.about.id}', which is {problem}.",
                f"Usual are {given.low:g} to {given.high:g} {given.unit}; correct it.",
            )
    values = {name: overrides.get(name, given.mode) for name, given in retrofit.assumptions.items()}
    chances = {fact: priors.get(fact, given.prior.mode) for fact, given in retrofit.facts.items()}
    return Assumed(values, chances, {item: prices[item] for item in retrofit.about.price_items if item in prices})


_SHARES = ("share", "chance", "share of output")
_TIMES_THE_HIGH = 100.0  # beyond that it is a slip in the unit


def _impossible(name: str, value: float, given: Range) -> str:
    """Say why a value cannot stand for an assumption; empty if it can."""
    if not np.isfinite(value):
        return "not a number"
    if name == "life_years" and value < 1:
        return "less than a year"
    if given.low >= 0 > value:
        return "below 0"
    if given.unit in _SHARES and abs(value) > 1:
        return "more than the whole"
    if abs(value) > _TIMES_THE_HIGH * max(abs(given.low), abs(given.high), 1e-12):
        return f"more than {_TIMES_THE_HIGH:g} times what is usual"
    return ""
