"""Commands that rank, and that show what a stored run says."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from aftersun.cli.declaring import argument, day, flag, option
from aftersun.cli.options import (
    CORES,
    AsJson,
    AsOf,
    CompanyFile,
    InventoryFile,
    PluginFolder,
    Site,
    SiteOrAll,
    SwitchedOffBy,
    Workers,
    numbers_of,
    remind_of_copy,
    stored_run,
)
from aftersun.cli.terminal import terminal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from aftersun.inventory.runs.stored_runs import RunRecord
    from aftersun.scoring.run.site_detail import CloserLook

Count = Annotated[int, option("ranking.first", "--first", min=1, show_default=True)]
OneSite = Annotated[str | None, option("ranking.site", "--site")]


def demo(folder: Annotated[Path, argument("ranking.folder")], workers: Workers = CORES) -> None:
    """Make an invented company with invented roofs, load, rank, and show the first calls.

    Example: aftersun demo aftersun-demo
    """
    from aftersun.cli.call_list import first_site, show_calls
    from aftersun.scoring.run.demo import make_demo
    from aftersun.scoring.run.rank import Settings
    from aftersun.scoring.run.rank import rank as run_rank

    made = make_demo(folder)
    terminal.paragraph(
        f"Made an invented company with invented roofs in {folder}: {made.accepted} rows loaded, {made.rejected} rows "
        "rejected on purpose and kept with their reasons."
    )
    with terminal.progress("ranking") as progress:
        record = run_rank(made.inventory, Settings(made.company, made.as_of, workers=workers), progress)
    with stored_run(made.inventory) as view:
        show_calls(view, 10)
        first = first_site(view)
    terminal.heading("Where everything is")
    terminal.result(
        f"inventory with all results  {made.inventory}",
        f"company file, prices        {made.company}",
        f"tables it was loaded from   {made.tables}",
        f"rejected rows               aftersun inventory rejects {made.inventory}",
        f"all that leaves the office  aftersun write {made.inventory} --to {folder / 'run'}",
        f"one roof in full            aftersun explain {made.inventory} {first}",
    )
    _end_with(record)


def rank(
    inventory: InventoryFile,
    company: CompanyFile = None,
    as_of: AsOf = None,
    plugins_from: PluginFolder = None,
    workers: Workers = CORES,
    first: Count = 10,
    no_ranges: Annotated[bool, flag("ranking.no_ranges", "--no-ranges")] = False,
    no_resume: Annotated[bool, flag("ranking.no_resume", "--no-resume")] = False,
    scheduler: Annotated[str | None, option("ranking.scheduler")] = None,
    plugin_seconds: Annotated[float, option("ranking.plugin_seconds", min=0.1, show_default=True)] = 300.0,
    json: AsJson = False,
) -> None:
    """Evaluate every retrofit on every roof, store the ranking, and list the first calls.

    A run that is stopped keeps its finished chunks beside the inventory; rank again, with all the same, to go on.

    Example: aftersun rank company.duckdb --company company.toml
    """
    from aftersun.cli.call_list import calls_as_data, show_calls
    from aftersun.scoring.run.rank import Settings
    from aftersun.scoring.run.rank import rank as run_rank

    settings = Settings(
        inventory.parent / "company.toml" if company is None else company,
        day(as_of),
        plugins_from,
        workers,
        not no_ranges,
        scheduler,
        no_resume,
        plugin_seconds=plugin_seconds,
    )
    with terminal.progress("ranking") as progress:
        record = run_rank(inventory, settings, progress, terminal.message)
    with stored_run(inventory) as view:
        if json:
            terminal.json(calls_as_data(view, first))
        else:
            show_calls(view, first)
            terminal.result("", f"Stored as run {record.run_id} in {inventory}.")
        remind_of_copy(view.inventory)
    _end_with(record)


def _end_with(record: RunRecord) -> None:
    from aftersun.host.asking import Failure

    failures = [Failure(**failure) for failure in record.failures]
    terminal.end_with(failures, "The results of all other retrofits are complete.")


def calls(
    inventory: InventoryFile,
    first: Count = 10,
    in_full: Annotated[bool, flag("ranking.calls_in_full", "--all")] = False,
    json: AsJson = False,
) -> None:
    """Show the call list of the last run: hazards to notify, calls to make, and every safety note once.

    With --all also what to say and ask, what to offer in passing, the month's capacity, and who is not called and why.

    Example: aftersun calls company.duckdb --first 20
    """
    from aftersun.cli.call_list import calls_as_data, show_calls

    with stored_run(inventory) as view:
        if json:
            terminal.json(calls_as_data(view, first))
        else:
            show_calls(view, first, in_full)


def ask(inventory: InventoryFile, site: SiteOrAll = None, json: AsJson = False) -> None:
    """Show what to ask on the phone and which visit to make first, by what the answer is worth.

    Example: aftersun ask company.duckdb S0160
    """
    from aftersun.cli.questions import show_questions

    with stored_run(inventory) as view:
        questions = view.questions(site)
        if json:
            about = {"run_id": view.run_id, "currency": view.currency, "may_not_be_called": view.may_not_be_called()}
            terminal.json({**about, "questions": questions})
        else:
            show_questions(view, questions, site)


def explain(
    inventory: InventoryFile,
    site: Site,
    retrofit: Annotated[list[str] | None, option("ranking.retrofit")] = None,
    in_full: Annotated[bool, flag("ranking.in_full", "--all")] = False,
    stored_only: Annotated[bool, flag("ranking.stored_only", "--stored-only")] = False,
    json: AsJson = False,
) -> None:
    """Show one roof: what is advised of every retrofit, price, net benefit, payback, what to ask and safety notes.

    With --retrofit, or with --all, in full: energy, costs, claims, notes, what the net benefit is most sensitive to.

    Example: aftersun explain company.duckdb S0160 --retrofit hot_water_diverter
    """
    from aftersun.cli.site_report import report_as_data, show_report, show_verdicts

    with stored_run(inventory) as view:
        view.facts(site)  # there is such a site
        only, run = view.retrofits_named(retrofit), view.run
    look = None
    if (in_full or only) and not stored_only:
        look = _closer_look(inventory, run, site, None if in_full else only)
    with stored_run(inventory, run.run_id) as view:
        if json:
            terminal.json(report_as_data(view, site, look))
        elif in_full or only:
            show_report(view, site, look, view.titles() if in_full else only)
        else:
            show_verdicts(view, site)


def _closer_look(inventory: Path, run: RunRecord, site: str, only: Sequence[str] | None) -> CloserLook | None:
    from aftersun.scoring.run.site_detail import look_closer
    from aftersun.scoring.value.cohorts import read_portfolio

    with stored_run(inventory, run.run_id) as view:
        portfolio = read_portfolio(view.inventory, run.as_of, site_id=site)
    with terminal.progress("looking closer") as progress:
        return look_closer(portfolio, run, progress, only)


def what_if(
    inventory: InventoryFile,
    changes: Annotated[list[str], option("ranking.changes", "--if")],
    site: OneSite = None,
    workers: Workers = CORES,
    json: AsJson = False,
) -> None:
    """Compute the last run again with something different, and show both side by side; nothing is stored.

    Example: aftersun what-if company.duckdb --if tariff.export_price=0.15 --if bird_mesh.life_years=10
    """
    from aftersun.cli.what_if import comparison_as_data, show_comparison
    from aftersun.scoring.run.what_if import run_with_changes
    from aftersun.scoring.value.cohorts import read_portfolio

    if site is not None:
        site = numbers_of(inventory, [site])[0]
    with stored_run(inventory) as view:
        if site is not None:
            view.facts(site)  # there is such a site
        run, before = view.run, view.table("ranking", site)
        portfolio = read_portfolio(view.inventory, run.as_of, site_id=site)
    with terminal.progress("computing") as progress:
        comparison = run_with_changes(portfolio, run, before, changes, progress, workers)
    with stored_run(inventory, run.run_id) as view:
        if json:
            terminal.json(comparison_as_data(view, comparison))
        else:
            show_comparison(view, comparison, changes, site)
    terminal.end_with(comparison.failures, "The results of all other retrofits are complete.")


def compare(
    inventory: InventoryFile,
    first: Annotated[str | None, argument("ranking.first_run")] = None,
    second: Annotated[str | None, argument("ranking.second_run")] = None,
    largest: Annotated[int, option("ranking.largest", min=0, show_default=True)] = 10,
    json: AsJson = False,
) -> None:
    """Say why two stored runs differ: what they were made from, what came of it, and safety notes that only one has.

    Example: aftersun compare company.duckdb
    """
    from aftersun.cli.comparison import difference_as_data, show_difference
    from aftersun.documents.compare import compare as compare_runs
    from aftersun.inventory.store.file import Inventory

    with Inventory.copied(inventory) as (source, _):
        difference = compare_runs(source, first, second, largest)
    if json:
        terminal.json(difference_as_data(difference))
    else:
        show_difference(difference)


def retrofits(company: SwitchedOffBy = None, plugins_from: PluginFolder = None, json: AsJson = False) -> None:
    """List the installed retrofits, which of them the company has switched off, and what could not be loaded.

    Example: aftersun retrofits --company company.toml
    """
    from aftersun.host.registry import find_plugins
    from aftersun.money.company import load_company

    off = () if company is None else load_company(company).retrofits.off
    registry = find_plugins(folder=plugins_from)
    rows = [
        {
            "id": loaded.id,
            **{name: getattr(loaded.retrofit.about, name) for name in ("title", "summary", "version")},
            "state": "off" if loaded.id in off or loaded.plugin in off else "on",
            "plugin": loaded.plugin,
            "origin": loaded.origin,
        }
        for loaded in registry.retrofits
    ]
    if json:
        terminal.json({"retrofits": rows, "failures": registry.failures})
    else:
        for row in rows:
            terminal.result(f"{row['id']}  {row['version']}  {row['state']}  ({row['origin']})")
            terminal.paragraph(str(row["summary"]), indent=4)
        terminal.result(*(f"{failure.plugin}  failed" for failure in registry.failures))
    terminal.end_with(registry.failures)


COMMANDS = (demo, rank, calls, ask, explain, what_if, compare, retrofits)
