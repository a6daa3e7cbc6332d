"""Commands on the inventory file: its tables, what was loaded into them, copies of it."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from aftersun.cli.declaring import argument, day_option, day_or_none, flag, group, option, pairs
from aftersun.cli.options import AsJson, CompanyFile, InventoryFile, company_of, opened
from aftersun.cli.terminal import counted, terminal
from aftersun.model.errors import EXIT_LOSSES, AftersunError

if TYPE_CHECKING:
    from aftersun.inventory.loading.column_checks import Finding
    from aftersun.inventory.loading.load import LoadReport

app = group(help="The inventory file and its tables.")

Replace = Annotated[bool, flag("inventory.replace", "--replace")]


@app.command()
def create(inventory: InventoryFile) -> None:
    """Make a new, empty inventory.

    Example: aftersun inventory create company.duckdb
    """
    from aftersun.inventory.store.file import Inventory

    Inventory.create(inventory).close()
    terminal.result(f"Made {inventory}.")


@app.command()
def templates(folder: Annotated[Path, argument("inventory.folder")]) -> None:
    """Write empty tables to fill in, as CSV files and as one XLSX workbook, with units, limits and meanings.

    Example: aftersun inventory templates my-tables
    """
    from aftersun.inventory.loading.templates import write_templates

    terminal.result(*map(str, write_templates(folder)))


@app.command()
def columns(table: Annotated[str, argument("inventory.columns_table")] = "") -> None:
    """Describe the columns of the tables: type, unit, limits, meaning.

    Example: aftersun inventory columns site
    """
    from aftersun.inventory.store import dictionary

    for name in (table,) if table else dictionary.tables():
        columns_of_table = dictionary.columns(name)
        terminal.heading(name)
        for column in columns_of_table:
            facts = [column.type, column.unit, column.limits, "required" if column.required else ""]
            terminal.result(f"{column.name}  ({'; '.join(filter(None, facts))})")
            terminal.paragraph(column.meaning, indent=4)
            for choice, meaning in dictionary.choice_meanings().get((name, column.name), {}).items():
                terminal.paragraph(f"{choice}: {meaning}", indent=8)


@app.command()
def load(
    inventory: InventoryFile,
    files: Annotated[list[Path], argument("inventory.files")],
    table: Annotated[str, option("inventory.load_table", show_default=True)] = "",
    allow_again: Annotated[bool, flag("inventory.allow_again", "--allow-again")] = False,
    stated_on: Annotated[datetime | None, day_option("inventory.stated_on", "--stated-on")] = None,
    unit: Annotated[list[str] | None, option("inventory.unit", "--unit")] = None,
    yes: Annotated[bool, flag("inventory.yes", "--yes")] = False,
    mapping: Annotated[Path | None, option("inventory.mapping", "--mapping")] = None,
    sheet: Annotated[str, option("inventory.sheet", "--sheet")] = "",
    country: Annotated[str, option("inventory.country", "--country")] = "",
    postcodes: Annotated[Path | None, option("inventory.postcodes", "--postcodes")] = None,
    merge_doubles: Annotated[bool, flag("inventory.merge_doubles", "--merge-doubles")] = False,
    for_all: Annotated[list[str] | None, option("inventory.for_all", "--for-all")] = None,
    readings: Annotated[list[str] | None, option("inventory.readings", "--readings")] = None,
    add_up: Annotated[bool, flag("inventory.add_up", "--add-up")] = False,
    company: CompanyFile = None,
    json: AsJson = False,
) -> None:
    """Load an office's own list, whatever its headings, or tables of this program. Good rows are stored; rows that
    cannot be right are kept with the reason.

    Of a list it is shown how each column is understood, and asked whether that is right; what cannot be read becomes
    unknown, and is marked in a workbook to correct. An empty cell takes nothing away. What was learnt since, and a
    known hazard, stay whatever a table says; such cells are listed and kept as conflicts. Where a whole column looks
    like another unit, that is said with the command that corrects it.

    Readings are taken as portals export them: days, quarters of an hour, months side by side, energy, power or
    counters. What a file leaves open, such as whose it is, is asked, or said with --readings.

    Example: aftersun inventory load company.duckdb customers.xlsx
    """
    from aftersun.cli.office_list import ListLoaded, ListOptions, load_list, show_loaded
    from aftersun.cli.readings import ReadingOptions, ReadingsLoaded, are_readings, load_readings
    from aftersun.cli.readings import show_loaded as show_readings
    from aftersun.inventory.loading.load import checked, store, tables_in, with_findings
    from aftersun.inventory.office_list.grid import is_list
    from aftersun.inventory.office_list.vocabulary import TABLES
    from aftersun.inventory.store.dictionary import tables
    from aftersun.inventory.store.file import Inventory

    lists = [] if table else [path for path in files if is_list(path)]
    files = [path for path in files if path not in lists]
    exports = [path for path in lists if are_readings(path)]
    lists = [path for path in lists if path not in exports]
    if table:
        parts = [(table, path) for path in files]
    else:  # tables refer to each other, so they are loaded in the dictionary's order whatever the order given
        parts = [(name, path) for path in files for name in tables_in(path)]
        parts.sort(key=lambda part: tables().index(part[0]))
    units = _units_by_table(unit, {name for name, _ in parts} | set(TABLES if lists else ()))
    known = company_of(inventory, company)
    reports: list[LoadReport] = []
    Inventory.open(inventory).close()  # before anything is read, whether it can be written to
    for name, path in parts:
        try:
            with terminal.progress(f"loading {path.name}") as progress:
                file = checked(name, path, progress, units.get(name, {}))
            with opened(inventory, read_only=False, remind=len(reports) == len(parts) - 1) as target:
                reports.append(store(target, file, path, allow_again, day_or_none(stated_on)))
            with Inventory.copied(inventory) as (copy, _):
                reports[-1] = with_findings(copy, reports[-1], file, path, known)
        except AftersunError:
            if reports:
                before = ", ".join(report.source for report in reports)
                terminal.message(f"Loaded before this: {before}. The file that follows and those after it were not.")
            raise
        if not json:
            _show_load(name, path.name, reports[-1])
    loaded: list[ListLoaded | ReadingsLoaded] = []
    said = ListOptions(
        yes,
        mapping,
        sheet,
        country,
        postcodes,
        merge_doubles,
        allow_again,
        day_or_none(stated_on),
        json,
        pairs(for_all, "--for-all", "TABLE.COLUMN=VALUE", "--for-all customer.contact_basis='agreed in the contract'"),
    )
    for path in lists:
        done = load_list(inventory, path, said, units, known)
        loaded.append(done)
        if not json:
            for report in done.tables:
                _show_load(report.table, path.name, report)
            show_loaded(path, done)
    about = ReadingOptions(
        pairs(readings, "--readings", "NAME=VALUE", "--readings site=S001"),
        yes,
        sheet,
        mapping if exports and not lists else None,
        allow_again,
        day_or_none(stated_on),
        json,
        add_up,
    )
    for path, read in load_readings(inventory, exports, about, known):
        loaded.append(read)
        if not json:
            for report in read.tables:
                _show_load(report.table, path.name, report)
            show_readings(path, read)
    if json:
        terminal.json([*reports, *loaded])
    _say_what_was_rejected(inventory, [*reports, *(report for one in loaded for report in one.tables)])
    if any(one.doubtful for one in loaded):
        raise typer.Exit(EXIT_LOSSES)


def _show_load(table: str, source: str, report: LoadReport) -> None:
    terminal.result(
        f"{source} -> {table}: {report.rows_read} rows, {report.added} added, {report.changed} changed, "
        f"{report.unchanged} unchanged, {report.rejected} rejected"
    )
    for problem in report.problems:
        terminal.paragraph(problem, indent=2, hang=2)
    for conflict in report.conflicts:
        terminal.paragraph(f"not taken over: {conflict}", indent=2, hang=2)
    for finding in report.columns:
        _show_finding(finding, indent=2)


def _show_finding(finding: Finding, indent: int = 0) -> None:
    """Print a finding; a command to copy stands on a line of its own."""
    if finding.cause:
        terminal.paragraph(f"{finding.level}: {finding.text} If so, run", indent, hang=2)
        terminal.result(f"{' ' * (indent + 2)}{finding.what_to_do}")
    else:
        terminal.paragraph(f"{finding.level}: {finding.text} {finding.what_to_do}", indent, hang=2)


def _units_by_table(given: list[str] | None, tables: set[str]) -> dict[str, dict[str, str]]:
    """Return units by table and column, of texts written TABLE.COLUMN=UNIT."""
    units: dict[str, dict[str, str]] = {}
    for place, unit in pairs(given, "--unit", "TABLE.COLUMN=UNIT", "--unit site.annual_demand_kwh=MWh").items():
        table, _, column = place.partition(".")
        if table not in tables:
            raise AftersunError(f"--unit {place}: no such table is loaded.", "Write it as TABLE.COLUMN=UNIT.")
        units.setdefault(table, {})[column] = unit
    return units


def _say_what_was_rejected(inventory: Path, reports: list[LoadReport]) -> None:
    if any(report.erased for report in reports):
        terminal.message("Rows about customers erased on request are not kept.")
    if any(report.rejected > report.erased for report in reports):
        terminal.message(
            f"Rejected rows are kept. Write them out with 'aftersun inventory rejects {inventory} --to FOLDER', "
            "correct them, and load those files."
        )
    if any(report.rejected or report.conflicts for report in reports):
        raise typer.Exit(EXIT_LOSSES)


@app.command()
def rejects(
    inventory: InventoryFile,
    to: Annotated[Path | None, option("inventory.rejects_to", show_default=True)] = None,
    json: AsJson = False,
) -> None:
    """List rejected rows that are not corrected yet, or write them out to be corrected.

    Example: aftersun inventory rejects company.duckdb --to corrections
    """
    from aftersun.inventory.loading.rejects import export_rejects, open_rejects
    from aftersun.inventory.store.private import make_folder, refuse_existing

    with opened(inventory) as source:
        rejected = open_rejects(source)
        if to is not None:
            make_folder(to)
            for name in sorted(set(rejected["table_name"])):
                path = to / f"{name}.csv"
                refuse_existing([path], "Choose another folder; nothing was overwritten.")
                export_rejects(source, name, path)
                terminal.result(str(path))
            return
    if json:
        terminal.json(rejected)
        return
    for row in rejected.to_dict("records"):
        terminal.paragraph(
            f"{row['table_name']}, {row['source_file']} line {row['line']}, {row['column_name']}: {row['reason']}. "
            f"{row['what_to_do']}",
            hang=2,
        )
    terminal.result(f"{len(rejected)} problems in rejected rows." if len(rejected) else "No rejected rows are open.")


@app.command()
def clear(
    inventory: InventoryFile,
    table: Annotated[str, argument("inventory.clear_table")],
    column: Annotated[str, argument("inventory.clear_column")],
    key: Annotated[list[str], argument("inventory.clear_key")],
    why: Annotated[str, option("inventory.clear_why")],
) -> None:
    """Make what one cell says unknown again. No table does that: an empty cell takes nothing away.

    Example: aftersun inventory clear company.duckdb site birds_seen S001 --why "entered for the wrong house"
    """
    from aftersun.inventory.store import trail, upsert

    with opened(inventory, read_only=False) as target, target.transaction() as connection:
        upsert.clear(connection, table, tuple(key), column, trail.Source("inventory clear", why))
    terminal.result(f"{column} is unknown there now; what it said is kept in the trail of changes.")


@app.command()
def convert(
    inventory: InventoryFile,
    columns: Annotated[list[str], argument("inventory.convert_columns")],
    unit: Annotated[str, option("inventory.convert_from", "--from")] = "",
    undo: Annotated[bool, flag("inventory.undo", "--undo")] = False,
    company: CompanyFile = None,
) -> None:
    """Bring whole columns that were loaded in another unit into the right one.

    What would be beyond the limits of its column, and what was learnt from the customer, stays as it is. Each changed
    cell is in 'inventory changes'.

    Example: aftersun inventory convert company.duckdb site.annual_demand_kwh --from MWh
    """
    from aftersun.inventory.loading import convert as converting

    if undo == bool(unit):
        raise AftersunError("A conversion is named by --from UNIT or taken back by --undo.", "Give one of the two.")
    known = company_of(inventory, company)
    with opened(inventory, read_only=False) as target:
        done = converting.undo(target, columns) if undo else converting.convert(target, columns, unit, known)
    place = ", ".join(columns)
    if undo:
        terminal.result(f"{place}: the last conversion is taken back in {counted(done.rows, 'row')}.")
        return
    terminal.result(f"{place}: {counted(done.rows, 'row')} converted from {unit}; --undo takes it back.")
    if done.beyond:
        terminal.message(f"{counted(done.beyond, 'row')} would be beyond the limits and stayed as before.")
    if done.learnt:
        terminal.message(f"{counted(done.learnt, 'cell')} learnt from the customer stayed as before.")
    if done.beyond or done.learnt:
        raise typer.Exit(EXIT_LOSSES)


@app.command()
def changes(
    inventory: InventoryFile,
    key: Annotated[str | None, argument("inventory.changes_key")] = None,
    conflicts: Annotated[bool, flag("inventory.conflicts", "--conflicts")] = False,
    to: Annotated[Path | None, option("inventory.changes_to")] = None,
    json: AsJson = False,
) -> None:
    """Show who changed which cell when, from what to what, by which command and file. It may be personal.

    Example: aftersun inventory changes company.duckdb S001
    """
    from aftersun.inventory.loading.bad_rows import write_rows
    from aftersun.inventory.store.trail import CHANGE
    from aftersun.inventory.store.trail import changes as changes_of

    with opened(inventory) as source:
        rows = changes_of(source, key, conflicts)
    if to is not None:
        write_rows(to, list(CHANGE.columns), rows.astype(object).where(rows.notna(), "").to_numpy().tolist())
        terminal.result(f"{to}  ({len(rows):,} rows)")
    elif json:
        terminal.json(rows)
    elif rows.empty:
        terminal.result("No changes.")
    else:
        names = ["changed_at", "changed_by", "command", "source", "table_name", "row_key", "column_name"]
        terminal.table([*names, "before", "after"], rows[[*names, "before", "after"]].to_numpy(dtype=object).tolist())


@app.command()
def check(inventory: InventoryFile, company: CompanyFile = None, json: AsJson = False) -> None:
    """Say what looks odd in an inventory and which unknown facts matter most.

    Whole columns that look like another unit come first, with the command that corrects them.

    Example: aftersun inventory check company.duckdb
    """
    from aftersun.inventory.loading.checks import check_inventory
    from aftersun.inventory.store.file import Inventory

    with Inventory.copied(inventory) as (source, _):
        findings = check_inventory(source, company=company_of(inventory, company))
    if json:
        terminal.json(findings)
        return
    for finding in findings:
        _show_finding(finding)
    if not findings:
        terminal.result("Nothing looks odd.")


@app.command()
def backup(
    inventory: InventoryFile,
    to: Annotated[Path, option("inventory.backup_to")],
    replace: Replace = False,
    keep: Annotated[int | None, option("inventory.keep_copies", min=1)] = None,
) -> None:
    """Write a checked copy of an inventory; others may use it meanwhile. Keep it somewhere else.

    With --keep it is for the clock: --to is a folder, the day is in the copy's name, and older copies than so many go.

    Example: aftersun inventory backup company.duckdb --to copies --keep 14
    """
    from aftersun.inventory.store.backup import copy_inventory
    from aftersun.inventory.store.copies import keep_copies, note_copy

    if keep is None:
        done = copy_inventory(inventory, to, replace)
    else:
        kept = keep_copies(inventory, to, keep, date.today())
        done, to = kept.copied, kept.path
    noted = note_copy(inventory)
    terminal.result(f"Wrote {to}: {done.rows:,} rows of {len(done.tables)} tables, {_size(done.size)}, compared.")
    if keep is not None:
        terminal.result(*(f"Removed {path}." for path in kept.removed))
        terminal.message(*(f"Left {path}: it is damaged or a copy of another inventory." for path in kept.foreign))
    if not noted:
        terminal.message(f"That a copy was made could not be noted in {inventory}: it is in use, read-only or older.")


@app.command()
def drill(
    inventory: InventoryFile,
    copies: Annotated[Path, option("inventory.copies")],
    json: AsJson = False,
) -> None:
    """Try whether a copy can be restored: beside the inventory, compared table by table, and removed again.

    Example: aftersun inventory drill company.duckdb --copies copies
    """
    from aftersun.inventory.store.copies import drill as drill_restore

    done = drill_restore(inventory, copies)
    tables = f"{done.copied.rows:,} rows of {len(done.copied.tables)} tables"
    lines = [f"{done.copy} can be restored: {tables}, the same as in the copy by number and checksum."]
    lines += [
        f"{table}: {then:,} rows in the copy, {now:,} in the inventory"
        + (", which say something else." if then == now else ".")
        for table, (then, now) in done.differences.items()
    ]
    since = "The rest is as in the inventory." if done.differences else "All of it is as in the inventory."
    terminal.answer(json, done, *lines, since)


@app.command()
def restore(
    backup: Annotated[Path, argument("inventory.backup")],
    to: Annotated[Path, option("inventory.restore_to")],
    replace: Replace = False,
    although_unread: Annotated[bool, flag("inventory.although_unread", "--although-unread")] = False,
) -> None:
    """Make an inventory of a backup, as it was then.

    What must not be forgotten since comes along from the file that it replaces: who was erased or objected, known
    hazards, numbers of letters.

    Example: aftersun inventory restore company-backup.duckdb --to company.duckdb
    """
    from aftersun.inventory.privacy.restore import restore as restore_backup

    done = restore_backup(backup, to, replace, although_unread)
    copied = done.copied
    terminal.result(f"Made {to}: {copied.rows:,} rows of {len(copied.tables)} tables, compared with the backup.")
    if not replace:
        terminal.message("Customers who were erased after the backup are in it again: erase them once more.")
    elif done.carried_over:
        terminal.result(
            f"Kept from the file before: erasures ({done.erased} customers of the backup), objections and the "
            "like, withdrawn permissions, known hazards, letter numbers and the trail of changes."
        )
    else:
        terminal.message(
            "The file before could not be read: erasures, objections, hazards and letter numbers since the backup are "
            "not in this one. Erase and log them once more, and number no letter before that."
        )


@app.command()
def prune(
    inventory: InventoryFile,
    keep: Annotated[int, option("inventory.keep", min=1)],
    also_referenced: Annotated[bool, flag("inventory.also_referenced", "--also-referenced")] = False,
) -> None:
    """Delete old runs with all their results and give the space back.

    Example: aftersun inventory prune company.duckdb --keep 5
    """
    from aftersun.inventory.runs.prune import prune as prune_runs

    done = prune_runs(inventory, keep, also_referenced)
    terminal.result(*(f"Kept {run_id}: {', '.join(tables)} name it." for run_id, tables in done.kept.items()))
    sizes = f"the file had {_size(done.size_before)} and has {_size(done.size_after)}"
    terminal.result(f"Deleted {len(done.deleted)} runs; {sizes}." if done.deleted else "No run was deleted.")


@app.command()
def export(
    inventory: InventoryFile,
    to: Annotated[Path, option("inventory.export_to")],
    kind: Annotated[str, option("inventory.kind", "--format", show_default=True)] = "csv",
) -> None:
    """Write all tables without personal data: pseudonyms for numbers, places to 0.1 degree, no text typed by people.

    The same site has the same pseudonym in every table and export of this inventory.

    Example: aftersun inventory export company.duckdb --to for-analysts
    """
    from aftersun.documents.run_view import calls_of_all_runs
    from aftersun.inventory.privacy.export import export as export_tables
    from aftersun.inventory.store.file import Inventory

    with Inventory.copied(inventory) as (source, _):
        done = export_tables(source, to, kind, calls_of_all_runs(source))
    for path, rows in done.items():
        terminal.result(f"{path}  ({rows:,} rows)")
    terminal.message("Whoever knows a site otherwise may still recognise it: hand this out with care.")


def _size(size: int) -> str:
    return f"{size / 1e6:.1f} MB"
