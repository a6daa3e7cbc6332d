"""What columns and steps are called on the page, with their units: the texts of labels.toml."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any, Final

AVERAGE: Final = " *"  # after the label of a loss that is an average; the page says what it means


def words(name: str) -> str:
    """Return the name of a column as words."""
    plain = name.replace("_", " ")
    return plain[:1].upper() + plain[1:]


def fact(name: str) -> tuple[str, str]:
    """Return label and unit of a fact; a column that is new here is called by its own name."""
    label, unit = _labels()["facts"].get(name, (words(name), ""))
    return label, unit


def value(given: Any) -> Any:
    """Return a value of a fact as it is written."""
    return _labels()["values"].get(given, given) if isinstance(given, str) else given


def step(name: str) -> str:
    """Return the label of a step of the losses."""
    return str(_labels()["steps"].get(name, words(name.removesuffix("_kwh"))))


def by_chance() -> Mapping[str, str]:
    """Return the steps that are averages over systems like it, unless this fact of the site is known."""
    return _labels()["by_chance"]


@cache
def _labels() -> Mapping[str, Mapping[str, Any]]:
    return tomllib.loads(files(__package__).joinpath("labels.toml").read_text(encoding="utf-8"))
