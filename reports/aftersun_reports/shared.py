"""What outputs of a whole run have in common: titles of offers, and that they take no settings."""

from __future__ import annotations

from collections.abc import Mapping

from aftersun import api


def title_of(run: api.RunView, titles: Mapping[str, str], offer: str) -> str:
    """Return the title of an offer, of several retrofits one after another."""
    return " and ".join(titles.get(name, name) for name in run.members(offer))


def refuse_settings(output: str, settings: Mapping[str, str]) -> None:
    """Raise AftersunError if a setting is given: the output has none."""
    if settings:
        raise api.AftersunError(
            f"The {output} has no setting {', '.join(sorted(settings))}.", "Leave --set out for this output."
        )
