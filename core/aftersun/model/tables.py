"""The data files as typed records. Each table is parsed here, once, and nowhere else in the core."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from types import MappingProxyType
from typing import NamedTuple

import aftersun_datasets
from aftersun.model.change import Note
from aftersun.model.ranges import Claim, Fact, Range

DATA = "aftersun_datasets"


@cache
def ranges(file: str, package: str = DATA, key: str = "name") -> Mapping[str, Range]:
    """Return the rows of a table with the columns low, mode, high, unit, source and meaning, by its column ``key``.

    ``file`` is a path inside ``package``, with slashes. Raises ValueError for a row that is no range.
    """
    return MappingProxyType({row[key]: Range.from_row(row) for row in aftersun_datasets.rows(file, package)})


def mode(file: str, name: str) -> float:
    """Return the value in use of the row ``name`` of such a table, in the row's own unit; KeyError if there is none."""
    return ranges(file)[name].mode


@cache
def facts(file: str = "facts.csv", package: str = DATA) -> Mapping[str, Fact]:
    """Return yes/no facts by id, from a table of ranges with the columns id and question."""
    questions = {row["id"]: row["question"] for row in aftersun_datasets.rows(file, package)}
    priors = ranges(file, package, "id")
    return MappingProxyType({name: Fact(name, priors[name], question) for name, question in questions.items()})


@cache
def settings(section: str) -> Mapping[str, Range]:
    """Return the usual settings of one section of the company file by name, from ``money.csv``."""
    rows = aftersun_datasets.rows("money.csv")
    return MappingProxyType({row["name"]: Range.from_row(row) for row in rows if row["section"] == section})


class Belief(NamedTuple):
    """What is believed of one choice of a fact where nobody knows: its chance (0..1), all choices adding up to 1.

    It cannot be where the site's number ``not_where_above_0`` is above 0; "" = it can be anywhere.
    """

    chance: float
    not_where_above_0: str


@cache
def choices() -> Mapping[str, Mapping[str, Belief]]:
    """Return what is believed of facts with several choices, by column and choice, from ``choices.csv``."""
    by_fact: dict[str, dict[str, Belief]] = {}
    for row in aftersun_datasets.rows("choices.csv"):
        by_fact.setdefault(row["fact"], {})[row["choice"]] = Belief(float(row["chance"]), row["not_where_above_0"])
    return MappingProxyType(by_fact)


class Use(NamedTuple):
    """What a building is used for: its standard load profile, whether people live there, and whether the owner gets
    sales tax back where nothing else is said.
    """

    profile: str
    home: bool
    reclaims_tax: bool


@cache
def uses() -> Mapping[str, Use]:
    """Return the uses of a site by name, that of a home first, from ``uses.csv``."""
    rows = aftersun_datasets.rows("uses.csv")
    return MappingProxyType(
        {row["use"]: Use(row["profile"], row["home"] == "yes", row["reclaims_tax"] == "yes") for row in rows}
    )


class FactTest(NamedTuple):
    """How well one way of asking tells a fact: chances (0..1) to be told yes where it is so, no where it is not.

    ``inspection`` is the key of the inspection that it takes, empty for none.
    """

    sensitivity: float
    specificity: float
    inspection: str


@cache
def fact_tests() -> Mapping[tuple[str, str], FactTest]:
    """Return the ways to learn of facts, by fact and way, from ``fact_tests.csv``."""
    tests = {}
    for row in aftersun_datasets.rows("fact_tests.csv"):
        chances = float(row["sensitivity"]), float(row["specificity"])
        tests[row["fact"], row["way"]] = FactTest(*chances, row["inspection"])
    return MappingProxyType(tests)


@cache
def inspection_hours() -> Mapping[str, tuple[str, float]]:
    """Return skill and hours on site of inspections that a crew does itself, from ``inspection_hours.csv``.

    What is not there, as a check by an engineer or an inspection of a plugin, is done by others.
    """
    hours = ranges("inspection_hours.csv")
    rows = aftersun_datasets.rows("inspection_hours.csv")
    return MappingProxyType({row["name"]: (row["skill"], hours[row["name"]].mode) for row in rows})


class StandingDevice(NamedTuple):
    """A device whose note belongs to all other work on a site where it stands.

    It stands where ``retrofit_fitted`` was recorded as fitted, or where a number of the site is above 0; "" = neither.
    """

    note: Note
    retrofit_fitted: str
    site_number_above_0: str


@cache
def standing_devices() -> Sequence[StandingDevice]:
    """Return the devices of ``standing_devices.csv``."""
    rows = aftersun_datasets.rows("standing_devices.csv")
    notes = read_notes(DATA, "safety_notes.csv", [row["note_id"] for row in rows])
    return tuple(
        StandingDevice(notes[row["note_id"]], row["retrofit_fitted"], row["site_number_above_0"]) for row in rows
    )


