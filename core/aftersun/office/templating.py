"""Fills the templates in; everything that is put into one is escaped."""

from __future__ import annotations

from functools import cache
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined

from aftersun.model.shown import amount, cell, counted, in_words, money
from aftersun.wording import say


@cache
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("aftersun.office"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {
        "amount": amount,
        "cell": cell,
        "counted": counted,
        "money": money,
        "part": lambda text: quote(str(text), safe=""),
        "words": in_words,
    }
    made.globals["say"] = say
    return made


def filled(template: str, **values: Any) -> str:
    """Return a template with its values filled in."""
    return _environment().get_template(template).render(values)
