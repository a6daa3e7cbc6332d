"""Commands on the call log: what came of calls, what was learnt, what was offered."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from aftersun.cli.declaring import argument, day, day_option, day_or_none, flag, group, option, pairs
from aftersun.cli.options import AsJson, InventoryFile, Site, SiteOrAll, numbers_of, opened
from aftersun.cli.terminal import terminal
from aftersun.model.errors import EXIT_LOSSES, AftersunError

if TYPE_CHECKING:
    import pandas as pd

    from aftersun.inventory.log.call_table import CallsReport
    from aftersun.inventory.store.file import Inventory

app = group(help="The call log: what came of calls, what was learnt, what was offered.")

Retrofit = Annotated[str, option("call_log.retrofit")]
On = Annotated[datetime | None, day_option("call_log.on", "--on")]
Array = Annotated[str, option("call_log.array")]


@app.command()
def call(
    inventory: InventoryFile,
    site: Site,
    outcome: Annotated[str, option("call_log.outcome")],
    retrofit: Retrofit = "",
    fact: Annotated[list[str] | None, option("call_log.fact")] = None,
    array: Array = "",
    remark: Annotated[str, option("call_log.remark")] = "",
    on: On = None,
    until: Annotated[datetime | None, day_option("call_log.call_until", "--until")] = None,
    run: Annotated[str, option("call_log.run")] = "",
    json: AsJson = False,
) -> None:
    """Record what came of a call, with the facts learnt: all of it, or nothing if any of it cannot be right.

    A no on two days, or an objection, ends the permission to call that customer.

    Example: aftersun log call company.duckdb S001 --outcome no --retrofit bird_mesh --fact birds_seen=no
    """
    from aftersun.inventory.log.call_log import DONE, record_call
    from aftersun.inventory.log.learnt_facts import dangers_that_work_may_end

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
    facts = facts_of(fact)
    with opened(inventory, read_only=False) as target:
        done = record_call(target, entry, facts)
        standing = dangers_that_work_may_end(target, site) if outcome == DONE else []
    lines = [f"Recorded as entry {done.entries[0]}; {done.facts} facts learnt.", *closed_contacts(done.closed)]
    terminal.answer(json, done, *lines)
    for name, value, mended in standing:
        terminal.message(
            f"On record at {site}: {name} = {value}. If this work has ended it: "
            f'aftersun log fact {inventory} {site} {name}={mended} --origin "work done"'
        )


@app.command()
def correct(
    inventory: InventoryFile,
    entry: Annotated[int, argument("call_log.entry")],
    why: Annotated[str, option("call_log.why")],
    site: Annotated[str | None, option("call_log.site")] = None,
    outcome: Annotated[str | None, option("call_log.right_outcome")] = None,
    retrofit: Annotated[str | None, option("call_log.retrofit")] = None,
    fact: Annotated[list[str] | None, option("call_log.right_fact")] = None,
    array: Annotated[str | None, option("call_log.array")] = None,
    remark: Annotated[str | None, option("call_log.remark")] = None,
    on: Annotated[datetime | None, day_option("call_log.right_on", "--on")] = None,
    until: Annotated[datetime | None, day_option("call_log.call_until", "--until")] = None,
    withdraw: Annotated[bool, flag("call_log.withdraw", "--withdraw")] = False,
    although_objection: Annotated[bool, flag("call_log.although_objection", "--although-objection")] = False,
    although_danger: Annotated[bool, flag("call_log.although_danger", "--although-danger")] = False,
    json: AsJson = False,
) -> None:
    """Correct an entry: say what was otherwise. The old entry stays on record as corrected and counts no more.

    What it alone brought about is taken back. A call about several retrofits has an entry for each.

    Example: aftersun log correct company.duckdb 12 --site S002 --why "typed into the wrong house"
    """
    from aftersun.inventory.log.corrections import correct_call

    if site is not None:
        site = numbers_of(inventory, [site])[0]
    said = {
        "site_id": site,
        "outcome": outcome,
        "retrofit": retrofit,
        "called_on": None if on is None else on.date().isoformat(),
        "leave_until": None if until is None else until.date().isoformat(),
        "remark": remark,
        "array_id": array,
    }
    changes = {name: value for name, value in said.items() if value is not None}
    facts = facts_of(fact)
    with opened(inventory, read_only=False) as target:
        done = correct_call(target, entry, why, changes, facts, withdraw, although_objection, although_danger)
    instead = f"entry {done.entries[0]} replaces it" if done.entries else "nothing replaces it"
    lines = [f"Entry {entry} is kept as corrected and counts no more; {instead}."]
    lines += [f"No longer as it said: {cell}." for cell in done.taken_back]
    lines += [
        f"Still as it said: {cell}. Something else says so too, or it is not known what was there before."
        for cell in done.left
    ]
    lines += [f"Customer {number}: the permission to call is as it was before." for number in done.reopened]
    lines += [
        f"Customer {number} may still not be called, as a table loaded since may have said so: load what holds now."
        for number in done.still_closed
    ]
    terminal.answer(json, done, *lines, *closed_contacts(done.closed))


@app.command()
def fact(
    inventory: InventoryFile,
    site: Site,
    facts: Annotated[list[str], argument("call_log.facts")],
    origin: Annotated[str, option("call_log.origin")],
    array: Array = "",
    on: On = None,
    json: AsJson = False,
) -> None:
    """Put facts learnt elsewhere than on the phone into the inventory, with day and origin; all or none.

    Example: aftersun log fact company.duckdb S001 birds_seen=yes storeys=2 --origin "visit"
    """
    from aftersun.inventory.log.call_log import learn

    learnt = facts_of(facts)
    with opened(inventory, read_only=False) as target:
        count = learn(target, site, learnt, origin, day(on).isoformat(), array)
    terminal.answer(json, {"facts": count}, f"{count} facts learnt; what they replace is kept.")


@app.command()
def take_back(
    inventory: InventoryFile,
    number: Annotated[int, argument("call_log.fact_number")],
    why: Annotated[str, option("call_log.why")],
    although_danger: Annotated[bool, flag("call_log.although_danger", "--although-danger")] = False,
    json: AsJson = False,
) -> None:
    """Take back a fact that was put in with 'log fact': what was before it counts again, and it stays on record.

    A fact learnt in a call is corrected with its entry, by 'log correct'.

    Example: aftersun log take-back company.duckdb 7 --why "typed into the wrong house"
    """
    from aftersun.inventory.log.corrections import take_fact_back

    with opened(inventory, read_only=False) as target:
        gone, left = take_fact_back(target, number, why, although_danger)
    lines = [f"Fact {number} is kept as taken back and counts no more."]
    lines += [f"No longer as it said: {cell}." for cell in gone]
    lines += [f"Still as it said: {cell}. Something else says so too." for cell in left]
    terminal.answer(json, {"taken_back": gone, "left": left}, *lines)


@app.command()
def offer(
    inventory: InventoryFile,
    site: Site,
    retrofit: Retrofit,
    price: Annotated[float, option("call_log.price")],
    currency: Annotated[str, option("call_log.currency")],
    on: On = None,
    until: Annotated[datetime | None, day_option("call_log.offer_until", "--until")] = None,
    json: AsJson = False,
) -> None:
    """Keep that an offer was made. Later calls about it settle whether it is open, taken, declined or carried out.

    Example: aftersun log offer company.duckdb S001 --retrofit bird_mesh --price 690 --currency EUR
    """
    from aftersun.inventory.log.call_log import make_offer

    with opened(inventory, read_only=False) as target:
        number = make_offer(target, site, retrofit, price, currency, day(on), day_or_none(until))
    terminal.answer(json, {"offer": number}, f"Kept as offer {number}.")


@app.command()
def load(
    inventory: InventoryFile,
    file: Annotated[Path, argument("call_log.file")],
    rejects: Annotated[Path | None, option("call_log.rejects")] = None,
    json: AsJson = False,
) -> None:
    """Record many calls from a table. Rows that cannot be right go into a file, to be corrected and loaded.

    Columns: site_id, called_on, outcome; then as wanted retrofit, leave_until, run_id, remark, array_id and, as facts
    learnt, any column of the tables site, array and tariff. Loading the same table again changes nothing.

    Example: aftersun log load company.duckdb calls-of-may.csv
    """
    from aftersun.inventory.log.call_table import read_calls, store_table
    from aftersun.inventory.store.file import Inventory

    Inventory.open(inventory).close()  # before anything is read, whether it can be written to
    table = read_calls(file)
    with opened(inventory, read_only=False) as target:
        report = store_table(target, table, rejects)
    show_stored(file, report, json)


def show_stored(file: Path, report: CallsReport, json: bool) -> None:
    """Print what came of a table of calls or work; ends with 3 where rows were rejected."""
    if json:
        terminal.json(report)
    else:
        terminal.result(
            f"{file.name}: {report.rows_read} rows, {report.recorded} recorded, {report.known} on record already, "
            f"{report.rejected} rejected; {report.facts} facts learnt"
        )
        for problem in report.problems:
            terminal.paragraph(problem, indent=2, hang=2)
        terminal.result(*closed_contacts(report.closed))
    if report.rejects is not None:
        terminal.message(f"Rejected rows are in {report.rejects}: correct them there and load that file.")
        raise typer.Exit(EXIT_LOSSES)


@app.command()
def show(
    inventory: InventoryFile,
    site: SiteOrAll = None,
    remarks: Annotated[bool, flag("call_log.remarks", "--remarks")] = False,
    json: AsJson = False,
) -> None:
    """Show the calls, offers and facts learnt, of one site or all.

    Example: aftersun log show company.duckdb S001
    """
    from aftersun.inventory.log.call_log import entries, offers
    from aftersun.inventory.log.learnt_facts import facts

    with opened(inventory) as source:
        check_site(source, site)
        calls, made, learnt = entries(source, site, remarks, True), offers(source, site), facts(source, site)
    if json:
        terminal.json({"calls": calls, "offers": made, "facts": learnt})
        return
    into = "corrected, now " + calls["corrected_into"].astype("string")
    calls["corrected"] = into.fillna("corrected, no such call").where(calls["corrected_at"].notna(), "")
    calls["why"] = calls["corrected_why"].fillna("")
    names = ["entry", "called_on", "site_id", "outcome", "retrofit", "leave_until", "corrected", "why"]
    show_records("Calls", calls, [*names, "remark"] if remarks else names)
    show_records("Offers", made, ["offer", "made_on", "site_id", "retrofit", "price", "currency", "state"])
    learnt["replaced"] = learnt["replaced"].map({True: "yes", False: ""}).mask(learnt["corrected"], "corrected")
    about = ["fact", "learnt_on", "row_key", "column_name", "previous_value", "value", "origin", "replaced"]
    show_records("Facts learnt", learnt, about)


@app.command()
def chances(inventory: InventoryFile, json: AsJson = False) -> None:
    """Show what the log says of the chances that a call is answered and that the answer is yes.

    Both begin with a prior that few calls hardly move. The range holds the chance with 80 % probability.

    Example: aftersun log chances company.duckdb
    """
    from aftersun.inventory.log.call_log import entries
    from aftersun.scoring.calls.acceptance import chance_of_contact, chance_of_yes

    with opened(inventory) as source:
        log = entries(source)
    yes = chance_of_yes(log).reset_index()
    contact, answered, attempts = chance_of_contact(log)
    low, high = contact.interval()
    if json:
        reached = {"answered": answered, "attempts": attempts, "chance": contact.mean, "low": low, "high": high}
        terminal.json({"contact": reached, "yes": yes})
        return
    terminal.result(f"A call is answered: {contact.mean:.0%} ({low:.0%} to {high:.0%}); {answered} of {attempts} were.")
    rows = [
        (row["retrofit"], row["yes"], row["answered"], f"{row['chance']:.1%}", f"{row['low']:.1%} to {row['high']:.1%}")
        for row in yes.to_dict("records")
    ]
    if rows:
        terminal.table(("retrofit", "yes", "answered", "chance", "range"), rows, "<>>>>")


def facts_of(given: Sequence[str] | None) -> dict[str, str]:
    return pairs(given, "Fact", "column=value", "birds_seen=yes")


def closed_contacts(customers: Sequence[str]) -> list[str]:
    return [f"Customer {number} may not be called any more: contact_allowed is no." for number in customers]


def check_site(inventory: Inventory, site: str | None) -> None:
    """Refuse a site that the inventory does not have; None = all are meant."""
    from aftersun.inventory.store.read import sites

    if site and site not in set(sites(inventory)["site_id"]):
        raise AftersunError("There is no such site in the inventory.", "Check the number (column site_id).")


def show_records(title: str, rows: pd.DataFrame, names: Sequence[str]) -> None:
    """Print these columns of what is on record, under a title."""
    terminal.heading(title)
    if rows.empty:
        terminal.result("none")
    else:
        terminal.table(names, rows[list(names)].to_numpy(dtype=object).tolist())
