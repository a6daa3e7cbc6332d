"""The small file that says how a list is read: a person can correct it, and the next list of the kind is read by it."""

from __future__ import annotations

import json
import os
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from aftersun.inventory.office_list.matching import MAPPING, Proposal
from aftersun.inventory.office_list.placing import country_code
from aftersun.inventory.office_list.reading import Decisions
from aftersun.inventory.office_list.vocabulary import LANGUAGES, LIST, MOST_ARRAYS, Target, of, targets, units_of
from aftersun.inventory.store.dictionary import choice_meanings
from aftersun.inventory.store.private import put_in_place, sibling
from aftersun.inventory.store.refusals import refusal

_SAME_LIST = 0.5  # of the headings in a mapping file that a list must have to be of its kind (own choice)
ALLOWED = {  # by decision
    "language": ("", *LANGUAGES),
    "decimal": ("", ",", "."),
    "dates": ("", "day first", "month first"),
    "azimuth_zero": ("", "north", "south"),
    "volumes": ("", "litres", "us gallons", "imperial gallons"),
}
ASKED = {
    "decimal": ("In cells like 8.000 or 1,500: which sign is the decimal one", (",", ".")),
    "dates": ("In days like 02/03/2024: what comes first", ("day first", "month first")),
    "azimuth_zero": ("Directions in degrees: where is 0", ("north", "south")),
    "volumes": ("Volumes like 50 or 50 gal: what are they", ("litres", "us gallons", "imperial gallons")),
    "language": (
        "In which language is the list (the letter O is east or west)",
        ("en", "de", "fr", "es", "it", "nl", "pt"),
    ),
}
"""What may have to be decided of a list, with what can be."""
_HEAD = """\
# How aftersun reads this list. Correct it and load the list again; the next list with these headings is read so.
# A column that is "" is left out. 'aftersun inventory columns' says what there is; a second array's are like
# "array.tilt_deg 2".
# Besides: list.first_name, list.last_name, list.house_number, list.postcode, list.town, list.country, list.plus_code,
# list.position (latitude and longitude in one cell), list.no_contact (yes = do not call).
"""
_FOR_ALL = "[for_all]  # what an empty cell means in every row; of contact_basis: where the list allows to call"
_SAID = {
    "sheet": "of a workbook; empty = the one that looks like the list",
    "language": "of the headings: " + " ".join(LANGUAGES),
    "decimal": '"," or "." where a cell like 8.000 could be either; empty = by the cells',
    "dates": '"day first" or "month first" where a cell could be either; empty = by the cells',
    "azimuth_zero": '"north", or "south" with west positive; empty = by the cells',
    "volumes": '"litres", "us gallons" or "imperial gallons" where a cell like 50 or 50 gal could be either',
    "country": "of rows that name none, such as GB; empty = that of the company's base, else where most towns are",
    "postcodes": "file of postcodes in GeoNames' format (download.geonames.org/export/zip); empty = places go by town",
}


@dataclass(frozen=True)
class MappingFile:
    """What a mapping file says: columns and units by heading, decisions, whether doubles are merged."""

    columns: Mapping[str, Target | None]
    units: Mapping[str, str] = field(default_factory=dict)
    decisions: Decisions = field(default_factory=Decisions)
    sheet: str = ""
    merge_doubles: bool = False
    country: str = ""
    postcodes: str = ""


def applied(proposals: Sequence[Proposal], said: MappingFile, path: Path) -> list[Proposal]:
    """Return proposals with what a mapping file says in their place; a column it does not know stays proposed.

    Raises
    ------
    AftersunError
        If it is for another list: fewer than half of its headings are there.
    """
    there = {proposal.heading for proposal in proposals}
    wanted = [heading for heading, target in said.columns.items() if target is not None]
    missing = [heading for heading in wanted if heading not in there]
    if len(wanted) - len(missing) < _SAME_LIST * len(wanted) or not wanted:
        raise refusal("other_list", path=path, missing=len(missing), wanted=len(wanted))
    given = set(said.columns.values())
    found = []
    for proposal in proposals:
        if proposal.heading in said.columns:
            target = said.columns[proposal.heading]
            unit = said.units.get(proposal.heading, "")
            found.append(replace(proposal, target=target, score=100.0, by=MAPPING, unit=unit))
        else:
            found.append(replace(proposal, target=None) if proposal.target in given else proposal)
    return found


def content_of(path: Path) -> dict[str, Any]:
    """Read the TOML of a mapping file.

    Raises
    ------
    AftersunError
        If it cannot be read.
    """
    try:
        return tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise refusal("unreadable_file", path=path, why=error.strerror or "damaged file") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        where = str(error).partition("(at ")[2].rstrip(")") or "not UTF-8"
        raise refusal("no_mapping", path=path, what=f"it cannot be read: {where}") from None


