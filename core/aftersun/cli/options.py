"""Arguments and options that several commands share, and the opening of the inventory that they name."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, redirect_stdout
from datetime import datetime
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from aftersun.cli.declaring import argument, day_option, flag, option
from aftersun.cli.terminal import terminal
from aftersun.model.errors import AftersunError

if TYPE_CHECKING:
    from aftersun.documents.run_view import RunView
    from aftersun.inventory.store.file import Inventory

CORES = os.cpu_count() or 1

Named = TypeVar("Named", str, list[str], None)


_MOST_SHOWN = 20


def numbers_of(inventory: Path, called: Sequence[str]) -> list[str]:
    """Return the number of the one site that each text calls; if several fit one, they are listed.

    Raises
    ------
    AftersunError
        If several fit. What fits none is returned as it is, for the command to say so.
    """
    from aftersun.inventory.looking_up import FOUND, sites_called
    from aftersun.inventory.store.file import Inventory

    with Inventory.open(inventory, read_only=True) as source:
        found = [sites_called(source, text) for text in called]
    numbers = []
    for text, rows in zip(called, found, strict=True):
        if len(rows) > 1:
            terminal.table(FOUND, rows.head(_MOST_SHOWN).fillna("").to_numpy(dtype=object).tolist())
            raise AftersunError(f"{len(rows)} sites are called so.", "Name one by its number (column site_id).")
        numbers.append(text if rows.empty else str(rows["site_id"].iloc[0]))
        if numbers[-1] != text:
            terminal.message(f"This is site {numbers[-1]}.")
    return numbers


def _numbers_of(context: typer.Context, given: Named) -> Named:
    """Take names of sites for their numbers, of an argument that follows the inventory."""
    inventory = context.params.get("inventory")
    if inventory is None or not given or context.resilient_parsing:
        return given
    if isinstance(given, str):
        return numbers_of(inventory, [given])[0]
    return numbers_of(inventory, given)


InventoryFile = Annotated[Path, argument("options.inventory_file")]
Site = Annotated[str, argument("options.site", callback=_numbers_of)]
Sites = Annotated[list[str] | None, argument("options.sites", callback=_numbers_of)]
SiteOrAll = Annotated[str | None, argument("options.site_or_all", callback=_numbers_of)]
AsJson = Annotated[bool, flag("options.json", "--json")]
AsOf = Annotated[datetime | None, day_option("options.as_of", "--as-of")]
CompanyFile = Annotated[Path | None, option("options.company_file", "--company")]
SwitchedOffBy = Annotated[Path | None, option("options.switched_off_by", "--company")]
PluginFolder = Annotated[Path | None, option("options.plugin_folder", "--plugins-from")]
Workers = Annotated[int, option("options.workers", min=1, show_default=True)]


@contextmanager
def opened(path: Path, read_only: bool = True, remind: bool = True) -> Iterator[Inventory]:
    """Open an inventory while the block runs, to be read or, without ``read_only``, to be changed.

    What the block prints comes once the file is closed: a reader of it who pauses, say a pager, holds up nobody else.
    A danger that the block took from the record is told: no command does that in silence. Who writes is told that no
    copy was made for long, unless ``remind`` is false.
    """
    from aftersun.inventory.store import trail
    from aftersun.inventory.store.file import Inventory

    printed = StringIO()
    try:
        with Inventory.open(path, read_only=read_only) as inventory, redirect_stdout(printed):
            before = 0 if read_only else trail.newest(inventory)
            yield inventory
            ended = [] if read_only else trail.dangers_ended(inventory, before)
            if not read_only and remind:
                remind_of_copy(inventory)
    finally:
        sys.stdout.write(printed.getvalue())
    for key, column in ended:
        terminal.message(f"A hazard is no longer on record: {column} of {key}. What it said is in 'inventory changes'.")


def remind_of_copy(inventory: Inventory) -> None:
    """Say in one line if a checked copy of an inventory that was just written to is due."""
    from aftersun.inventory.store.copies import copy_is_due, last_copy

    if copy_is_due(inventory):
        last = last_copy(inventory)
        since = f"since {last:%Y-%m-%d}" if last else "yet"
        again = f"'aftersun inventory backup {inventory.path} --to FOLDER --keep 14'"
        terminal.message(f"No checked copy of {inventory.path.name} was made {since}: {again} makes one.")


def company_of(inventory: Path, company: Path | None) -> dict[str, float]:
    """Return what a look at whole columns asks of the company; nothing if no file is named, and none fit beside it."""
    from aftersun.scoring.run.rank import company_figures

    path = inventory.parent / "company.toml" if company is None else company
    if company is None and not path.is_file():
        return {}
    try:
        return company_figures(path)
    except AftersunError:
        if company is not None:
            raise
        return {}  # a file that is not filled in yet


@contextmanager
def stored_run(path: Path, run_id: str | None = None) -> Iterator[RunView]:
    """Open an inventory to read a run of it, the newest unless another is named, while the block runs."""
    from aftersun.documents.run_view import RunView

    with opened(path) as inventory:
        yield RunView(inventory, run_id)
