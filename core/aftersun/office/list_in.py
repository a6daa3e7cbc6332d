"""Lists on their way in: taken, looked at, corrected, and stored once somebody says yes; all by the inventory."""

from __future__ import annotations

import re
import secrets
import shutil
import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from hashlib import sha256
from pathlib import Path
from typing import Any

from starlette.datastructures import UploadFile

from aftersun.inventory.loading.workbook_file import WORKBOOK_SUFFIXES
from aftersun.inventory.office_list.grid import CSV_SUFFIXES, read_grid, shown
from aftersun.inventory.office_list.load_list import (
    BASIS,
    Prepared,
    Understood,
    doubt_lines,
    known_to,
    lacks_basis,
    notes_of,
    place_lines,
    prepare,
    read_again,
    rows_understood,
    settled,
    store_list,
    understand,
    why_doubtful,
    with_list_findings,
    write_doubtful,
)
from aftersun.inventory.office_list.mapping import (
    ALLOWED,
    ASKED,
    MappingFile,
    read_mapping,
    target_named,
    write_mapping,
)
from aftersun.inventory.office_list.matching import Proposal
from aftersun.inventory.office_list.placing import Where, country_code
from aftersun.inventory.office_list.vocabulary import Target, of, targets, units_of
from aftersun.inventory.places import Point
from aftersun.inventory.store.private import make_folder, umask
from aftersun.model.errors import AftersunError
from aftersun.model.shown import counted
from aftersun.office.work import Office
from aftersun.scoring.run.rank import company_figures

MOST_KEPT = 5  # lists that are looked at
ROWS_SHOWN = 5
TO_CORRECT = 20  # rows with doubtful cells at once
_CELL = re.compile(r"cell\.(\d{1,8})\.(\d{1,4})")
_NO_NAME = re.compile(r"[^\w-]+")


@dataclass
class Waiting:
    """A list that is looked at: as it is read and split now, and what was corrected in it."""

    understood: Understood
    prepared: Prepared
    said: MappingFile
    mapping: Path
    corrected: dict[tuple[int, int], str] = field(default_factory=dict)
    busy: threading.Lock = field(default_factory=threading.Lock)


