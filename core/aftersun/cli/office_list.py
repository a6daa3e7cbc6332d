"""Loading an office's own list: what is proposed, what is asked, what became of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from aftersun.cli.options import opened
from aftersun.cli.terminal import counted, terminal
from aftersun.model.errors import AftersunError

if TYPE_CHECKING:
    from aftersun.inventory.loading.load import LoadReport
    from aftersun.inventory.office_list.doubles import Double
    from aftersun.inventory.office_list.load_list import Prepared, Understood
    from aftersun.inventory.office_list.mapping import MappingFile
    from aftersun.inventory.office_list.placing import Where

_MOST_SHOWN = 40


@dataclass(frozen=True)
class ListOptions:
    """What was said of a list on the command line."""

    yes: bool = False
    mapping: Path | None = None
    sheet: str = ""
    country: str = ""
    postcodes: Path | None = None
    merge_doubles: bool = False
    allow_again: bool = False
    stated_on: date | None = None
    quiet: bool = False
    for_all: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class ListLoaded:
    """What became of a list: reports of its tables, what is doubtful, where it can be corrected."""

    tables: list[LoadReport]
    doubtful: list[str]
    to_correct: str
    mapping: str
    doubles: int
    advice: str = ""
    odd: list[str] = field(default_factory=list)


def load_list(
    inventory: Path,
    path: Path,
    options: ListOptions,
    units: Mapping[str, Mapping[str, str]],
    company: Mapping[str, float],
) -> ListLoaded:
    """Show how a list is understood, ask, and load it."""
    from aftersun.inventory.loading.checks import check_inventory
    from aftersun.inventory.loading.column_checks import WARNING
    from aftersun.inventory.office_list.load_list import (
        doubt_lines,
        known_to,
        place_lines,
        prepare,
        settled,
        store_list,
        understand,
        with_list_findings,
        without_basis,
        write_doubtful,
    )
    from aftersun.inventory.office_list.mapping import column_for_all, read_mapping, write_mapping
    from aftersun.inventory.office_list.vocabulary import sentence
    from aftersun.inventory.store.file import Inventory

    where = options.mapping or inventory.with_name(f"{inventory.stem}.mapping.toml")
    said = read_mapping(where) if where.is_file() else None
    places = _where(said, options, company)
    for_all = {column_for_all(name): text for name, text in options.for_all.items()}
    with terminal.progress(f"reading {path.name}") as progress:
        understood = understand(path, said, where, options.sheet, progress, for_all)
    if not options.yes:
        understood = _asked(understood)
    with opened(inventory) as source:
        known = known_to(source, places)
    merge = options.merge_doubles or bool(said and said.merge_doubles)
    prepared = prepare(understood, known, merge, units)
    if not options.quiet:
        _show(understood)
        for line in place_lines(prepared):
            terminal.paragraph(line, indent=2, hang=2)
        _show_doubles(prepared)
    if not options.yes:
        if prepared.doubles and not prepared.merged and _agrees("Take each of these for one customer?"):
            merge, prepared = True, prepare(understood, known, True, units)
        if not _agrees(f"Load {path.name} like this?"):
            raise AftersunError(*_not_confirmed(path, understood, said, merge, options, where))
    with opened(inventory, read_only=False) as target:
        reports = store_list(target, prepared, options.allow_again, options.stated_on)
    kept = settled(understood, said, merge, options.sheet)
    postcodes = str(options.postcodes.resolve()) if options.postcodes else kept.postcodes
    write_mapping(replace(kept, country=options.country.upper() or kept.country, postcodes=postcodes), where)
    with Inventory.copied(inventory) as (copy, _):
        reports = with_list_findings(copy, reports, prepared, company)
        silent = without_basis(copy, prepared)
        found = check_inventory(copy, company=company)
    odd = [f"{one.text} {one.what_to_do}" for one in found if one.level == WARNING and not one.cause]
    advice = sentence("no_basis", count=f"{counted(silent, 'customer')} may be called", path=where) if silent else ""
    doubtful = doubt_lines(prepared)
    to_correct = write_doubtful(prepared, inventory.parent)
    return ListLoaded(reports, doubtful, str(to_correct or ""), str(where), len(prepared.doubles), advice, odd)


def _where(said: MappingFile | None, options: ListOptions, company: Mapping[str, float]) -> Where:
    """Return what the places of a list go by, as the command line says it, else the mapping file."""
    from aftersun.inventory.office_list.placing import Where, country_code
    from aftersun.inventory.places import Point, read_postcodes

    named = options.country or (said.country if said else "")
    country = country_code(named) if named else ""
    if country is None:
        raise AftersunError("No country is called so.", "Name it by its two letters (ISO 3166), such as GB or DE.")
    file = options.postcodes or (Path(said.postcodes) if said and said.postcodes else None)
    near = Point(company["base_latitude"], company["base_longitude"]) if "base_latitude" in company else None
    return Where(near, country, read_postcodes(file) if file else None)


def _not_confirmed(
    path: Path, understood: Understood, said: MappingFile | None, merge: bool, options: ListOptions, where: Path
) -> tuple[str, str]:
    """Write the mapping file for a person to correct; the inventory stays as it is."""
    from aftersun.inventory.office_list.load_list import settled
    from aftersun.inventory.office_list.mapping import write_mapping

    write_mapping(settled(understood, said, merge, options.sheet), where)
    return (
        f"{path.name} is a list under headings of its own and was not loaded.",
        f"What is proposed is in {where}: correct it there if need be, then answer yes or add --yes.",
    )


def _agrees(question: str) -> bool:
    try:
        return typer.confirm(question, err=True)
    except (typer.Abort, EOFError):
        return False


def _asked(understood: Understood) -> Understood:
    """Ask what the cells leave open, and read the list by the answers."""
    from aftersun.inventory.office_list.load_list import BASIS, lacks_basis, read_as
    from aftersun.inventory.office_list.mapping import ASKED

    for name in sorted(understood.questions):
        question, allowed = ASKED[name]
        try:
            answer = typer.prompt(
                f"{question} ({' / '.join(allowed)}; Enter = not known)", default="", show_default=False, err=True
            )
        except (typer.Abort, EOFError):
            break
        if answer.strip().casefold() in allowed:
            decisions = replace(understood.decisions, **{name: answer.strip().casefold()})
            understood = read_as(understood.path, understood.grid, understood.proposals, decisions)
    if lacks_basis(understood):
        question = "The list allows calls. On what does that rest, such as 'agreement in the service contract'"
        try:
            basis = typer.prompt(f"{question}? (Enter = not known)", default="", show_default=False, err=True).strip()
        except (typer.Abort, EOFError):
            basis = ""
        if basis:
            for_all = (*understood.decisions.for_all, (str(BASIS), basis))
            decisions = replace(understood.decisions, for_all=for_all)
            understood = read_as(understood.path, understood.grid, understood.proposals, decisions)
    return understood


def _show(understood: Understood) -> None:
    from aftersun.inventory.office_list.load_list import first_rows, note_lines

    sheet = f", sheet {understood.grid.sheet!r}" if understood.grid.sheet else ""
    terminal.result(
        f"{understood.path.name}{sheet}: {counted(len(understood.grid.lines), 'row')} under headings of its own"
    )
    for line in note_lines(understood):
        terminal.paragraph(line, indent=2, hang=2)
    if understood.left_out:
        terminal.paragraph(
            f"left out, nobody needs them: {', '.join(map(repr, understood.left_out))}", indent=2, hang=2
        )
    terminal.result("The first rows as understood, names and addresses masked:")
    for line in first_rows(understood):
        terminal.paragraph(line, indent=2, hang=4)


def _show_doubles(prepared: Prepared) -> None:
    if not prepared.doubles:
        return
    done = "taken for one each" if prepared.merged else "left apart; --merge-doubles takes each for one"
    terminal.paragraph(f"{counted(len(prepared.doubles), 'customer')} under several numbers, {done}:")
    for double in prepared.doubles[:_MOST_SHOWN]:
        terminal.paragraph(_double(prepared, double), indent=2, hang=2)
    if len(prepared.doubles) > _MOST_SHOWN:
        terminal.result(f"  and {len(prepared.doubles) - _MOST_SHOWN:,} more")


def _double(prepared: Prepared, double: Double) -> str:
    lines = ", ".join(str(prepared.understood.grid.lines[row]) for row in double.rows[:5])
    return f"{', '.join(double.ids[:5])}: same {', '.join(double.signs)} (lines {lines})"


def show_loaded(path: Path, loaded: ListLoaded) -> None:
    """Print what is doubtful and where it can be corrected."""
    for line in loaded.doubtful[:_MOST_SHOWN]:
        terminal.paragraph(f"doubtful, {line}", indent=2, hang=2)
    if len(loaded.doubtful) > _MOST_SHOWN:
        terminal.result(f"  and {len(loaded.doubtful) - _MOST_SHOWN:,} more causes")
    for line in loaded.odd:
        terminal.paragraph(f"odd: {line}", indent=2, hang=2)
    if loaded.to_correct:
        terminal.paragraph(
            f"The doubtful cells are marked in {loaded.to_correct}: correct them there and load that file. What is not "
            "understood is unknown until then."
        )
    if loaded.advice:
        terminal.paragraph(f"{loaded.advice}.")
    terminal.paragraph(f"How {path.name} is read is kept in {loaded.mapping}, and the next list is read so too.")
