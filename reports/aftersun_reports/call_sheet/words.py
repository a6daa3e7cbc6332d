"""Words that several sheets use."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from aftersun import api


def titled(titles: Mapping[str, str]) -> Callable[[str], str]:
    """Return what makes the title of a retrofit; what is none stays as it is."""
    return lambda name: titles.get(name, name)


def why_not_called(code: str | None, detail: str | None) -> str:
    """Return why a site is not on the list of calls, "" where it is."""
    return api.not_called_text(code or "", detail)


def sites(count: float) -> str:
    """Return a number of sites in words."""
    return f"{api.ENGLISH.number(count)} {'site' if count == 1 else 'sites'}"


def amount(value: Any) -> str:
    """Return an amount in whole units, in words where there is none."""
    return api.ENGLISH.number(value) if value == value else "not drawn"