class Lists:
    """The lists that are looked at; the oldest is forgotten once there are too many, and all are with the page."""

    def __init__(self, office: Office) -> None:
        self._office = office
        self._waiting: dict[str, Waiting] = {}

    def take(self, file: UploadFile | None) -> str:
        """Keep a file and read it; return by what it is asked for.

        Raises
        ------
        AftersunError
            If it is no list that can be read.
        """
        given = Path((file.filename if file else "") or "")
        suffix = given.suffix.lower()
        if file is None or suffix not in (*CSV_SUFFIXES, *WORKBOOK_SUFFIXES):
            kinds = ", ".join((*CSV_SUFFIXES, *WORKBOOK_SUFFIXES))
            raise AftersunError(f"Choose a file that ends in {kinds}.", "Nothing was loaded.")
        number = secrets.token_hex(8)
        path = self._office.folder / "lists" / number / f"{_NO_NAME.sub('-', given.stem)[:60] or 'list'}{suffix}"
        make_folder(path.parent)
        try:
            with umask(), path.open("wb") as kept:
                shutil.copyfileobj(file.file, kept)
            self._waiting[number] = self._read(path)
        except BaseException:
            shutil.rmtree(path.parent)
            raise
        for oldest in list(self._waiting)[:-MOST_KEPT]:
            self._forget(oldest)
        return number

    def _read(self, path: Path) -> Waiting:
        inventory = self._office.path
        headings = "|".join(read_grid(path).headings)
        first = inventory.with_name(f"{inventory.stem}.mapping.toml")
        other = first.with_name(f"{inventory.stem}.mapping-{sha256(headings.encode()).hexdigest()[:6]}.toml")
        mapping = other if other.exists() else first
        said = read_mapping(mapping) if mapping.is_file() else None
        try:
            understood = understand(path, said, mapping)
        except AftersunError:
            if said is None or mapping == other:
                raise
            mapping, said, understood = other, None, understand(path)  # that file is for lists of another kind
        said = settled(understood, said, bool(said and said.merge_doubles))
        return Waiting(understood, self._prepared(understood, said), said, mapping)

    def _prepared(self, understood: Understood, said: MappingFile) -> Prepared:
        near = None
        with suppress(AftersunError):  # a company file that is not filled in yet
            base = company_figures(self._office.company_file)
            near = Point(base["base_latitude"], base["base_longitude"])
        with self._office.inventory() as inventory:
            known = known_to(inventory, Where(near, said.country))
        return prepare(understood, known, said.merge_doubles)

    def look_again(self, number: str, fields: Mapping[str, str]) -> bool:
        """Read a list as a form says, and tell whether it said anything new.

        Raises
        ------
        AftersunError
            If it cannot be read so, or is no longer kept.
        """
        waiting = self._of(number)
        with waiting.busy:
            said = _said(waiting, fields)
            cells = {
                (int(found[1]), int(found[2])): text
                for name, text in fields.items()
                if (found := _CELL.fullmatch(name)) and text != _cell(waiting, int(found[1]), int(found[2]))
            }
            if said == waiting.said and not cells:
                return False
            understood = read_again(waiting.understood, said, cells)
            waiting.prepared = self._prepared(understood, said)
            waiting.understood, waiting.said = understood, said
            waiting.corrected |= cells
            return True

    def store(self, number: str, who: str) -> list[str]:
        """Store a list as it is read, and return what came of it."""
        waiting = self._of(number)
        with waiting.busy:
            with self._office.writing(who) as inventory:
                reports = store_list(inventory, waiting.prepared)
                company: dict[str, float] = {}
                with suppress(AftersunError):
                    company = company_figures(self._office.company_file)
                reports = with_list_findings(inventory, reports, waiting.prepared, company)
            write_mapping(settled(waiting.understood, waiting.said, waiting.said.merge_doubles), waiting.mapping)
            to_correct = write_doubtful(waiting.prepared, self._office.path.parent)
        self._forget(number)
        lines = []
        for report in reports:
            lines.append(
                f"{report.table}: {counted(report.rows_read, 'row')}, {report.added} added, {report.changed} changed, "
                f"{report.unchanged} unchanged, {report.rejected} rejected."
            )
            lines += [*report.problems, *(f"Not taken over: {conflict}" for conflict in report.conflicts)]
            lines += [finding.text for finding in report.columns]
        if to_correct:
            lines.append(f"What is not understood is unknown until it is corrected in {to_correct.name} and loaded.")
        return lines

    def screen(self, number: str) -> dict[str, Any]:
        """Return how a list is understood now: columns, decisions, first rows, doubtful cells."""
        if not number:
            return {"list": "", "kinds": ",".join((*CSV_SUFFIXES, *WORKBOOK_SUFFIXES))}
        waiting = self._of(number)
        understood, prepared = waiting.understood, waiting.prepared
        needed = [p.target for p in understood.proposals if p.target]
        doubtful = why_doubtful(prepared)
        return {
            "list": number,
            "name": understood.path.name,
            "rows": len(understood.grid.lines),
            "columns": [
                {
                    "heading": proposal.heading,
                    "position": proposal.position,
                    "target": str(proposal.target or ""),
                    "unit": proposal.unit,
                    "units": _units(proposal),
                    "read": understood.columns[proposal.target].read if proposal.target else 0,
                    "notes": "; ".join(notes_of(understood, proposal)),
                }
                for proposal in understood.proposals
            ],
            "targets": sorted(targets()),
            "questions": [
                (name, *ASKED[name], getattr(waiting.said.decisions, name))
                for name in ASKED
                if name in understood.questions or getattr(waiting.said.decisions, name)
            ],
            "basis": dict(understood.decisions.for_all).get(str(BASIS), ""),
            "lacks_basis": lacks_basis(understood),
            "country": waiting.said.country,
            "placed": place_lines(prepared),
            "doubles": [", ".join(double.ids[:5]) for double in prepared.doubles[:TO_CORRECT]],
            "double_count": len(prepared.doubles),
            "merge": waiting.said.merge_doubles,
            "needed": needed,
            "first": rows_understood(understood, ROWS_SHOWN),
            "doubts": doubt_lines(prepared),
            "doubtful": [
                {
                    "line": int(understood.grid.lines[row]),
                    "cells": [
                        {
                            "name": f"cell.{row}.{position}",
                            "heading": understood.proposals[position].heading,
                            "text": _cell(waiting, row, position),
                            "why": why.partition(": ")[2],
                        }
                        for position, why in sorted(doubtful[row].items())
                        if position >= 0
                    ],
                    "why": doubtful[row].get(-1, ""),
                }
                for row in sorted(doubtful)[:TO_CORRECT]
            ],
            "doubtful_count": len(doubtful),
        }

    def _of(self, number: str) -> Waiting:
        try:
            return self._waiting[number]
        except KeyError:
            raise AftersunError("This list is no longer kept here.", "Choose its file again.") from None

    def _forget(self, number: str) -> None:
        self._waiting.pop(number, None)
        shutil.rmtree(self._office.folder / "lists" / number, ignore_errors=True)


