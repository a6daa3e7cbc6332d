"""Puts the company's overrides in force over what a retrofit assumes."""

from __future__ import annotations

from collections.abc import Mapping

from aftersun.model.errors import AftersunError
from aftersun.model.ranges import Assumed
from aftersun.model.retrofit import Retrofit


def assumed(retrofit: Retrofit, overrides: Mapping[str, float], priors: Mapping[str, float]) -> Assumed:
    """Return the mode of every assumption, or the company's own value where it gives one.

    Raises
    ------
    AftersunError
        If an override names something that the retrofit does not assume.
    """
    unknown = sorted(set(overrides) - set(retrofit.assumptions))
    if unknown:
        raise AftersunError(
            f"The company file sets {', '.join(unknown)} for '{retrofit.about.id}', which assumes no such thing.",
            f"It assumes: {', '.join(sorted(retrofit.assumptions))}.",
        )
    values = {name: overrides.get(name, given.mode) for name, given in retrofit.assumptions.items()}
    return Assumed(values, {fact: priors.get(fact, given.prior.mode) for fact, given in retrofit.facts.items()})
