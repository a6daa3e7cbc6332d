"""The small file that says how an export of readings is read; the next one with the same headings is read so."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path

from aftersun.inventory.office_list.mapping import content_of, written
from aftersun.inventory.office_list.matching import MAPPING
from aftersun.inventory.portal_readings.roles import MONTH_OF, YEAR_OF, Proposal, Role, role_called
from aftersun.inventory.portal_readings.settings import ALLOWED, UNITS, Settings
from aftersun.inventory.store.refusals import refusal

_OF_ONE_FILE = ("site", "year")  # settings that hold for one file and no other of its kind
_HEAD = """\
# How aftersun reads exports of readings with these headings. Correct it and load the file again.
# A column that is "" is left out. Others are: when, start, end, year, month, device, meter, site, customer, or a value:
# energy, power or counter, with production, import or export before it where the heading says which.
"""
_SAID = {
    "language": "of the headings: " + " ".join(ALLOWED["language"]),
    "decimal": '"," or "." where a cell like 8.000 could be either; empty = by the cells',
    "dates": '"day first" or "month first" where a cell could be either; empty = by the cells',
    "clock": '"standard time", or "summer time" of clocks that are put forward; empty = by the hours of change',
    "labels": '"start" or "end" of the interval that a time stands for; empty = by the times',
    "meter": '"production", "import" or "export" where no column says which',
    "quantity": '"energy", "power" or "counter" whatever the headings say; empty = by them',
    "unit": f"of values whose column names none, or a wrong one: {' '.join(UNITS)}",
}


@dataclass(frozen=True)
class ReadingMapping:
    """What a mapping file of readings says: what columns are and their units by heading, and settings."""

    columns: Mapping[str, Role | None] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    settings: Settings = field(default_factory=Settings)
    sheet: str = ""


def mapping_path(inventory: Path, headings: Sequence[str]) -> Path:
    """Return where the mapping of exports with these headings stands; numbers in them do not count."""
    kind = "|".join(re.sub(r"[0-9]+", "", heading).strip().casefold() for heading in headings)
    return inventory.with_name(
        f"{inventory.stem}.readings-{hashlib.sha256(kind.encode()).hexdigest()[:6]}.mapping.toml"
    )


def settings_of(said: Mapping[str, str]) -> Settings:
    """Return settings that were named on the command line or in a file.

    Raises
    ------
    AftersunError
        If there is none of that name, or it may not be that.
    """
    known = [entry.name for entry in fields(Settings)]
    for name, value in said.items():
        if name not in known:
            raise refusal("no_reading_setting", name=name, names=", ".join(known))
        year = name == "year" and not re.fullmatch(r"(19|20)[0-9]{2}", value)
        if year or (value and name in ALLOWED and value.casefold() not in ALLOWED[name]):
            raise refusal("no_reading_value", name=name, values=" | ".join(ALLOWED.get(name, ("four digits",))))
    return Settings(**{name: value.casefold() if name in ALLOWED else value for name, value in said.items()})


def read_mapping(path: Path) -> ReadingMapping:
    """Read a mapping file of readings.

    Raises
    ------
    AftersunError
        If it cannot be read, or says something that is not known.
    """
    content = content_of(path)
    columns, units = content.get("columns", {}), content.get("units", {})
    if not isinstance(columns, dict) or not isinstance(units, dict):
        raise refusal("no_mapping", path=path, what="it has no [columns]")
    found = {str(heading): role_called(str(said)) if said else None for heading, said in columns.items()}
    wrong = [heading for heading, said in columns.items() if said and found[str(heading)] is None]
    wrong += [heading for heading, unit in units.items() if str(unit).casefold() not in UNITS]
    if wrong:
        raise refusal("no_mapping", path=path, what=f"what it says of {wrong[0]!r} is not known")
    said = {name: str(content[name]) for name in ALLOWED if name in content}
    units = {str(heading): str(unit).casefold() for heading, unit in units.items()}
    return ReadingMapping(found, units, settings_of(said), str(content.get("sheet", "")))


def applied(proposals: Sequence[Proposal], said: ReadingMapping) -> list[Proposal]:
    """Return proposals with what a mapping file says in their place."""
    found = []
    for proposal in proposals:
        if proposal.heading in said.columns:
            unit = said.units.get(proposal.heading, proposal.unit)
            role = said.columns[proposal.heading]
            found.append(replace(proposal, role=role, score=100.0, by=MAPPING, unit=unit))
        else:
            found.append(proposal)
    return found


def write_mapping(proposals: Sequence[Proposal], settings: Settings, sheet: str, path: Path) -> bool:
    """Write how a file was read, and tell whether it is something else than stood there.

    Raises
    ------
    AftersunError
        If it cannot be written.
    """
    kept = replace(settings, **dict.fromkeys(_OF_ONE_FILE, ""))
    plain = [p for p in proposals if p.role is None or p.role.kind not in (MONTH_OF, YEAR_OF)]
    lines = [f"sheet = {_quoted(sheet)}  # of a workbook; empty = the one that looks like readings"]
    lines += [f"{name} = {_quoted(getattr(kept, name))}  # {said}" for name, said in _SAID.items()]
    columns = [f"{_quoted(p.heading)} = {_quoted(str(p.role or ''))}" for p in plain]
    units = [f"{_quoted(p.heading)} = {_quoted(p.unit)}" for p in plain if p.unit and p.role]
    return written("\n".join([_HEAD, *lines, "", "[columns]", *columns, "", "[units]", *units, ""]), path)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
