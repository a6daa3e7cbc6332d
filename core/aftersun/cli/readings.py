"""Loading readings as portals export them: what is proposed, what is asked, what became of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from aftersun.cli.options import numbers_of, opened
from aftersun.cli.terminal import counted, terminal
from aftersun.model.errors import AftersunError

if TYPE_CHECKING:
    from aftersun.inventory.loading.load import LoadReport
    from aftersun.inventory.portal_readings.load_readings import Prepared, Sites
    from aftersun.inventory.portal_readings.mapping import ReadingMapping
    from aftersun.inventory.portal_readings.settings import Settings, Undecided

_MOST_SHOWN = 40


@dataclass(frozen=True)
class ReadingOptions:
    """What was said of readings on the command line."""

    said: Mapping[str, str]
    yes: bool = False
    sheet: str = ""
    mapping: Path | None = None
    allow_again: bool = False
    stated_on: date | None = None
    quiet: bool = False
    add_up: bool = False


@dataclass(frozen=True)
class ReadingsLoaded:
    """What became of an export of readings: the report of the table, what is doubtful, where its mapping stands."""

    tables: list[LoadReport]
    doubtful: list[str]
    mapping: str


def are_readings(path: Path) -> bool:
    """Tell whether a file is readings under headings of its own."""
    from aftersun.inventory.office_list.grid import first_rows, known_headings
    from aftersun.inventory.portal_readings import roles

    rows = first_rows(path)
    return roles.are_readings(rows, max(map(known_headings, rows), default=0))


def load_readings(
    inventory: Path, paths: Sequence[Path], options: ReadingOptions, company: Mapping[str, float]
) -> Iterator[tuple[Path, ReadingsLoaded]]:
    """Show how each file of readings is understood, ask what it leaves open, and load it.

    Files of two inverters of a site are added up if that was said, and refused otherwise.
    """
    from aftersun.inventory.portal_readings.load_readings import (
        not_of_one_device,
        of_two_devices,
        sites_of,
        together,
    )
    from aftersun.inventory.portal_readings.mapping import settings_of

    if not paths:
        return
    settings = settings_of(options.said)
    with opened(inventory) as source:
        sites = sites_of(source)
    if settings.site:
        settings = replace(settings, site=numbers_of(inventory, [settings.site])[0])
        if not sites.called(settings.site):
            raise AftersunError("No site is called that.", "Give the number of one site; nothing was changed.")
    understood = [_understood(inventory, path, sites, settings, options) for path in paths]
    if len(paths) > 1 and of_two_devices([prepared for prepared, _ in understood]):
        if not options.add_up:
            raise not_of_one_device([prepared for prepared, _ in understood])
        understood = [(together([prepared for prepared, _ in understood]), understood[0][1])]
    for prepared, where in understood:
        yield prepared.path, _load(inventory, prepared, where, options, company)


def _load(
    inventory: Path, prepared: Prepared, where: Path, options: ReadingOptions, company: Mapping[str, float]
) -> ReadingsLoaded:
    from aftersun.inventory.loading.load import store, with_findings
    from aftersun.inventory.portal_readings.load_readings import doubt_lines
    from aftersun.inventory.portal_readings.mapping import write_mapping
    from aftersun.inventory.store.file import Inventory

    path = prepared.path
    if not options.quiet:
        _show(prepared)
    write_mapping(prepared.proposals, prepared.settings, prepared.grid.sheet, where)
    if not options.yes and not typer.confirm(f"Load {path.name} like this?", err=True):
        raise AftersunError(
            f"{path.name} was not loaded.",
            f"What is proposed is in {where}: correct it there if need be, then answer yes or add --yes.",
        )
    with opened(inventory, read_only=False) as target:
        report = store(target, prepared.file, path, options.allow_again, options.stated_on)
    with Inventory.copied(inventory) as (copy, _):
        report = with_findings(copy, report, prepared.file, path, company)
    columns = tuple(replace(one, what_to_do=_as_readings(one.what_to_do)) for one in report.columns)
    return ReadingsLoaded([replace(report, columns=columns)], doubt_lines(prepared), str(where))


def _as_readings(command: str) -> str:
    """Return the command that mends a unit as one that loads readings and no table."""
    unit = command.rpartition("=")[2]
    return f"{command.partition(' --table')[0]} --readings unit={unit}" if "--table reading" in command else command


def _understood(
    inventory: Path, path: Path, sites: Sites, settings: Settings, options: ReadingOptions
) -> tuple[Prepared, Path]:
    """Return readings as understood, with what was asked, and where their mapping file stands."""
    from aftersun.inventory.portal_readings.load_readings import from_grid, read_export
    from aftersun.inventory.portal_readings.mapping import mapping_path, read_mapping
    from aftersun.inventory.portal_readings.settings import Undecided

    with terminal.progress(f"reading {path.name}") as progress:
        grid = read_export(path, options.sheet, progress)
    where = options.mapping or mapping_path(inventory, grid.headings)
    said = read_mapping(where) if where.is_file() else None
    while True:
        try:
            return from_grid(path, grid, sites, settings, said), where
        except Undecided as undecided:
            settings = _asked(path, undecided, settings, said, options, where, sites)


def _asked(
    path: Path,
    undecided: Undecided,
    settings: Settings,
    said: ReadingMapping | None,
    options: ReadingOptions,
    where: Path,
    sites: Sites,
) -> Settings:
    """Return settings with the answer to what was left open; refuse the file if nobody answers."""
    from aftersun.inventory.portal_readings.load_readings import question, refused
    from aftersun.inventory.portal_readings.settings import ALLOWED

    name = undecided.setting
    if name not in vars(settings):
        _write_proposal(path, options, where, settings, said)
        raise refused(undecided, path.name, where, "")
    allowed = ALLOWED.get(name, ())
    if not options.yes:
        try:
            choices = " / ".join(allowed)
            asked = f"{question(undecided)}? ({f'{choices}; ' if choices else ''}Enter = not known)"
            answer = typer.prompt(asked, default="", show_default=False, err=True).strip()
        except (typer.Abort, EOFError):
            answer = ""
        if name == "site":
            called = sites.called(answer)
            answer = called[0] if len(called) == 1 else ""
        if answer and (not allowed or answer.casefold() in allowed):
            return replace(settings, **{name: answer.casefold() if allowed else answer})
    values = "|".join(allowed) or ("NUMBER" if name == "site" else "YYYY")
    shown = f"'{values}'" if " " in values or "|" in values else values
    raise refused(undecided, path.name, where, shown)


def _write_proposal(
    path: Path, options: ReadingOptions, where: Path, settings: Settings, said: ReadingMapping | None
) -> None:
    """Write what columns are taken for where a person has to correct it; a file that is there stays."""
    from aftersun.inventory.portal_readings import roles
    from aftersun.inventory.portal_readings.load_readings import read_export
    from aftersun.inventory.portal_readings.mapping import write_mapping

    if said is None:
        grid = read_export(path, options.sheet)
        write_mapping(roles.propose(grid, roles.language_of(grid.headings)), settings, grid.sheet, where)


def _show(prepared: Prepared) -> None:
    from aftersun.inventory.portal_readings.load_readings import first_rows, left_out, note_lines

    terminal.result(f"{prepared.path.name}: {counted(len(prepared.file.raw), 'reading')} under headings of its own")
    for line in note_lines(prepared):
        terminal.paragraph(line, indent=2, hang=2)
    if unused := left_out(prepared):
        terminal.paragraph(f"left out, nobody needs them: {', '.join(map(repr, unused))}", indent=2, hang=2)
    terminal.result("The first as understood:")
    for line in first_rows(prepared):
        terminal.paragraph(line, indent=2, hang=4)


def show_loaded(path: Path, loaded: ReadingsLoaded) -> None:
    """Print what is doubtful and where it stands how the file was read."""
    for line in loaded.doubtful[:_MOST_SHOWN]:
        terminal.paragraph(f"doubtful, {line}", indent=2, hang=2)
    if len(loaded.doubtful) > _MOST_SHOWN:
        terminal.result(f"  and {len(loaded.doubtful) - _MOST_SHOWN:,} more causes")
    if changed := sum(report.changed for report in loaded.tables):
        terminal.paragraph(
            f"{counted(changed, 'reading')} loaded before said something else and {'was' if changed == 1 else 'were'} "
            "replaced. If this file is of another inverter of the site, load the files of both in one command with "
            "--add-up."
        )
    terminal.paragraph(f"How {path.name} is read is kept in {loaded.mapping}, and the next such export is read so too.")
