"""Arguments and options that several commands share."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import Annotated

import typer

InventoryFile = Annotated[Path, typer.Argument(help="The inventory file (DuckDB).", show_default=False)]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for another program.")]
AsOf = Annotated[
    datetime | None,
    typer.Option("--as-of", formats=["%Y-%m-%d"], help="Day that ages and tariffs are taken at; default today."),
]
CompanyFile = Annotated[
    Path | None,
    typer.Option("--company", help="The company file; default company.toml beside the inventory.", show_default=False),
]
PluginFolder = Annotated[
    Path | None,
    typer.Option(
        "--plugins-from",
        help="Folder of one-file plugins, or one such file, to try besides the installed ones.",
        show_default=False,
    ),
]


def day(as_of: datetime | None) -> date:
    """Return the day asked for, or today."""
    return date.today() if as_of is None else as_of.date()


def company_path(given: Path | None, inventory: Path) -> Path:
    """Return the company file to use."""
    return inventory.parent / "company.toml" if given is None else given
