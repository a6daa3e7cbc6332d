"""Commands on work that was done."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from aftersun.cli.call_log import On, check_site, facts_of, show_records, show_stored
from aftersun.cli.declaring import argument, day, flag, group, option
from aftersun.cli.options import AsJson, InventoryFile, Site, SiteOrAll, opened
from aftersun.cli.terminal import terminal

app = group(help="Work that was done: what, when, hours, parts, price, who.")


@app.command()
def done(
    inventory: InventoryFile,
    site: Site,
    retrofit: Annotated[str, option("job.retrofit")],
    on: On = None,
    hours: Annotated[float | None, option("job.hours", min=0)] = None,
    price: Annotated[float | None, option("job.price", min=0)] = None,
    currency: Annotated[str, option("job.currency")] = "",
    parts: Annotated[str, option("job.parts")] = "",
    crew: Annotated[str, option("job.crew")] = "",
    photo: Annotated[list[str] | None, option("job.photo")] = None,
    variant: Annotated[str, option("job.variant")] = "",
    promised: Annotated[float | None, option("job.promised")] = None,
    fact: Annotated[list[str] | None, option("job.fact")] = None,
    remark: Annotated[str, option("job.remark")] = "",
    json: AsJson = False,
) -> None:
    """Record work that was done, with what it took: all of it, or nothing if any of it cannot be right.

    It is entered in the call log as done and counts as fitted, and what such work makes true of a site is changed
    there. An entry that was wrong is corrected with 'log correct'.

    Example: aftersun job done company.duckdb S001 --retrofit bird_mesh --hours 11.5 --price 980 --currency NOK
    """
    from aftersun.inventory.log.call_log import DONE, record_call
    from aftersun.inventory.log.learnt_facts import dangers_that_work_may_end

    numbers = {"hours": hours, "price": price, "promised_kwh": promised}
    entry = {
        "site_id": site,
        "called_on": day(on).isoformat(),
        "outcome": DONE,
        "retrofit": retrofit,
        "remark": remark,
        "currency": currency,
        "parts": parts,
        "crew": crew,
        "photos": ";".join(photo or ()),
        "variant": variant,
        **{name: f"{value:.15g}" for name, value in numbers.items() if value is not None},
    }
    with opened(inventory, read_only=False) as target:
        recorded = record_call(target, entry, facts_of(fact))
        standing = dangers_that_work_may_end(target, site)
    entries = ", ".join(map(str, recorded.entries))
    terminal.answer(json, recorded, f"Recorded as entry {entries} of the call log; {recorded.facts} facts changed.")
    for name, value, mended in standing:
        terminal.message(
            f"On record at {site}: {name} = {value}. If this work has ended it: "
            f'aftersun log fact {inventory} {site} {name}={mended} --origin "work done"'
        )


@app.command()
def load(
    inventory: InventoryFile,
    file: Annotated[Path, argument("job.file")],
    rejects: Annotated[Path | None, option("call_log.rejects")] = None,
    json: AsJson = False,
) -> None:
    """Record work done from a table: site_id, done_on, retrofit, and whatever else is known of it.

    Rows that cannot be right go into a file, to be corrected and loaded. The same table again changes nothing.

    Example: aftersun job load company.duckdb jobs-of-may.csv
    """
    from aftersun.inventory.log.call_table import read_calls, store_table
    from aftersun.inventory.store.file import Inventory

    Inventory.open(inventory).close()  # before anything is read, whether it can be written to
    table = read_calls(file, of_work=True)
    with opened(inventory, read_only=False) as target:
        report = store_table(target, table, rejects)
    show_stored(file, report, json)


@app.command()
def show(
    inventory: InventoryFile,
    site: SiteOrAll = None,
    crew: Annotated[bool, flag("job.show_crew", "--crew")] = False,
    json: AsJson = False,
) -> None:
    """Show the work done, of one site or all.

    Example: aftersun job show company.duckdb S001
    """
    from aftersun.inventory.log.jobs import jobs

    with opened(inventory) as source:
        check_site(source, site)
        done = jobs(source, site, crew)
    if json:
        terminal.json(done)
        return
    names = ["entry", "done_on", "site_id", "retrofit", "hours", "price", "currency", "promised_kwh"]
    show_records("Work done", done, [*names, "crew", "parts", "photos"] if crew else names)
