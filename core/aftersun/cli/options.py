"""Arguments and options that several commands share."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path
from typing import Annotated

from aftersun.cli.declaring import argument, day_option, flag, option

CORES = os.cpu_count() or 1

InventoryFile = Annotated[Path, argument("options.inventory_file")]
Site = Annotated[str, argument("options.site")]
SiteOrAll = Annotated[str | None, argument("options.site_or_all")]
AsJson = Annotated[bool, flag("options.json", "--json")]
AsOf = Annotated[datetime | None, day_option("options.as_of", "--as-of")]
CompanyFile = Annotated[Path | None, option("options.company_file", "--company")]
SwitchedOffBy = Annotated[Path | None, option("options.switched_off_by", "--company")]
PluginFolder = Annotated[Path | None, option("options.plugin_folder", "--plugins-from")]
Workers = Annotated[int, option("options.workers", min=1, show_default=True)]
