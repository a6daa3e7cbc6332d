"""Arguments and options that several commands share."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from aftersun.cli.declaring import argument, day_option, flag, option

CORES = os.cpu_count() or 1

InventoryFile = Annotated[Path, argument(help="The inventory file (DuckDB).")]
Site = Annotated[str, argument(help="Number of the site (column site_id).")]
SiteOrAll = Annotated[str | None, argument(help="Number of the site (column site_id); all if left out.")]
AsJson = Annotated[bool, flag("--json", "Print JSON for another program.")]
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
