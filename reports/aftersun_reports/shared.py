"""What outputs of a whole run have in common: titles of offers, numbers of sites, and that they take no settings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from aftersun import api


def titled(titles: Mapping[str, str], retrofits: Iterable[str], between: str = ", ") -> str:
    """Return the titles of retrofits one after another; what has none stays as it is."""
    return between.join(titles.get(name, name) for name in retrofits)


def sites(count: float) -> str:
    """Return a number of sites in words."""
    return f"{api.ENGLISH.number(count)} {'site' if count == 1 else 'sites'}"


def refuse_settings(output: str, settings: Mapping[str, str]) -> None:
    """Raise AftersunError if a setting is given: the output has none."""
    if settings:
        raise api.AftersunError(
            f"The {output} has no setting {', '.join(sorted(settings))}.", "Leave --set out for this output."
        )