def _said(waiting: Waiting, fields: Mapping[str, str]) -> MappingFile:
    """Return what a form says of a list; what it does not speak of stays."""
    before, units = waiting.said, {}
    columns: dict[str, Target | None] = {}
    for proposal in waiting.understood.proposals:
        name = fields.get(f"column.{proposal.position}", str(proposal.target or ""))
        target = target_named(name)
        if name and target is None:
            raise AftersunError(f"No column is called '{name}'.", "Choose one of those that are proposed.")
        if target is not None and target in columns.values():
            raise AftersunError(f"Two columns of the list are taken for {target}.", "Leave one of them empty.")
        columns[proposal.heading] = target
        unit = fields.get(f"unit.{proposal.position}", proposal.unit)
        if target is not None and unit in units_of(of(target)):
            units[proposal.heading] = unit
    decided = {name: fields[name] for name in ASKED if fields.get(name) in ALLOWED[name]}
    others = tuple(pair for pair in before.decisions.for_all if pair[0] != str(BASIS))
    basis = fields.get("basis", dict(before.decisions.for_all).get(str(BASIS), ""))
    decisions = replace(before.decisions, **decided, for_all=(*others, *([(str(BASIS), basis)] if basis else [])))
    named = fields.get("country", before.country)
    country = country_code(named) if named else ""
    if country is None:
        raise AftersunError("No country is called so.", "Name it by its two letters (ISO 3166), such as GB or DE.")
    merge = "merge" in fields if "columns" in fields else before.merge_doubles
    return replace(before, columns=columns, units=units, decisions=decisions, country=country, merge_doubles=merge)


def _units(proposal: Proposal) -> list[str]:
    """Return one word for each unit that a column's cells may have; none where there is one alone."""
    if proposal.target is None:
        return []
    words = {factor: word for word, factor in reversed([*units_of(of(proposal.target)).items()])}
    return sorted({*words.values(), *filter(None, [proposal.unit])}) if len(words) > 1 else []


def _cell(waiting: Waiting, row: int, position: int) -> str:
    """Return what stands in a cell of a list, "" if nothing does or there is none."""
    cells = waiting.understood.grid.cells
    if row >= len(cells) or position >= len(cells.columns):
        raise AftersunError("The list has no such cell.", "Nothing was changed.")
    text = cells.iloc[row, position]
    return shown(str(text).strip()) if isinstance(text, str) else ""
