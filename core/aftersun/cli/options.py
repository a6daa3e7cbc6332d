"""Arguments and options that several commands share, and how groups of commands are made."""

from __future__ import annotations

import os
from collections.abc import Sequence
from datetime import date, datetime
from functools import partial
from pathlib import Path
from typing import Annotated

import typer

CORES = os.cpu_count() or 1

group = partial(typer.Typer, no_args_is_help=True, rich_markup_mode=None)
argument = partial(typer.Argument, show_default=False)
option = partial(typer.Option, show_default=False)
day_option = partial(option, formats=["%Y-%m-%d"])

InventoryFile = Annotated[Path, argument(help="The inventory file (DuckDB).")]
Site = Annotated[str, argument(help="Number of the site (column site_id).")]
SiteOrAll = Annotated[str | None, argument(help="Number of the site (column site_id); all if left out.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for another program.")]
AsOf = Annotated[datetime | None, day_option("--as-of", help="Day that ages and tariffs are taken at; default today.")]
CompanyFile = Annotated[
    Path | None, option("--company", help="The company file; default company.toml beside the inventory.")
]
SwitchedOffBy = Annotated[Path | None, option("--company", help="The company file, to see what it switches off.")]
PluginFolder = Annotated[
    Path | None,
    option("--plugins-from", help="Folder of one-file plugins, or one such file, to try besides the installed ones."),
]
Workers = Annotated[int, typer.Option(min=1, help="Processes to compute with; default one a core.")]


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
    from aftersun.model.errors import AftersunError

    found: dict[str, str] = {}
    for number, text in enumerate(given or (), start=1):
        name, sign, value = text.partition("=")
        name = name.strip().casefold()
        if not sign or not name:
            raise AftersunError(f"{what} {number} is not written as {form}.", f"For example {example}.")
        if name in found:
            raise AftersunError(f"{name} is given twice.", "Give each once.")
        found[name] = value
    return found
