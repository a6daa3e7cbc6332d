"""Asks a retrofit as the host does in a run, shows it no more than it declares, lays out what it says site by site."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from aftersun.energy.baseline import baseline
from aftersun.host.answer_checks import PluginError, check_change, check_notes, check_screening
from aftersun.host.assumed import assumed, screened, takes_values, with_assumptions
from aftersun.model.change import DOES_NOT_FIT, Change, CostLine, Notes, Retrofit, Screening
from aftersun.model.cohort import Cohort
from aftersun.model.plant import PER_ARRAY, PER_SITE, Plant
from aftersun.model.ranges import Assumed, Range
from aftersun.scoring.offers.chunk import plant_texts

_STRUCTURE = ("site",)  # the position of an array's site belongs to the frame, not to the facts

Said = Mapping[str, Mapping[str, object]]


@dataclass(frozen=True, eq=False)
class Declared(Cohort):
    """A cohort whose frames hold the columns ``reads`` and nothing else; the public physics has them all.

    ``full`` is what they were taken from.
    """

    full: Cohort = field(kw_only=True)
    reads: frozenset[str] = field(kw_only=True)

    @classmethod
    def of(cls, cohort: Cohort, reads: Collection[str]) -> Declared:
        """Hide all columns but ``reads``."""
        shown = frozenset(reads)
        held = {column.name: getattr(cohort, column.name) for column in fields(Cohort) if column.init}
        held["sites"] = cohort.sites[[name for name in cohort.sites.columns if name in shown]]
        held["arrays"] = cohort.arrays[[name for name in cohort.arrays.columns if name in (*shown, *_STRUCTURE)]]
        return cls(**held, full=cohort, reads=shown)

    @property
    def whole(self) -> Cohort:
        """The cohort with all columns, for the public physics."""
        return self.full

    def take(self, rows: npt.NDArray[np.intp]) -> Declared:
        """Return the cohort of the sites at these positions, as little to be seen of it as of this one."""
        return Declared.of(self.full.take(rows), self.reads)

    def hides(self, name: object) -> bool:
        """Tell whether this is a column that there is and that is not shown."""
        columns = {*self.full.sites.columns, *self.full.arrays.columns}
        return name in columns and name not in {*self.reads, *_STRUCTURE}


@dataclass(frozen=True, eq=False)
class Answers:
    """What a retrofit says of a cohort. ``change`` is of ``offered``, the sites that it does not reject."""

    cohort: Cohort
    screening: Screening
    notes: Notes
    rows: npt.NDArray[np.intp]  # positions of the offered sites
    offered: Cohort
    plant: Plant
    change: Change

    @property
    def lines(self) -> tuple[CostLine, ...]:
        """All cost lines and yearly lines, of the alternatives too."""
        changes = (self.change, *self.change.alternatives)
        return tuple(line for change in changes for line in (*change.costs, *change.yearly))


def ask(retrofit: Retrofit, cohort: Cohort, assume: Assumed | None = None) -> Answers:
    """Screen, take the safety notes, and change the sites that are not rejected, checking each answer.

    Raises
    ------
    AssertionError
        If an answer is not what the host takes.
    """
    try:
        values = assumed(retrofit, {}, {}) if assume is None else assume
        screening, notes = screened(retrofit, cohort, values), retrofit.safety(cohort)
        check_screening(screening, len(cohort))
        check_notes(notes, len(cohort))
        rows = np.flatnonzero(screening.status != DOES_NOT_FIT)
        offered = cohort.take(rows)
        plant = baseline(cohort.whole).take(rows, cohort.whole.array_rows(rows))
        change = retrofit.change(offered, plant, values)
        check_change(change, len(offered), len(offered.arrays), retrofit.about.priced_items, plant_texts())
    except PluginError as error:
        raise AssertionError(f"{error}. In a run the host would mark the retrofit as failed.") from error
    return Answers(cohort, screening, notes, rows, offered, plant, change)


def per_site(answers: Answers) -> Said:
    """Return all that is said of each site, by site_id; lines of quantity 0 say nothing."""
    said: dict[str, dict[str, object]] = {}
    for row, site in enumerate(answers.cohort.sites.index):
        said[str(site)] = {
            "status": answers.screening.status[row],
            "reason": answers.screening.reason[row],
            "safety notes": tuple(note.id for note in answers.notes.for_site(row)),
        }
    for change in (answers.change, *answers.change.alternatives):
        for row, site in enumerate(answers.offered.sites.index):
            said[str(site)] |= _of_change(change, answers.offered, row)
    return said


def _of_change(change: Change, cohort: Cohort, row: int) -> dict[str, object]:
    """Return what a change says of one site, each thing named with its label."""
    fade = change.fade if change.fade is None or change.fade.ndim == 1 else change.fade[row]
    said: dict[str, object] = {
        "remark": "" if change.remarks is None else change.remarks[row],
        "available": True if change.available is None else bool(change.available[row]),
        "fade": None if fade is None else tuple(fade),
        "costs": _lines(change.costs, row),
        "yearly": _lines(change.yearly, row),
    }
    arrays = cohort.array_rows(np.array([row]))
    for name in PER_ARRAY:
        said[f"plant.{name}"] = tuple(getattr(change.plant, name)[arrays].tolist())
    for number, one in enumerate(change.added):
        there = one.columns["dc_rating_kw"][row] > 0
        said |= {f"added {number} {name}": values[row] for name, values in one.columns.items() if there}
    for name in PER_SITE:
        said[f"plant.{name}"] = getattr(change.plant, name)[row]
    return {f"{change.label} {name}".strip(): value for name, value in said.items()}


def difference(first: Said, second: Said) -> str:
    """Return the first thing that is said differently of a site of ``second``, or ""."""
    for site, there in second.items():
        here = first[site]
        for name in {**here, **there}:
            if here.get(name) != there.get(name):
                return f"site {site}: {name} is {here.get(name)!r} in one case and {there.get(name)!r} in the other"
    return ""


def _lines(lines: Sequence[CostLine], row: int) -> tuple[object, ...]:
    return tuple(
        (line.kind, line.item, float(line.quantity[row]), line.unit, line.note, line.in_year)
        for line in lines
        if line.quantity[row] > 0
    )


class _Noted(dict[str, Range]):
    """Ranges by name that note which of them somebody looks at."""

    def __init__(self, ranges: Mapping[str, Range], read: set[str]) -> None:
        super().__init__(ranges)
        self._read = read

    def __getitem__(self, name: str) -> Range:
        self._read.add(name)
        return super().__getitem__(name)

    def get(self, name: str, default: Any = None) -> Any:
        """Note the name, too."""
        self._read.add(name)
        return super().get(name, default)

    def items(self) -> Any:
        """Note all names: who takes them all reads each."""
        self._read.update(self)
        return super().items()

    def values(self) -> Any:
        """Note all names likewise."""
        self._read.update(self)
        return super().values()


class _NotedValues(Assumed):
    """Assumptions that note which of them somebody reads."""

    read: set[str]

    def __getitem__(self, name: str) -> float:
        self.read.add(name)
        return super().__getitem__(name)


def unread_assumptions(retrofit: Retrofit, cohort: Cohort) -> list[str]:
    """Return what a retrofit assumes and does not look at when it is asked of the cohort; its life the host reads."""
    values = assumed(retrofit, {}, {})
    noted = _NotedValues(values._values, values._priors, values._prices)
    noted.read = {"life_years"}
    asked = with_assumptions(retrofit, _Noted(retrofit.assumptions, noted.read))
    screening = asked.screen(cohort, noted) if takes_values(retrofit) else asked.screen(cohort)
    asked.safety(cohort)
    rows = np.flatnonzero(screening.status != DOES_NOT_FIT)
    plant = baseline(cohort.whole).take(rows, cohort.whole.array_rows(rows))
    asked.change(cohort.take(rows), plant, noted)
    return sorted(set(retrofit.assumptions) - noted.read)
