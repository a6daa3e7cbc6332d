"""Commands on letters and safety notices to customers."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import Annotated

from aftersun.cli.declaring import argument, day_option, day_or_none, flag, group, option, pairs
from aftersun.cli.options import AsJson, InventoryFile, PluginFolder, SiteOrAll, Sites, opened
from aftersun.cli.outputs import AlthoughOld, Letterhead, Only, Set, show_report
from aftersun.cli.terminal import terminal
from aftersun.model.errors import AftersunError

app = group(help="Letters and safety notices to customers: make, list, write again.")

LettersTo = Annotated[Path | None, option("letter.folder", "--to")]


@app.command()
def make(
    inventory: InventoryFile,
    sites: Sites = None,
    first: Annotated[int, option("letter.first", "--first", min=0, show_default=True)] = 0,
    options: Annotated[list[str] | None, option("letter.options", "--option")] = None,
    price: Annotated[list[str] | None, option("letter.price")] = None,
    discount: Annotated[float, option("letter.discount", show_default=True)] = 0.0,
    remark: Annotated[str, option("letter.remark")] = "",
    valid_until: Annotated[datetime | None, day_option("letter.valid_until", "--valid-until")] = None,
    to_existing_enquiry: Annotated[bool, flag("letter.to_existing_enquiry", "--to-existing-enquiry")] = False,
    to: LettersTo = None,
    only: Only = None,
    settings: Set = None,
    company: Letterhead = None,
    although_old: AlthoughOld = False,
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
    order = Order(tuple(only or ()), tuple(settings or ()), company, plugins_from, although_old=although_old)
    with terminal.progress("writing letters") as progress:
        report = make_letters(inventory, sites or first, choices, order, _folder(to, inventory), date.today(), progress)
    show_report(inventory, report, json)


@app.command()
def notice(
    inventory: InventoryFile,
    sites: Sites = None,
    everyone: Annotated[bool, flag("letter.everyone", "--all")] = False,
    to: LettersTo = None,
    only: Only = None,
    settings: Set = None,
    company: Letterhead = None,
    plugins_from: PluginFolder = None,
    json: AsJson = False,
) -> None:
    """Write safety notices: the known hazards of a site and nothing else, no price and no offer.

    They go to owners who may not be contacted about offers, too: no contact rule applies. Notices have numbers and are
    kept like letters, but are no offers made.

    Example: aftersun letter notice company.duckdb --all --to notices
    """
    from aftersun.documents.output_folder import Order, make_notices

    order = Order(tuple(only or ()), tuple(settings or ()), company, plugins_from)
    with terminal.progress("writing notices") as progress:
        report = make_notices(inventory, sites or [], everyone, order, _folder(to, inventory), date.today(), progress)
    show_report(inventory, report, json)


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
    number: Annotated[str, argument("letter.number")],
    to: Annotated[Path, option("letter.to", "--to")],
    version: Annotated[int | None, option("letter.version", "--version", min=1)] = None,
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
