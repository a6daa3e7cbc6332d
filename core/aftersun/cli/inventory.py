"""Commands on the inventory file and the tables that are loaded into it."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from aftersun.cli.options import AsJson, InventoryFile
from aftersun.cli.terminal import terminal
from aftersun.model.errors import EXIT_LOSSES, AftersunError

if TYPE_CHECKING:
    from aftersun.inventory.loading.load import LoadReport

app = typer.Typer(help="The inventory file and its tables.", no_args_is_help=True, rich_markup_mode=None)


@app.command()
def create(inventory: InventoryFile) -> None:
    """Make a new, empty inventory.

    Example: aftersun inventory create company.duckdb
    """
    from aftersun.inventory.store.file import Inventory

    Inventory.create(inventory).close()
    terminal.result(f"Made {inventory}.")


@app.command()
def templates(folder: Annotated[Path, typer.Argument(help="Folder to write into; made if missing.")]) -> None:
    """Write empty tables to fill in, as CSV files and as one XLSX workbook, with units, limits and meanings.

    Example: aftersun inventory templates my-tables
    """
    from aftersun.inventory.loading.templates import write_templates

    for path in write_templates(folder):
        terminal.result(str(path))


@app.command()
def columns(table: Annotated[str, typer.Argument(help="Table to describe; all if left out.")] = "") -> None:
    """Describe the columns of the tables: type, unit, limits, meaning.

    Example: aftersun inventory columns site
    """
    from aftersun.inventory.store import dictionary

    if table and table not in dictionary.tables():
        raise AftersunError(f"There is no table '{table}'.", f"Tables: {', '.join(dictionary.tables())}.")
    for name in [table] if table else dictionary.tables():
        terminal.heading(name)
        for column in dictionary.columns(name):
            facts = [column.type, column.unit, column.limits, "required" if column.required else ""]
            terminal.result(f"{column.name}  ({'; '.join(fact for fact in facts if fact)})")
            terminal.paragraph(column.meaning, indent=4)


@app.command()
def load(
    inventory: InventoryFile,
    files: Annotated[list[Path], typer.Argument(help="Tables as CSV, XLSX or Parquet.", show_default=False)],
    table: Annotated[str, typer.Option(help="Table the files belong to; else told by name or header.")] = "",
    allow_again: Annotated[
        bool, typer.Option("--allow-again", help="Load also customers and sites that were erased on request.")
    ] = False,
    json: AsJson = False,
) -> None:
    """Load tables. Good rows are stored; rows that cannot be right are kept with the reason.

    Example: aftersun inventory load company.duckdb customer.csv site.csv array.csv tariff.csv
    """
    from aftersun.inventory.loading.contents import tables_in
    from aftersun.inventory.loading.load import load_file
    from aftersun.inventory.store.dictionary import tables
    from aftersun.inventory.store.file import Inventory

    if table and table not in tables():
        raise AftersunError(f"There is no table '{table}'.", f"Tables: {', '.join(tables())}.")
    # Tables refer to each other, so they are loaded in the dictionary's order whatever the order given.
    found = [(name, path) for path in files for name in ([table] if table else tables_in(path))]
    chosen = sorted(found, key=lambda item: tables().index(item[0]))
    reports = []
    with Inventory.open(inventory) as opened:
        for name, path in chosen:
            try:
                with terminal.progress(f"loading {path.name}") as progress:
                    reports.append(load_file(opened, name, path, progress, allow_again))
            except AftersunError as error:
                if reports:
                    done = ", ".join(report.source for report in reports)
                    terminal.message(f"Loaded before this: {done}. The file that follows and those after it were not.")
                raise error
            if not json:
                _show_load(name, path.name, reports[-1])
    if json:
        terminal.json([asdict(report) for report in reports])
    if any(report.erased for report in reports):
        terminal.message("Rows about customers erased on request are not kept.")
    if any(report.rejected > report.erased for report in reports):
        terminal.message(
            f"Rejected rows are kept. Write them out with 'aftersun inventory rejects {inventory} --to FOLDER', mend "
            "them, and load those files."
        )
    if any(report.rejected for report in reports):
        raise typer.Exit(EXIT_LOSSES)


def _show_load(table: str, source: str, report: LoadReport) -> None:
    terminal.result(
        f"{source} -> {table}: {report.rows_read} rows, {report.added} added, {report.changed} changed, "
        f"{report.unchanged} unchanged, {report.rejected} rejected"
    )
    for problem in report.problems:
        terminal.paragraph(problem, indent=2, hang=2)


@app.command()
def rejects(
    inventory: InventoryFile,
    to: Annotated[Path | None, typer.Option(help="Folder for one file a table, to be mended and loaded again.")] = None,
    json: AsJson = False,
) -> None:
    """List rejected rows that are not mended yet, or write them out to be mended.

    Example: aftersun inventory rejects company.duckdb --to mend
    """
    from aftersun.inventory.loading.rejects import export_rejects, open_rejects
    from aftersun.inventory.store.file import Inventory
    from aftersun.inventory.store.private import make_folder

    with Inventory.open(inventory, read_only=True) as opened:
        found = open_rejects(opened)
        if to is not None:
            make_folder(to)
            for name in sorted(set(found["table_name"])):
                path = to / f"{name}.csv"
                if path.exists():
                    raise AftersunError(f"{path} exists already.", "Choose another folder; nothing was overwritten.")
                export_rejects(opened, name, path)
                terminal.result(str(path))
            return
    if json:
        terminal.json(found.to_dict("records"))
        return
    for row in found.to_dict("records"):
        terminal.paragraph(
            f"{row['table_name']}, {row['source_file']} line {row['line']}, {row['column_name']}: {row['reason']}. "
            f"{row['what_to_do']}",
            hang=2,
        )
    terminal.result(f"{len(found)} problems in rejected rows." if len(found) else "No rejected rows are open.")


@app.command()
def check(inventory: InventoryFile, json: AsJson = False) -> None:
    """Say what looks odd in an inventory and which unknown facts matter most.

    Example: aftersun inventory check company.duckdb
    """
    from aftersun.inventory.loading.checks import check_inventory
    from aftersun.inventory.store.file import Inventory

    with Inventory.open(inventory, read_only=True) as opened:
        findings = check_inventory(opened)
    if json:
        terminal.json([asdict(finding) for finding in findings])
        return
    for finding in findings:
        terminal.paragraph(f"{finding.level}: {finding.text} {finding.what_to_do}", hang=2)
    if not findings:
        terminal.result("Nothing looks odd.")
