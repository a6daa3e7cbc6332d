"""Commands for what leaves the office: which outputs there are, and the folder of one run."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from aftersun.cli.declaring import flag, option
from aftersun.cli.options import AsJson, InventoryFile, PluginFolder, SwitchedOffBy, opened, remind_of_copy
from aftersun.cli.terminal import counted, terminal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from aftersun.documents.output_folder import Report

Only = Annotated[list[str] | None, option("outputs.only")]
Set = Annotated[list[str] | None, option("outputs.set", "--set")]
AlthoughOld = Annotated[bool, flag("outputs.although_old", "--although-old")]
Letterhead = Annotated[Path | None, option("outputs.letterhead", "--company")]


def outputs(company: SwitchedOffBy = None, plugins_from: PluginFolder = None, json: AsJson = False) -> None:
    """List the installed outputs: what each writes, and whether it needs names.

    Example: aftersun outputs
    """
    from aftersun.host.registry import find_plugins
    from aftersun.money.company import load_company

    registry = find_plugins(() if company is None else load_company(company).retrofits.off, plugins_from)
    if json:
        rows = [
            {name: getattr(output, name) for name in ("id", "writes", "of", "personal")}
            | {"origin": registry.output_origins[output.id]}
            for output in registry.outputs
        ]
        terminal.json({"outputs": rows, "failures": registry.failures})
    elif not registry.outputs:
        terminal.result("No output is installed.")
    for output in () if json else registry.outputs:
        needs = "needs names" if output.personal else "also without names"
        terminal.result(f"{output.id}  one for each {output.of}, {needs}  ({registry.output_origins[output.id]})")
        terminal.paragraph(output.writes, indent=4)
    terminal.end_with(registry.failures)


def write(
    inventory: InventoryFile,
    to: Annotated[Path, option("outputs.to", "--to")],
    only: Only = None,
    letters: Annotated[int, option("outputs.letters", min=0, show_default=True)] = 10,
    without_names: Annotated[bool, flag("outputs.without_names", "--without-names")] = False,
    settings: Set = None,
    company: Letterhead = None,
    issue: Annotated[bool, flag("outputs.issue", "--issue")] = False,
    although_old: AlthoughOld = False,
    replace: Annotated[bool, flag("outputs.replace", "--replace")] = False,
    plugins_from: PluginFolder = None,
    json: AsJson = False,
) -> None:
    """Write the folder of the last run: every output, drafts of letters and notices of hazards, and a manifest.

    With --issue letters and notices are numbered and kept in the inventory, and letters count as offers made; what was
    chosen for the last letter of a site holds on. The folder appears as a whole or not at all.

    Example: aftersun write company.duckdb --to june --letters 20
    """
    from aftersun.documents.output_folder import Order, write_folder

    order = Order(tuple(only or ()), tuple(settings or ()), company, plugins_from, without_names, although_old)
    with terminal.progress("writing") as progress:
        day = date.today()
        report = write_folder(inventory, to, letters, order, day, replace, progress, drafts=not issue, notices=True)
    show_report(inventory, report, json)


COMMANDS = (outputs, write)
_FILES_NAMED = 24  # of a folder; more are counted


def _files_in_short(paths: Sequence[str]) -> list[str]:
    """Return paths as lines, the files of a folder of many as one."""
    folders = [path.rpartition("/")[0] for path in paths]
    many = {folder for folder in folders if folder and folders.count(folder) > _FILES_NAMED}
    lines = (
        f"{folder}/ ({folders.count(folder)} files)" if folder in many else path
        for folder, path in zip(folders, paths, strict=True)
    )
    return list(dict.fromkeys(lines))


def show_report(inventory: Path, report: Report, json: bool) -> None:
    """Print what was written, into the inventory too; remarks and failures go to stderr."""
    batch = report.letters
    if json:
        letters = [
            {name: getattr(letter, name) for name in ("number", "version", "site_id", "made_on")}
            | {"new": letter in batch.new_letters, "notice": letter.notice}
            for letter in batch.letters
        ]
        terminal.json(
            {
                "run_id": report.run_id,
                "folder": report.folder,
                "files": [{"output": output, "path": path} for output, path in report.files],
                "letters": letters,
                "left_out": report.skipped,
                "failures": report.failures,
                "remarks": report.remarks,
            }
        )
    elif not report.files:
        terminal.result("Nothing was written.")
    else:
        terminal.result(f"Wrote {counted(len(report.files), 'file')} into {report.folder}, from run {report.run_id}.")
        terminal.result(*(f"  {line}" for line in _files_in_short([path for _, path in report.files])))
        old = sum(letter not in batch.new_letters for letter in batch.letters)
        if batch.drafts:
            terminal.say("output.drafts", drafts=batch.drafts)
        elif old:
            terminal.result(f"The same as issued before, byte for byte: {old} of {len(batch.letters)}.")
    terminal.message(*(f"{name} was left out: it can do nothing without names." for name in report.skipped))
    terminal.message(*report.remarks)
    if batch.new_letters:
        with opened(inventory) as source:
            remind_of_copy(source)
    terminal.end_with(report.failures)
