"""How arguments, options and groups of commands are declared, and what values of options mean."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from datetime import date, datetime
from functools import partial
from typing import Any

import typer
from typer.core import TyperGroup

import aftersun_datasets
from aftersun.model.errors import AftersunError

TEXTS = tomllib.loads(aftersun_datasets.path("help.toml", "aftersun.cli").read_text("utf-8"))


class WholeSentences(TyperGroup):
    """A group of commands whose help says what each does in a whole sentence."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write each command with the first paragraph of its help."""
        found = ((name, self.get_command(ctx, name)) for name in self.list_commands(ctx))
        rows = [(name, " ".join((command.help or "").split("\n\n")[0].split())) for name, command in found if command]
        with formatter.section("Commands"):
            formatter.write_dl(rows)


group = partial(typer.Typer, cls=WholeSentences, no_args_is_help=True, rich_markup_mode=None)


def argument(text: str, **settings: Any) -> Any:
    """Declare an argument; ``text`` names what ``help.toml`` says of it, as in ``letter.sites``."""
    return typer.Argument(help=_help(text), **{"show_default": False, **settings})


def option(text: str, *names: str, **settings: Any) -> Any:
    """Declare an option as an argument is; its default is not shown unless ``show_default``."""
    return typer.Option(*names, help=_help(text), **{"show_default": False, **settings})


def _help(text: str) -> str:
    section, _, name = text.partition(".")
    return str(TEXTS[section][name])


flag = partial(option, show_default=True)
day_option = partial(option, formats=["%Y-%m-%d"])


def day(given: datetime | None) -> date:
    """Return the day asked for, or today."""
    return date.today() if given is None else given.date()


def day_or_none(given: datetime | None) -> date | None:
    """Return the day asked for, if any."""
    return None if given is None else given.date()


def pairs(given: Sequence[str] | None, what: str, form: str, example: str) -> dict[str, str]:
    """Split texts written as name=value, the names in lower case.

    What cannot be split is named by its place, as it may be a customer's data.

    Raises
    ------
    AftersunError
        If one cannot be split, or a name is given twice.
    """
    values: dict[str, str] = {}
    for number, text in enumerate(given or (), start=1):
        name, sign, value = text.partition("=")
        name = name.strip().casefold()
        if not sign or not name:
            raise AftersunError(f"{what} {number} is not written as {form}.", f"For example {example}.")
        if name in values:
            raise AftersunError(f"{name} is given twice.", "Give each once.")
        values[name] = value
    return values
