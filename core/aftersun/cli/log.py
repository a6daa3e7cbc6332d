"""Commands on the call log: what came of calls, what was learnt, what was offered."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import asdict
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from aftersun.cli.options import AsJson, InventoryFile, day
from aftersun.cli.terminal import terminal
from aftersun.model.errors import EXIT_LOSSES, AftersunError

if TYPE_CHECKING:
    import pandas as pd

app = typer.Typer(
    help="The call log: what came of calls, what was learnt, what was offered.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

Site = Annotated[str, typer.Argument(help="Number of the site (column site_id).", show_default=False)]
Retrofit = Annotated[str, typer.Option(help="Identifier of the retrofit it is about.", show_default=False)]
On = Annotated[
    datetime | None, typer.Option("--on", formats=["%Y-%m-%d"], help="Day of it; default today.", show_default=False)
]
Array = Annotated[str, typer.Option(help="Array that facts about an array belong to.", show_default=False)]


@app.command()
def call(
    inventory: InventoryFile,
    site: Site,
    outcome: Annotated[
        str,
        typer.Option(
            help="unreached; no; later (with --until); yes; done (the retrofit is fitted); objection (do not call "
            "again).",
            show_default=False,
        ),
    ],
    retrofit: Retrofit = "",
    fact: Annotated[
        list[str] | None, typer.Option(help="What was learnt, as column=value; may be repeated.", show_default=False)
    ] = None,
    array: Array = "",
    remark: Annotated[str, typer.Option(help="Personal: kept, never shown unasked.", show_default=False)] = "",
    on: On = None,
    until: Annotated[
        datetime | None,
        typer.Option("--until", formats=["%Y-%m-%d"], help="Of later: leave in peace until.", show_default=False),
    ] = None,
    run: Annotated[
        str, typer.Option(help="Run whose offer it was about; default the newest of that day.", show_default=False)
    ] = "",
    json: AsJson = False,
) -> None:
    """Record what came of a call, with the facts learnt: all of it, or nothing if any of it cannot be right.

    A no on two days, or an objection, ends the permission to call that customer.

    Example: aftersun log call company.duckdb S001 --outcome no --retrofit bird_mesh --fact birds_seen=no
    """
    from aftersun.inventory.log.call_log import record_call
    from aftersun.inventory.store.file import Inventory

    entry = {
        "site_id": site,
        "called_on": day(on).isoformat(),
        "outcome": outcome,
        "retrofit": retrofit,
        "leave_until": "" if until is None else until.date().isoformat(),
        "run_id": run,
        "remark": remark,
        "array_id": array,
    }
    facts = _facts(fact or [])
    with Inventory.open(inventory) as opened:
        done = record_call(opened, entry, facts)
    if json:
        terminal.json(asdict(done))
        return
    terminal.result(f"Recorded as entry {done.entries[0]}; {done.facts} facts learnt.")
    _show_closed(done.closed)


@app.command()
def fact(
    inventory: InventoryFile,
    site: Site,
    facts: Annotated[list[str], typer.Argument(help="column=value, one or more.", show_default=False)],
    origin: Annotated[
        str, typer.Option(help="Where it is from, for example 'visit'; name no person.", show_default=False)
    ],
    array: Array = "",
    on: On = None,
    json: AsJson = False,
) -> None:
    """Put facts learnt elsewhere than on the phone into the inventory, with day and origin; all or none.

    Example: aftersun log fact company.duckdb S001 birds_seen=yes storeys=2 --origin "visit"
    """
    from aftersun.inventory.log.call_log import learn
    from aftersun.inventory.store.file import Inventory

    told = _facts(facts)
    with Inventory.open(inventory) as opened:
        count = learn(opened, site, told, origin, day(on).isoformat(), array)
    if json:
        terminal.json({"facts": count})
        return
    terminal.result(f"{count} facts learnt; what they replace is kept.")


@app.command()
def offer(
    inventory: InventoryFile,
    site: Site,
    retrofit: Retrofit,
    price: Annotated[float, typer.Option(help="To the customer, tax included.", show_default=False)],
    currency: Annotated[str, typer.Option(help="Currency of the price.", show_default=False)],
    on: On = None,
    until: Annotated[
        datetime | None,
        typer.Option("--until", formats=["%Y-%m-%d"], help="Last day it holds.", show_default=False),
    ] = None,
    json: AsJson = False,
) -> None:
    """Keep that an offer was made. Later calls about it settle whether it is open, taken, declined or carried out.

    Example: aftersun log offer company.duckdb S001 --retrofit bird_mesh --price 690 --currency EUR
    """
    from aftersun.inventory.log.call_log import make_offer
    from aftersun.inventory.store.file import Inventory

    with Inventory.open(inventory) as opened:
        number = make_offer(opened, site, retrofit, price, currency, day(on), None if until is None else until.date())
    if json:
        terminal.json({"offer": number})
        return
    terminal.result(f"Kept as offer {number}.")


@app.command()
def load(
    inventory: InventoryFile,
    file: Annotated[Path, typer.Argument(help="Table as CSV, XLSX or Parquet.", show_default=False)],
    rejects: Annotated[
        Path | None,
        typer.Option(help="File for rows that cannot be recorded; default beside the table.", show_default=False),
    ] = None,
    json: AsJson = False,
) -> None:
    """Record many calls from a table. Rows that cannot be right go into a file, to be mended and loaded.

    Columns: site_id, called_on, outcome; then as wanted retrofit, leave_until, run_id, remark, array_id and, as facts
    learnt, any column of the tables site, array and tariff. Loading the same table again changes nothing.

    Example: aftersun log load company.duckdb calls-of-may.csv
    """
    from aftersun.inventory.log.call_table import load_calls
    from aftersun.inventory.store.file import Inventory

    with Inventory.open(inventory) as opened:
        report = load_calls(opened, file, rejects)
    if json:
        terminal.json(asdict(report))
    else:
        terminal.result(
            f"{file.name}: {report.rows_read} rows, {report.recorded} recorded, {report.known} in the log already, "
            f"{report.rejected} rejected; {report.facts} facts learnt"
        )
        for problem in report.problems:
            terminal.paragraph(problem, indent=2, hang=2)
        _show_closed(report.closed)
    if report.rejects is not None:
        terminal.message(f"Rejected rows are in {report.rejects}: mend them there and load that file.")
        raise typer.Exit(EXIT_LOSSES)


@app.command()
def show(
    inventory: InventoryFile,
    site: Annotated[str, typer.Argument(help="Number of the site; all if left out.", show_default=False)] = "",
    remarks: Annotated[bool, typer.Option("--remarks", help="Show the remarks too; they are personal.")] = False,
    json: AsJson = False,
) -> None:
    """Show the calls, offers and facts learnt, of one site or all.

    Example: aftersun log show company.duckdb S001
    """
    from aftersun.inventory.log.call_log import entries, offers
    from aftersun.inventory.log.learnt_facts import facts
    from aftersun.inventory.store.file import Inventory
    from aftersun.inventory.store.read import sites

    with Inventory.open(inventory, read_only=True) as opened:
        if site and site not in set(sites(opened)["site_id"]):
            raise AftersunError("There is no such site in the inventory.", "Check the number (column site_id).")
        found = {
            "calls": _records(entries(opened, site or None, remarks)),
            "offers": _records(offers(opened, site or None)),
            "facts": _records(facts(opened, site or None)),
        }
    if json:
        terminal.json(found)
        return
    names = ["entry", "called_on", "site_id", "outcome", "retrofit", "leave_until"]
    _table("Calls", found["calls"], [*names, "remark"] if remarks else names)
    _table("Offers", found["offers"], ["offer", "made_on", "site_id", "retrofit", "price", "currency", "state"])
    for row in found["facts"]:
        row["replaced"] = "yes" if row["replaced"] else ""
    about = ["learnt_on", "row_key", "column_name", "previous_value", "value", "origin", "replaced"]
    _table("Facts learnt", found["facts"], about)


@app.command()
def chances(inventory: InventoryFile, json: AsJson = False) -> None:
    """Show what the log says of the chances that a call is answered and that the answer is yes.

    Both begin with a prior that few calls hardly move. The range holds the chance with 80 % probability.

    Example: aftersun log chances company.duckdb
    """
    from aftersun.inventory.log.call_log import entries
    from aftersun.inventory.store.file import Inventory
    from aftersun.scoring.calls.acceptance import chance_of_contact, chance_of_yes

    with Inventory.open(inventory, read_only=True) as opened:
        log = entries(opened)
    yes = chance_of_yes(log).reset_index().to_dict("records")
    contact, answered, attempts = chance_of_contact(log)
    low, high = contact.interval()
    if json:
        reached = {"answered": answered, "attempts": attempts, "chance": contact.mean, "low": low, "high": high}
        terminal.json({"contact": reached, "yes": yes})
        return
    terminal.result(f"A call is answered: {contact.mean:.0%} ({low:.0%} to {high:.0%}); {answered} of {attempts} were.")
    if yes:
        header = ("retrofit", "yes", "answered", "chance", "range")
        rows = [
            (str(r["retrofit"]), str(r["yes"]), str(r["answered"]), f"{r['chance']:.1%}", _range(r["low"], r["high"]))
            for r in yes
        ]
        terminal.table(header, rows, "<>>>>")


def _range(low: float, high: float) -> str:
    return f"{low:.1%} to {high:.1%}"


def _facts(given: Sequence[str]) -> dict[str, str]:
    """Split column=value; what cannot be split is named by its place, as it may be a customer's data."""
    facts: dict[str, str] = {}
    for place, text in enumerate(given, start=1):
        name, sign, value = text.partition("=")
        name = name.strip().casefold()
        if not sign or not name:
            raise AftersunError(f"Fact {place} is not written as column=value.", "For example birds_seen=yes.")
        if name in facts:
            raise AftersunError(f"{name} is told twice.", "Tell each column once.")
        facts[name] = value
    return facts


def _show_closed(closed: Sequence[str]) -> None:
    for customer_id in closed:
        terminal.result(f"Customer {customer_id} may not be called any more: contact_allowed is no.")


def _records(frame: pd.DataFrame) -> list[dict[Hashable, Any]]:
    plain = frame.astype(object).where(frame.notna(), None)
    rows = plain.to_dict("records")
    # A mere day is written without its midnight; moments of recording stay whole.
    return [
        {
            name: value.date() if isinstance(value, datetime) and name != "recorded_at" else value
            for name, value in row.items()
        }
        for row in rows
    ]


def _table(title: str, rows: Sequence[dict[Hashable, Any]], names: Sequence[str]) -> None:
    terminal.heading(title)
    if not rows:
        terminal.result("none")
        return
    terminal.table(names, [[_cell(row[name]) for name in names] for row in rows])


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return value.isoformat() if isinstance(value, date) else str(value)
