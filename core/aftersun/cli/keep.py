"""Commands that keep an inventory safe and small, and that answer a customer who asks about their data."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import typer

from aftersun.cli import inventory as inventory_commands
from aftersun.cli.options import AsJson, AsOf, InventoryFile, day
from aftersun.cli.terminal import terminal
from aftersun.model.errors import AftersunError

customer = typer.Typer(help="What is held on a customer, and erasing it.", no_args_is_help=True, rich_markup_mode=None)

CustomerNumber = Annotated[str, typer.Argument(help="Number of the customer (customer_id).", show_default=False)]
Replace = Annotated[bool, typer.Option("--replace", help="Replace a file that is there.")]


@inventory_commands.app.command()
def backup(
    inventory: InventoryFile,
    to: Annotated[Path, typer.Option(help="File to write the backup to.", show_default=False)],
    replace: Replace = False,
) -> None:
    """Write a checked copy of an inventory; others may read it meanwhile. Keep it somewhere else.

    Example: aftersun inventory backup company.duckdb --to company-backup.duckdb
    """
    from aftersun.inventory.store.backup import copy_inventory

    done = copy_inventory(inventory, to, replace)
    terminal.result(f"Wrote {to}: {done.rows:,} rows of {len(done.tables)} tables, {_size(done.size)}, compared.")


@inventory_commands.app.command()
def restore(
    backup: Annotated[Path, typer.Argument(help="The backup.", show_default=False)],
    to: Annotated[Path, typer.Option(help="Inventory file to make of it.", show_default=False)],
    replace: Replace = False,
) -> None:
    """Make an inventory of a backup, as it was then.

    Example: aftersun inventory restore company-backup.duckdb --to company.duckdb
    """
    from aftersun.inventory.store.backup import copy_inventory

    done = copy_inventory(backup, to, replace)
    terminal.result(f"Made {to}: {done.rows:,} rows of {len(done.tables)} tables, compared with the backup.")
    terminal.message("Customers who were erased after the backup are in it again: erase them once more.")


@inventory_commands.app.command()
def prune(
    inventory: InventoryFile,
    keep: Annotated[int, typer.Option(min=1, help="How many of the newest runs to keep.", show_default=False)],
    also_referenced: Annotated[
        bool, typer.Option("--also-referenced", help="Delete also runs that calls, offers or letters name.")
    ] = False,
) -> None:
    """Delete old runs with all their results and give the space back.

    Example: aftersun inventory prune company.duckdb --keep 5
    """
    from aftersun.inventory.runs.prune import prune as prune_runs

    done = prune_runs(inventory, keep, also_referenced)
    for run_id, tables in done.kept.items():
        terminal.result(f"Kept {run_id}: {', '.join(tables)} name it.")
    if not done.deleted:
        terminal.result("No run was deleted.")
        return
    terminal.result(
        f"Deleted {len(done.deleted)} runs; the file had {_size(done.size_before)} and has {_size(done.size_after)}."
    )


@inventory_commands.app.command()
def export(
    inventory: InventoryFile,
    to: Annotated[Path, typer.Option(help="Folder for one file a table; made if missing.", show_default=False)],
    kind: Annotated[str, typer.Option("--format", help="csv or parquet.")] = "csv",
) -> None:
    """Write all tables without personal data: pseudonyms for numbers, places to 0.1 degree, no text typed by people.

    The same site has the same pseudonym in every table and export of this inventory.

    Example: aftersun inventory export company.duckdb --to for-analysts
    """
    from aftersun.inventory.privacy.export import export as export_tables
    from aftersun.inventory.store.file import Inventory

    with Inventory.open(inventory, read_only=True) as opened:
        done = export_tables(opened, to, kind)
    for path, rows in zip(done.files, done.tables.values(), strict=True):
        terminal.result(f"{path}  ({rows:,} rows)")
    terminal.message("Whoever knows a site otherwise may still recognise it: hand this out with care.")


@customer.command()
def held(inventory: InventoryFile, customer: CustomerNumber, json: AsJson = False) -> None:
    """Show all that an inventory holds on one customer, table by table. This prints personal data.

    Example: aftersun customer held company.duckdb C0001 --json
    """
    from aftersun.inventory.privacy.erase import nothing_held
    from aftersun.inventory.privacy.held import held as held_rows
    from aftersun.inventory.privacy.held import traces
    from aftersun.inventory.store.file import Inventory

    with Inventory.open(inventory, read_only=True) as opened:
        found = traces(opened, customer)
        rows = held_rows(opened, found)
    if not found.counts:
        raise nothing_held()
    if json:
        terminal.json(rows)
        return
    for table, records in rows.items():
        terminal.heading(f"{table}: {len(records):,} {'row' if len(records) == 1 else 'rows'}")
        for record in records[:_SHOWN]:
            said = [f"{name} {value}" for name, value in record.items() if value is not None]
            terminal.paragraph("; ".join(said), hang=2)
        if len(records) > _SHOWN:
            terminal.result(f"and {len(records) - _SHOWN:,} more; --json gives all")
    terminal.message(_OUT_OF_REACH)


_SHOWN = 5
_OUT_OF_REACH = (
    "Not looked at: backups, exports, rejected rows written out for mending, letters and pages saved as files, and the "
    "tables that were loaded."
)


@customer.command()
def erase(
    inventory: InventoryFile,
    customer: CustomerNumber,
    yes: Annotated[bool, typer.Option("--yes", help="Erase; without it, only say what would be erased.")] = False,
) -> None:
    """Erase a customer everywhere in an inventory, with their sites and all results, so that no byte of them is left.

    What stays is a keyed hash of the numbers of customer and sites: a later load of them is refused as "erased on
    request" unless it is run with --allow-again.

    Example: aftersun customer erase company.duckdb C0001 --yes
    """
    from aftersun.inventory.privacy.erase import erase as erase_customer
    from aftersun.inventory.privacy.erase import nothing_held
    from aftersun.inventory.privacy.held import traces
    from aftersun.inventory.store.file import Inventory
    from aftersun.scoring.run.run_folder import discard

    if not yes:
        with Inventory.open(inventory, read_only=True) as opened:
            found = traces(opened, customer)
        if not found.counts:
            raise nothing_held()
        _counts(found.counts)
        raise AftersunError("Nothing was erased yet.", "Add --yes to erase this for good.")
    discard(inventory)  # what a run that was stopped left beside the file
    done = erase_customer(inventory, customer)
    _counts(done.counts)
    terminal.result(f"Erased the customer with {done.sites} {'site' if done.sites == 1 else 'sites'}.")
    terminal.message(_OUT_OF_REACH.replace("Not looked at", "Out of reach, to be dealt with by hand"))


def _counts(counts: Mapping[str, int]) -> None:
    terminal.table(("table", "rows"), [(table, f"{count:,}") for table, count in counts.items()], "<>")


@customer.command()
def retention(
    inventory: InventoryFile,
    years: Annotated[int, typer.Option(min=1, help="Years without contact, offer or fitting.", show_default=False)],
    as_of: AsOf = None,
    json: AsJson = False,
) -> None:
    """List customers without contact, offer or fitting for so many years, by number and last day only.

    Example: aftersun customer retention company.duckdb --years 10
    """
    from aftersun.inventory.privacy.retention import untouched
    from aftersun.inventory.store.file import Inventory

    with Inventory.open(inventory, read_only=True) as opened:
        found = untouched(opened, years, day(as_of))
    if json:
        terminal.json([{"customer_id": number, "last_on": last_on} for number, last_on in found])
        return
    if found:
        rows = [(number, "not known" if last_on is None else last_on.isoformat()) for number, last_on in found]
        terminal.table(("customer_id", "last_on"), rows)
    terminal.result(f"{len(found)} customers without contact, offer or fitting for {years} years.")


def _size(size: int) -> str:
    return f"{size / 1e6:.1f} MB"
