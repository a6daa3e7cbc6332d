"""Commands that rank and show results."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated, Any

import typer

from aftersun.cli.options import AsJson, AsOf, CompanyFile, InventoryFile, PluginFolder, company_path, day
from aftersun.cli.terminal import terminal
from aftersun.model.errors import EXIT_LOSSES

CORES = os.cpu_count() or 1

Workers = Annotated[int, typer.Option(min=1, help="Processes to compute with; default one a core.")]
PluginSeconds = Annotated[
    float,
    typer.Option(
        "--plugin-seconds", min=0.1, help="What a plugin may take for one answer before it is left out of the run."
    ),
]
Count = Annotated[int, typer.Option("--first", min=1, help="How many calls to show.")]


def add_to(app: typer.Typer) -> None:
    """Add the commands to the program."""
    for command in (demo, rank, calls, ask, explain, suppose, compare, retrofits):
        app.command()(command)


def demo(
    folder: Annotated[Path, typer.Argument(help="New folder for the demo.", show_default=False)],
    workers: Workers = CORES,
) -> None:
    """Make an invented company with invented roofs, load, rank, and show the first calls.

    Example: aftersun demo aftersun-demo
    """
    from aftersun.cli.show import first_site, show_calls, show_failures, show_summary
    from aftersun.scoring.run.demo import make_demo
    from aftersun.scoring.run.rank import Settings
    from aftersun.scoring.run.rank import rank as run_rank

    made = make_demo(folder)
    terminal.paragraph(
        f"Made an invented company with invented roofs in {folder}: {made.accepted} rows loaded, {made.rejected} rows "
        "rejected on purpose and kept with their reasons."
    )
    settings = Settings(made.company, made.as_of, workers=workers)
    with terminal.progress("ranking") as progress:
        record = run_rank(made.inventory, settings, progress)
    show_calls(made.inventory, 10)
    show_summary(made.inventory)
    show_failures(record)
    terminal.heading("Where everything is")
    terminal.result(f"inventory with all results  {made.inventory}")
    terminal.result(f"company file, prices        {made.company}")
    terminal.result(f"tables it was loaded from   {made.tables}")
    terminal.result(f"rejected rows               aftersun inventory rejects {made.inventory}")
    terminal.result(f"all that leaves the office  aftersun write {made.inventory} --to {folder / 'run'}")
    terminal.result(f"one roof in full            aftersun explain {made.inventory} {first_site(made.inventory)}")
    if record.failures:
        raise typer.Exit(EXIT_LOSSES)


def rank(
    inventory: InventoryFile,
    company: CompanyFile = None,
    as_of: AsOf = None,
    plugins_from: PluginFolder = None,
    workers: Workers = CORES,
    first: Count = 10,
    no_ranges: Annotated[
        bool,
        typer.Option("--no-ranges", help="Leave out how sure it all is; takes about half of the time."),
    ] = False,
    afresh: Annotated[
        bool, typer.Option("--afresh", help="Do not go on with a run that was stopped; begin anew.")
    ] = False,
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler",
            help="Compute on the workers of this Dask scheduler, for example tcp://host:8786. Each needs this program "
            "and its installed plugins in the same versions; data and one-file plugins are sent to them.",
            show_default=False,
        ),
    ] = None,
    plugin_seconds: PluginSeconds = 300.0,
    json: AsJson = False,
) -> None:
    """Evaluate every retrofit on every roof, store the ranking, and list the first calls.

    A run that is stopped keeps its finished chunks beside the inventory; rank again, with all the same, to go on.

    Example: aftersun rank company.duckdb --company company.toml
    """
    from aftersun.cli.show import calls_as_data, show_calls, show_failures, show_summary
    from aftersun.scoring.run.rank import Settings
    from aftersun.scoring.run.rank import rank as run_rank

    settings = Settings(
        company_path(company, inventory),
        day(as_of),
        plugins_from,
        workers,
        not no_ranges,
        scheduler,
        afresh,
        plugin_seconds=plugin_seconds,
    )
    with terminal.progress("ranking") as progress:
        record = run_rank(inventory, settings, progress, terminal.message)
    if json:
        terminal.json(calls_as_data(inventory, first))
    else:
        show_calls(inventory, first)
        show_summary(inventory)
        terminal.result()
        terminal.result(f"Stored as run {record.run_id} in {inventory}.")
    show_failures(record)
    if record.failures:
        raise typer.Exit(EXIT_LOSSES)


def calls(inventory: InventoryFile, first: Count = 10, json: AsJson = False) -> None:
    """Show the call list of the last run: whom to call first, why, and what can hurt someone.

    Example: aftersun calls company.duckdb --first 20
    """
    from aftersun.cli.show import calls_as_data, show_calls

    if json:
        terminal.json(calls_as_data(inventory, first))
    else:
        show_calls(inventory, first)


def ask(
    inventory: InventoryFile,
    site: Annotated[str | None, typer.Argument(help="One site only.", show_default=False)] = None,
    json: AsJson = False,
) -> None:
    """Show what to ask on the phone and which visit to make first: what an answer is worth before it is known.

    Example: aftersun ask company.duckdb S0160
    """
    from aftersun.cli.ask import questions_as_data, show_questions

    if json:
        terminal.json(questions_as_data(inventory, site))
    else:
        show_questions(inventory, site)


def explain(
    inventory: InventoryFile,
    site: Annotated[str, typer.Argument(help="Number of the site (column site_id).", show_default=False)],
    stored_only: Annotated[
        bool, typer.Option("--stored-only", help="Leave out what takes computing: questions, and what moves the worth.")
    ] = False,
    json: AsJson = False,
) -> None:
    """Show one roof in full: energy, every retrofit with costs and safety notes, and why it is advised or not.

    Beside the stored run it says what moves each result most and which answers of the customer could turn the advice.

    Example: aftersun explain company.duckdb S0160
    """
    from aftersun.cli.explain import explain_as_data, show_explanation

    if json:
        terminal.json(explain_as_data(inventory, site, not stored_only))
    else:
        show_explanation(inventory, site, not stored_only)


def suppose(
    inventory: InventoryFile,
    change: Annotated[
        list[str],
        typer.Option(
            "--if",
            help="What is different, as place=value: site.COLUMN, tariff.COLUMN, RETROFIT.ASSUMPTION, or a line of the "
            "company file. Give it again for more.",
            show_default=False,
        ),
    ],
    site: Annotated[str | None, typer.Option(help="One site only.", show_default=False)] = None,
    workers: Workers = CORES,
    json: AsJson = False,
) -> None:
    """Compute the last run again with something different, and show both side by side; nothing is stored.

    Example: aftersun suppose company.duckdb --if tariff.export_price=0.15 --if bird_mesh.life_years=10
    """
    from aftersun.cli.show import show_failed
    from aftersun.cli.suppose import compared, comparison_as_data, show_comparison

    comparison, view = compared(inventory, change, site, workers)
    if json:
        terminal.json(comparison_as_data(comparison, view))
    else:
        show_comparison(comparison, view, change, site)
    show_failed([(failure.plugin, failure.during, failure.reason) for failure in comparison.failures])
    if comparison.failures:
        raise typer.Exit(EXIT_LOSSES)


def compare(
    inventory: InventoryFile,
    first: Annotated[
        str | None, typer.Argument(help="Number of a run; default the last but one.", show_default=False)
    ] = None,
    second: Annotated[
        str | None, typer.Argument(help="Number of another; default the last.", show_default=False)
    ] = None,
    largest: Annotated[int, typer.Option(min=0, help="How many of the largest changes to show.")] = 10,
    json: AsJson = False,
) -> None:
    """Say why two stored runs differ: what they were made from, what came of it, and safety notes that only one has.

    Example: aftersun compare company.duckdb
    """
    from aftersun.cli.compare import compared, difference_as_data, show_difference

    found = compared(inventory, first, second, largest)
    if json:
        terminal.json(difference_as_data(found))
    else:
        show_difference(found)


def retrofits(
    company: Annotated[
        Path | None,
        typer.Option("--company", help="The company file, to see what it switches off.", show_default=False),
    ] = None,
    plugins_from: PluginFolder = None,
    json: AsJson = False,
) -> None:
    """List the installed retrofits, which of them the company has switched off, and what could not be loaded.

    Example: aftersun retrofits --company company.toml
    """
    from aftersun.host.registry import find_plugins
    from aftersun.money.company import load_company

    off = () if company is None else load_company(company).retrofits.off
    registry = find_plugins(folder=plugins_from)
    data: list[dict[str, Any]] = [
        {
            "id": loaded.id,
            "title": loaded.retrofit.about.title,
            "summary": loaded.retrofit.about.summary,
            "version": loaded.retrofit.about.version,
            "state": "off" if loaded.id in off or loaded.plugin in off else "on",
            "plugin": loaded.plugin,
            "origin": loaded.origin,
        }
        for loaded in registry.retrofits
    ]
    failures = [{"plugin": f.plugin, "during": f.during, "reason": f.reason} for f in registry.failures]
    if json:
        terminal.json({"retrofits": data, "failures": failures})
    else:
        for row in data:
            terminal.result(f"{row['id']}  {row['version']}  {row['state']}  ({row['origin']})")
            terminal.paragraph(row["summary"], indent=4)
        for failure in failures:
            terminal.result(f"{failure['plugin']}  failed")
    for failure in failures:
        terminal.message(f"plugin {failure['plugin']} failed to {failure['during']}: {failure['reason']}")
    if failures:
        raise typer.Exit(EXIT_LOSSES)
