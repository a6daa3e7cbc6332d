"""Puts the company's overrides in force over what a retrofit assumes."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from copy import copy
from dataclasses import replace
from inspect import signature
from typing import Any

import numpy as np

from aftersun.model.change import Retrofit, Screening
from aftersun.model.cohort import Cohort
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
    return Assumed(values, chances, {item: prices[item] for item in retrofit.about.priced_items if item in prices})


def in_force(retrofit: Retrofit, values: Assumed) -> Retrofit:
    """Return the retrofit with the values in force as what it assumes.

    ``safety``, and ``screen`` of the interface 1, are not given them: they look in ``self.assumptions``.
    """
    changed = {
        name: replace(given, mode=value, low=min(given.low, value), high=max(given.high, value))
        for name, given in retrofit.assumptions.items()
        if (value := values[name]) != given.mode
    }
    return with_assumptions(retrofit, {**retrofit.assumptions, **changed}) if changed else retrofit


def with_assumptions(retrofit: Retrofit, ranges: Mapping[str, Range]) -> Retrofit:
    """Return a copy of the retrofit that assumes other ranges; itself where it can have none of its own."""
    other: Any = copy(retrofit)
    with suppress(AttributeError, TypeError):
        object.__setattr__(other, "assumptions", ranges)
    return other  # type: ignore[no-any-return]


def takes_values(retrofit: Retrofit) -> bool:
    """Tell whether ``screen`` takes the values in force beside the cohort."""
    return len(signature(retrofit.screen).parameters) > 1


def screened(retrofit: Retrofit, cohort: Cohort, values: Assumed) -> Screening:
    """Ask a retrofit where it fits with the values in force: ``screen`` takes them, or those of the interface 1 not."""
    if takes_values(retrofit):
        return retrofit.screen(cohort, values)
    return in_force(retrofit, values).screen(cohort)


def unusual(retrofit: Retrofit, overrides: Mapping[str, float]) -> list[tuple[str, float, Range]]:
    """Return the overrides that lie outside the range that the retrofit declares, with that range."""
    given = ((name, value, retrofit.assumptions[name]) for name, value in overrides.items())
    return [(name, value, usual) for name, value, usual in given if not usual.low <= value <= usual.high]


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