def read_mapping(path: Path) -> MappingFile:
    """Read a mapping file.

    Raises
    ------
    AftersunError
        If it cannot be read, or says something that is not known.
    """
    content = content_of(path)
    for name, allowed in ALLOWED.items():
        if content.get(name, "") not in allowed:
            raise refusal("no_mapping", path=path, what=f"{name} is none of {', '.join(map(repr, allowed))}")
    columns, units = content.get("columns"), content.get("units", {})
    if not isinstance(columns, dict) or not isinstance(units, dict):
        raise refusal("no_mapping", path=path, what="it has no [columns]")
    found = {str(heading): _target(path, str(heading), said) for heading, said in columns.items()}
    known = [target for target in found.values() if target is not None]
    if twice := sorted({str(target) for target in known if known.count(target) > 1}):
        raise refusal("no_mapping", path=path, what=f"{twice[0]} is named twice")
    for heading, unit in units.items():
        target = found.get(str(heading))
        if target is None or str(unit).casefold() not in units_of(of(target)):
            raise refusal("no_mapping", path=path, what=f"the unit of {heading!r} is not known")
    decided: dict[str, Any] = {name: str(content.get(name, "")) for name in ALLOWED}
    return MappingFile(
        found,
        {str(heading): str(unit).casefold() for heading, unit in units.items()},
        Decisions(**decided, for_all=_for_all(path, content.get("for_all", {}))),
        str(content.get("sheet", "")),
        content.get("merge_doubles") is True,
        country_code(str(content.get("country", ""))) or "",
        str(content.get("postcodes", "")),
    )


def _for_all(path: Path, said: object) -> tuple[tuple[str, str], ...]:
    if not isinstance(said, dict):
        raise refusal("no_mapping", path=path, what="for_all is no section")
    return tuple((column_for_all(str(name)), str(text)) for name, text in said.items())


def column_for_all(name: str) -> str:
    """Return the name of a column that one thing may be said of for all rows.

    Raises
    ------
    AftersunError
        If there is none of that name, or it is a key.
    """
    target = targets().get(name)
    if target is None or target.table == LIST or of(target).key:
        raise refusal("nothing_for_all", name=name)
    return name


def _target(path: Path, heading: str, said: object) -> Target | None:
    target = target_named(str(said)) if said != "" else None
    if said != "" and target is None:
        raise refusal("no_mapping", path=path, what=f"what it says {heading!r} is, is not known")
    return target


def target_named(name: str) -> Target | None:
    """Return what is named as in a mapping file, such as ``array.tilt_deg 2``; None if nothing is."""
    column, _, number = name.partition(" ")
    target = targets().get(column)
    numbered = number.isdigit() and 1 <= int(number) <= MOST_ARRAYS
    if target is None or (number and not (numbered and target.table == "array")):
        return None
    return replace(target, number=int(number or 1))


def as_text(said: MappingFile) -> str:
    """Return a mapping file as it is written."""
    decided = {"sheet": said.sheet, **{name: getattr(said.decisions, name) for name in ALLOWED}}
    decided |= {"country": said.country, "postcodes": said.postcodes}
    lines = [f"{name} = {_quoted(value)}  # {_SAID[name]}" for name, value in decided.items()]
    lines.append(
        f"merge_doubles = {str(said.merge_doubles).lower()}  # take customers who stand in the list twice for one"
    )
    columns = [
        line
        for heading, target in said.columns.items()
        for line in (f"{_quoted(heading)} = {_quoted(str(target or ''))}", *_choices(target))
    ]
    units = [f"{_quoted(heading)} = {_quoted(unit)}" for heading, unit in said.units.items() if unit]
    for_all = [f"{_quoted(name)} = {_quoted(text)}" for name, text in said.decisions.for_all]
    sections = ["", "[columns]", *columns, "", "[units]  # of cells that name none", *units]
    return "\n".join([_HEAD, *lines, *sections, "", _FOR_ALL, *for_all, ""])


def _choices(target: Target | None) -> list[str]:
    """Return what the choices of a column mean, as remarks, where they do not say it themselves."""
    meanings = choice_meanings().get((target.table, target.column), {}) if target else {}
    return [f"#   {choice}: {meaning}" for choice, meaning in meanings.items()]


def write_mapping(said: MappingFile, path: Path) -> bool:
    """Write a mapping file in the place of the one that is there, and tell whether it says something else now.

    Raises
    ------
    AftersunError
        If it cannot be written.
    """
    return written(as_text(said), path)


def written(text: str, path: Path) -> bool:
    """Write a file for a person to correct in the place of the one that is there; tell whether it says something else.

    Raises
    ------
    AftersunError
        If it cannot be written.
    """
    if path.is_file() and path.read_text("utf-8") == text:
        return False
    made = sibling(path)
    try:
        with open(
            os.open(made, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8", newline="\n"
        ) as file:
            file.write(text)
        put_in_place(made, path, replace=True)
    except OSError as error:
        raise refusal("unwritable_folder", folder=path.parent, why=error.strerror) from error
    finally:
        made.unlink(missing_ok=True)
    return True


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