class WorkFact(NamedTuple):
    """What is true of a site once a retrofit is done there in this way; ``variant`` "" = in any way.

    ``value`` is a text as a table to load says it; DAY_OF_WORK stands for that day.
    """

    retrofit: str
    variant: str
    column: str
    value: str


DAY_OF_WORK = "day of the work"


@cache
def work_facts() -> Sequence[WorkFact]:
    """Return what work that is done makes true, from ``work_facts.csv``."""
    rows = aftersun_datasets.rows("work_facts.csv")
    return tuple(WorkFact(*(row[name] for name in WorkFact._fields)) for row in rows)


class LearntFrom(NamedTuple):
    """Which assumption the work of a retrofit tells of; what is observed goes with its ``power``.

    ``of`` is gain or hours, ``section`` where the company file overrides it: assumptions (of the retrofit) or system.
    """

    retrofit: str
    of: str
    section: str
    name: str
    power: float


@cache
def learnt_assumptions() -> Sequence[LearntFrom]:
    """Return what work teaches of, from ``learnt_assumptions.csv``."""
    rows = aftersun_datasets.rows("learnt_assumptions.csv")
    return tuple(
        LearntFrom(row["retrofit"], row["of"], row["section"], row["name"], float(row["power"])) for row in rows
    )


class Urgency(NamedTuple):
    """How soon the owner has to hear of a known danger: ``rank`` 1 = first, of the note that tells it.

    ``fact`` is the site's column that it is recorded in. The rank does not hold where ``unless_fact`` ("" = none) is
    known to be ``unless_value``.
    """

    rank: int
    note_id: str
    fact: str
    unless_fact: str
    unless_value: bool


@cache
def danger_urgency() -> Sequence[Urgency]:
    """Return the order of known dangers, from ``danger_urgency.csv``."""
    return tuple(
        Urgency(int(row["rank"]), row["note_id"], row["fact"], row["unless_fact"], row["unless_value"] == "yes")
        for row in aftersun_datasets.rows("danger_urgency.csv")
    )


class ShortfallCause(NamedTuple):
    """Why output may be missing: ``share`` of such sites (0..1; of an open string the meter says it), ``most`` of the
    output that it explains (0..1), from which DC rating on (kW).

    Chances to be found on a visit and cured (0..1), years that the cure counts, and what it costs in call-outs, once
    and for each kW.
    """

    cause: str
    share: float
    most: float
    least_kw: float
    found: float
    cured: float
    years: float
    repairs: float
    repairs_per_kw: float


@cache
def shortfall_causes() -> Sequence[ShortfallCause]:
    """Return the causes of ``shortfall_causes.csv``."""
    rows = aftersun_datasets.rows("shortfall_causes.csv")
    names = ShortfallCause._fields[1:]
    return tuple(ShortfallCause(row["cause"], *(float(row[name] or 0.0) for name in names)) for row in rows)


# What plugins read of their own packages, by aftersun.api.


def read_ranges(package: str, file: str) -> dict[str, Range]:
    """Read assumptions from a CSV file that a package carries, by name.

    The columns are name, low, mode, high, unit, source, meaning. ``file`` is a path inside the package, with slashes.
    """
    return dict(ranges(file, package))


def read_facts(package: str, file: str, ids: Sequence[str]) -> dict[str, Fact]:
    """Read the facts ``ids`` from a CSV file with the columns id, low, mode, high, unit, source, meaning, question.

    Raises
    ------
    KeyError
        If the file lacks one of them.
    """
    return {name: facts(file, package)[name] for name in ids}


def read_claims(package: str, file: str, retrofit: str) -> tuple[Claim, ...]:
    """Read the trade's claims of one retrofit from a CSV file with the columns retrofit, text, source."""
    rows = aftersun_datasets.rows(file, package)
    return tuple(Claim(row["text"], row["source"]) for row in rows if row["retrofit"] == retrofit)


def read_notes(package: str, file: str, ids: Sequence[str]) -> dict[str, Note]:
    """Read the safety notes ``ids`` from a CSV file with the columns id, severity, text, who, source, tell_owner.

    ``tell_owner`` is yes or no and may be left out.

    Raises
    ------
    KeyError
        If the file lacks one of them.
    """
    rows = {row["id"]: row for row in aftersun_datasets.rows(file, package)}
    return {name: _note(rows[name]) for name in ids}


def _note(row: Mapping[str, str]) -> Note:
    tell_owner = row.get("tell_owner") == "yes"
    return Note(row["id"], row["severity"], row["text"], row["who"], row["source"], tell_owner)
