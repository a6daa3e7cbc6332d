"""Commands for what leaves the office: letters, and the folder of one run."""

from __future__ import annotations

from dataclasses import asdict
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from aftersun.cli.options import AsJson, InventoryFile, PluginFolder
from aftersun.cli.terminal import terminal
from aftersun.model.errors import EXIT_LOSSES, AftersunError

if TYPE_CHECKING:
    from aftersun.documents.output_folder import Report

letter = typer.Typer(
    help="Letters and safety notices to customers: make, list, write again.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

Sites = Annotated[list[str] | None, typer.Argument(help="Numbers of the sites (column site_id).", show_default=False)]
LettersTo = Annotated[
    Path | None, typer.Option("--to", help="Folder; default 'letters' beside the inventory.", show_default=False)
]
Only = Annotated[list[str] | None, typer.Option(help="One output alone; may be repeated.", show_default=False)]
Set = Annotated[
    list[str] | None,
    typer.Option("--set", help="Setting of an output, as name=value or OUTPUT.name=value.", show_default=False),
]
Letterhead = Annotated[
    Path | None,
    typer.Option(
        "--company", help="The company file with your letterhead; default that of the run.", show_default=False
    ),
]


def add_to(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.add_typer(letter, name="letter")
    app.command()(outputs)
    app.command()(write)


def outputs(
    company: Annotated[
        Path | None,
        typer.Option("--company", help="The company file, to leave out what it switches off.", show_default=False),
    ] = None,
    plugins_from: PluginFolder = None,
    json: AsJson = False,
) -> None:
    """List the installed outputs: what each writes, and whether it needs names.

    Example: aftersun outputs
    """
    from aftersun.host.registry import find_plugins
    from aftersun.money.company import load_company

    registry = find_plugins(() if company is None else load_company(company).retrofits.off, plugins_from)
    data = [
        {
            "id": output.id,
            "writes": output.writes,
            "of": output.of,
            "personal": output.personal,
            "origin": registry.output_origins[output.id],
        }
        for output in registry.outputs
    ]
    failures = [asdict(failure) for failure in registry.failures]
    if json:
        terminal.json({"outputs": data, "failures": failures})
    elif not data:
        terminal.result("No output is installed.")
    for row in [] if json else data:
        needs = "needs names" if row["personal"] else "also without names"
        terminal.result(f"{row['id']}  one for each {row['of']}, {needs}  ({row['origin']})")
        terminal.paragraph(str(row["writes"]), indent=4)
    _show_failures(failures)


def write(
    inventory: InventoryFile,
    to: Annotated[Path, typer.Option("--to", help="New folder to write into.", show_default=False)],
    only: Only = None,
    letters: Annotated[int, typer.Option(min=0, help="Letters to the first so many of the call list.")] = 10,
    without_names: Annotated[
        bool, typer.Option("--without-names", help="No names and addresses, pseudonyms for numbers, no letters.")
    ] = False,
    settings: Set = None,
    company: Letterhead = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Take the place of a folder that this command wrote before.")
    ] = False,
    plugins_from: PluginFolder = None,
    json: AsJson = False,
) -> None:
    """Write the folder of the last run: every output, letters to the first of the call list, and a manifest.

    Letters are kept in the inventory and count as offers made; what was chosen for the last letter of a site holds on.
    The folder appears as a whole or not at all.

    Example: aftersun write company.duckdb --to june --letters 20
    """
    from aftersun.documents.output_folder import Order, write_folder

    order = Order(tuple(only or ()), tuple(settings or ()), company, plugins_from)
    with terminal.progress("writing") as progress:
        report = write_folder(inventory, to, letters, order, date.today(), without_names, replace, progress)
    _show(report, json)


@letter.command()
def make(
    inventory: InventoryFile,
    sites: Sites = None,
    first: Annotated[
        int, typer.Option("--first", min=0, help="In place of sites: the first so many of the call list.")
    ] = 0,
    option: Annotated[
        list[str] | None,
        typer.Option(
            help="An offer to propose, a retrofit or several joined by +; may be repeated.", show_default=False
        ),
    ] = None,
    price: Annotated[
        list[str] | None,
        typer.Option(help="A fixed price, tax included, as OFFER=AMOUNT; may be repeated.", show_default=False),
    ] = None,
    discount: Annotated[float, typer.Option(help="Share taken off the other prices; 10 % is 0.1.")] = 0.0,
    remark: Annotated[str, typer.Option(help="A word of your own to the customer.", show_default=False)] = "",
    valid_until: Annotated[
        datetime | None,
        typer.Option(
            "--valid-until",
            formats=["%Y-%m-%d"],
            help="Last day it holds; default by the company file.",
            show_default=False,
        ),
    ] = None,
    to_existing_enquiry: Annotated[
        bool,
        typer.Option("--to-existing-enquiry", help="The customer asked for it, so contact rules do not forbid it."),
    ] = False,
    to: LettersTo = None,
    only: Only = None,
    settings: Set = None,
    company: Letterhead = None,
    plugins_from: PluginFolder = None,
    json: AsJson = False,
) -> None:
    """Write offers to customers, with a number and version each, and keep them in the inventory as offers made.

    Nothing is written twice: what says the same as the last letter of the site is that letter again, byte for byte.
    With --first and nothing chosen, what was chosen for the last letter of a site holds on.

    Example: aftersun letter make company.duckdb S0160 --option bird_mesh --price bird_mesh=980
    """
    from aftersun.documents.letters.compose import Choices
    from aftersun.documents.output_folder import Order, make_letters

    choices = Choices(
        options=tuple(option or ()),
        prices=_prices(price or []),
        discount=discount,
        remark=remark,
        valid_until=None if valid_until is None else valid_until.date(),
        asked_for=to_existing_enquiry,
    )
    order = Order(tuple(only or ()), tuple(settings or ()), company, plugins_from)
    folder = inventory.parent / "letters" if to is None else to
    with terminal.progress("writing letters") as progress:
        report = make_letters(inventory, sites or [], first, choices, order, folder, date.today(), progress)
    _show(report, json)


@letter.command()
def notice(
    inventory: InventoryFile,
    sites: Sites = None,
    everyone: Annotated[bool, typer.Option("--all", help="In place of sites: all with a known danger.")] = False,
    to: LettersTo = None,
    only: Only = None,
    settings: Set = None,
    company: Letterhead = None,
    plugins_from: PluginFolder = None,
    json: AsJson = False,
) -> None:
    """Write safety notices: the known dangers of a site and nothing else, no price and no offer.

    They go to owners who may not be contacted about offers, too: no contact rule applies. Notices have numbers and are
    kept like letters, but are no offers made.

    Example: aftersun letter notice company.duckdb --all --to notices
    """
    from aftersun.documents.output_folder import Order, make_notices

    order = Order(tuple(only or ()), tuple(settings or ()), company, plugins_from)
    folder = inventory.parent / "letters" if to is None else to
    with terminal.progress("writing notices") as progress:
        report = make_notices(inventory, sites or [], everyone, order, folder, date.today(), progress)
    _show(report, json)


@letter.command("list")
def list_letters(
    inventory: InventoryFile,
    site: Annotated[str, typer.Argument(help="Number of the site; all if left out.", show_default=False)] = "",
    json: AsJson = False,
) -> None:
    """List the letters issued, of one site or all.

    Example: aftersun letter list company.duckdb
    """
    from aftersun.inventory.log.letters import listing
    from aftersun.inventory.store.file import Inventory

    with Inventory.open(inventory, read_only=True) as opened:
        found = listing(opened, site or None).to_dict("records")
    rows: list[dict[str, Any]] = [
        {str(name): value.date() if isinstance(value, datetime) else value for name, value in row.items()}
        for row in found
    ]
    if json:
        terminal.json(rows)
        return
    if not rows:
        terminal.result("No letter has been issued.")
        return
    names = ["number", "version", "site_id", "made_on", "valid_until", "output", "file_name"]
    terminal.table(names, [[str(row[name]) for name in names] for row in rows], "<><<<<<")


@letter.command()
def again(
    inventory: InventoryFile,
    number: Annotated[str, typer.Argument(help="Number of the letter, for example 2026-000012.", show_default=False)],
    to: Annotated[Path, typer.Option("--to", help="Folder to write it into.", show_default=False)],
    version: Annotated[
        int | None, typer.Option("--version", min=1, help="Which version; default the newest.", show_default=False)
    ] = None,
    json: AsJson = False,
) -> None:
    """Write an issued letter again, byte for byte.

    Example: aftersun letter again company.duckdb 2026-000012 --to copies
    """
    from aftersun.documents.output_folder import letter_again

    written = letter_again(inventory, number, version, to)
    if json:
        terminal.json({"files": [str(path) for path in written]})
        return
    for path in written:
        terminal.result(str(path))


def _prices(given: list[str]) -> dict[str, float]:
    prices: dict[str, float] = {}
    for place, text in enumerate(given, start=1):
        offer, sign, amount = text.rpartition("=")
        try:
            value = float(amount)
        except ValueError:
            sign = ""
        if not sign or not offer.strip():
            raise AftersunError(
                f"Price {place} is not written as OFFER=AMOUNT.", "For example bird_mesh=980.50, with a decimal point."
            )
        if offer.strip() in prices:
            raise AftersunError(f"{offer.strip()} has two prices.", "Give each offer one.")
        prices[offer.strip()] = value
    return prices


def _show(report: Report, json: bool) -> None:
    """Print what was written; remarks and failures go to stderr."""
    failures = [asdict(failure) for failure in report.failures]
    letters = [
        {
            "number": one.number,
            "version": one.version,
            "site_id": one.site_id,
            "made_on": one.made_on,
            "new": one in report.letters.new_letters,
        }
        for one in report.letters.letters
    ]
    if json:
        terminal.json(
            {
                "run_id": report.run_id,
                "folder": str(report.folder),
                "files": [{"output": output, "path": path} for output, path in report.files],
                "letters": letters,
                "left_out": list(report.skipped),
                "failures": failures,
                "remarks": list(report.remarks),
            }
        )
    elif not report.files:
        terminal.result("Nothing was written.")
    else:
        count = len(report.files)
        terminal.result(
            f"Wrote {count} {'file' if count == 1 else 'files'} into {report.folder}, from run {report.run_id}."
        )
        for _, path in report.files:
            terminal.result(f"  {path}")
        old = sum(not one["new"] for one in letters)
        if old:
            terminal.result(f"The same as issued before, byte for byte: {old} of {len(letters)}.")
    for name in report.skipped:
        terminal.message(f"{name} was left out: it can do nothing without names.")
    for remark in report.remarks:
        terminal.message(remark)
    _show_failures(failures)


def _show_failures(failures: list[dict[str, Any]]) -> None:
    for failure in failures:
        terminal.message(f"plugin {failure['plugin']} failed to {failure['during']}: {failure['reason']}")
    if failures:
        raise typer.Exit(EXIT_LOSSES)
