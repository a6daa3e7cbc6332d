"""Commands on letters and safety notices to customers."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import Annotated

import typer

from aftersun.cli.declaring import argument, day_option, day_or_none, flag, group, option, pairs
from aftersun.cli.opening import opened
from aftersun.cli.options import AsJson, InventoryFile, PluginFolder, SiteOrAll
from aftersun.cli.outputs import Letterhead, Only, Set, show_report
from aftersun.cli.terminal import terminal
from aftersun.model.errors import AftersunError

app = group(help="Letters and safety notices to customers: make, list, write again.")

Sites = Annotated[list[str] | None, argument(help="Numbers of the sites (column site_id).")]
LettersTo = Annotated[Path | None, option("--to", help="Folder; default 'letters' beside the inventory.")]


@app.command()
def make(
    inventory: InventoryFile,
    sites: Sites = None,
    first: Annotated[
        int, typer.Option("--first", min=0, help="In place of sites: the first so many of the call list.")
    ] = 0,
    options: Annotated[
        list[str] | None,
        option("--option", help="An offer to propose, a retrofit or several joined by +; may be repeated."),
    ] = None,
    price: Annotated[
        list[str] | None, option(help="A fixed price, tax included, as OFFER=AMOUNT; may be repeated.")
    ] = None,
    discount: Annotated[float, typer.Option(help="Share taken off the other prices; 10 % is 0.1.")] = 0.0,
    remark: Annotated[str, option(help="A word of your own to the customer.")] = "",
    valid_until: Annotated[
        datetime | None, day_option("--valid-until", help="Last day it holds; default by the company file.")
    ] = None,
    to_existing_enquiry: Annotated[
        bool, flag("--to-existing-enquiry", "The customer asked for it, so contact rules do not forbid it.")
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
        options=tuple(options or ()),
        prices=_prices(price),
        discount=discount,
        remark=remark,
        valid_until=day_or_none(valid_until),
        asked_for=to_existing_enquiry,
    )
    if bool(sites) == bool(first):
        raise AftersunError("It is not clear whom to write to.", "Name sites, or give --first, not both.")
    order = Order(tuple(only or ()), tuple(settings or ()), company, plugins_from)
    with terminal.progress("writing letters") as progress:
        report = make_letters(inventory, sites or first, choices, order, _folder(to, inventory), date.today(), progress)
    show_report(report, json)


@app.command()
def notice(
    inventory: InventoryFile,
    sites: Sites = None,
    everyone: Annotated[bool, flag("--all", "In place of sites: all with a known danger.")] = False,
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
    with terminal.progress("writing notices") as progress:
        report = make_notices(inventory, sites or [], everyone, order, _folder(to, inventory), date.today(), progress)
    show_report(report, json)


@app.command("list")
def list_letters(inventory: InventoryFile, site: SiteOrAll = None, json: AsJson = False) -> None:
    """List the letters issued, of one site or all.

    Example: aftersun letter list company.duckdb
    """
    from aftersun.inventory.log.letters import listing

    with opened(inventory) as source:
        letters = listing(source, site)
    names = ["number", "version", "site_id", "made_on", "valid_until", "output", "file_name"]
    if json:
        terminal.json(letters)
    elif letters.empty:
        terminal.result("No letter has been issued.")
    else:
        terminal.table(names, letters[names].to_numpy(dtype=object).tolist(), "<><<<<<")


@app.command()
def reprint(
    inventory: InventoryFile,
    number: Annotated[str, argument(help="Number of the letter, for example 2026-000012.")],
    to: Annotated[Path, option("--to", help="Folder to write it into.")],
    version: Annotated[int | None, option("--version", min=1, help="Which version; default the newest.")] = None,
    json: AsJson = False,
) -> None:
    """Write an issued letter again, byte for byte.

    Example: aftersun letter reprint company.duckdb 2026-000012 --to copies
    """
    from aftersun.documents.output_folder import letter_again

    written = [str(path) for path in letter_again(inventory, number, version, to)]
    terminal.answer(json, {"files": written}, *written)


def _folder(given: Path | None, inventory: Path) -> Path:
    return inventory.parent / "letters" if given is None else given


def _prices(given: list[str] | None) -> dict[str, float]:
    form, example = "OFFER=AMOUNT", "bird_mesh=980.50, with a decimal point"
    prices: dict[str, float] = {}
    for number, (offer, amount) in enumerate(pairs(given, "Price", form, example).items(), start=1):
        try:
            prices[offer] = float(amount)
        except ValueError:
            raise AftersunError(f"Price {number} is not written as {form}.", f"For example {example}.") from None
    return prices
