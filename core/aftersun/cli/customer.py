"""Commands that answer a customer who asks about their data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from aftersun.cli.declaring import argument, day, flag, group, option
from aftersun.cli.options import AsJson, AsOf, InventoryFile, opened
from aftersun.cli.terminal import counted, terminal
from aftersun.model.errors import AftersunError

if TYPE_CHECKING:
    from aftersun.inventory.privacy.customer_rows import CustomerRows

app = group(help="What is held on a customer, and erasing it.")

CustomerNumber = Annotated[str, argument("customer.number")]

_SHOWN = 5
_OUT_OF_REACH = (
    "backups, exports, rejected rows written out for correction, letters and pages saved as files, and the tables that "
    "were loaded."
)


@app.command()
def show(inventory: InventoryFile, customer: CustomerNumber, json: AsJson = False) -> None:
    """Show all that an inventory holds on one customer, table by table. This prints personal data.

    Example: aftersun customer show company.duckdb C0001 --json
    """
    from aftersun.inventory.privacy.customer_rows import find_rows, read_rows

    with opened(inventory) as source:
        rows = read_rows(source, find_rows(source, customer))
    if json:
        terminal.json(rows)
        return
    for table, records in rows.items():
        terminal.heading(f"{table}: {counted(len(records), 'row')}")
        for record in records[:_SHOWN]:
            terminal.paragraph(
                "; ".join(f"{name} {value}" for name, value in record.items() if value is not None), hang=2
            )
        if len(records) > _SHOWN:
            terminal.result(f"and {len(records) - _SHOWN:,} more; --json gives all")
    terminal.message(f"Not looked at: {_OUT_OF_REACH}")


@app.command()
def erase(
    inventory: InventoryFile,
    customer: CustomerNumber,
    yes: Annotated[bool, flag("customer.yes", "--yes")] = False,
) -> None:
    """Erase a customer everywhere in an inventory, with their sites and all results, so that no byte of them is left.

    What stays is a keyed hash of the numbers of customer and sites: a later load of them is refused as "erased on
    request" unless it is run with --allow-again.

    Example: aftersun customer erase company.duckdb C0001 --yes
    """
    from aftersun.inventory.privacy.customer_rows import erase as erase_customer
    from aftersun.inventory.privacy.customer_rows import find_rows
    from aftersun.scoring.run.run_folder import discard

    if not yes:
        with opened(inventory) as source:
            _tell(find_rows(source, customer))
        raise AftersunError("Nothing was erased yet.", "Add --yes to erase this for good.")
    discard(inventory)  # what a run that was stopped left beside the file
    done = erase_customer(inventory, customer)
    _tell(done)
    terminal.result(f"Erased the customer with {counted(len(done.site_ids), 'site')}.")
    terminal.message(f"Out of reach, to be dealt with by hand: {_OUT_OF_REACH}")


@app.command()
def retention(
    inventory: InventoryFile,
    years: Annotated[int, option("customer.years", min=1)],
    as_of: AsOf = None,
    json: AsJson = False,
) -> None:
    """List customers without contact, offer or fitting for so many years, by number and last day only.

    Example: aftersun customer retention company.duckdb --years 10
    """
    from aftersun.inventory.privacy.retention import untouched

    with opened(inventory) as source:
        customers = untouched(source, years, day(as_of))
    if json:
        terminal.json([{"customer_id": number, "last_on": last_on} for number, last_on in customers])
        return
    if customers:
        terminal.table(("customer_id", "last_on"), [(number, last_on or "not known") for number, last_on in customers])
    terminal.result(f"{len(customers)} customers without contact, offer or fitting for {years} years.")


def _tell(rows: CustomerRows) -> None:
    terminal.table(("table", "rows"), [(table, f"{count:,}") for table, count in rows.counts.items()], "<>")
    if rows.look_alikes:
        terminal.message(
            f"Not among these, but of a number that only looks different: {', '.join(rows.look_alikes)}. Look with "
            "'aftersun customer show' whether it is the same customer, and erase that number too."
        )
