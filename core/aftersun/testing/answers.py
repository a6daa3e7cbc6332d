"""Asks a retrofit as the host does in a run, and lays out what it says site by site."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from aftersun.energy.baseline import baseline
from aftersun.host.answer_checks import PluginError, check_change, check_notes, check_screening
from aftersun.host.assumed import assumed
from aftersun.model.change import DOES_NOT_FIT, Change, CostLine, Notes, Screening
from aftersun.model.cohort import Cohort
from aftersun.model.plant import PER_ARRAY, PER_SITE, Plant, column_names
from aftersun.model.ranges import Assumed
from aftersun.model.retrofit import Retrofit
from aftersun.scoring.offers.chunk import plant_texts

Said = Mapping[str, Mapping[str, object]]


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
        screening, notes = retrofit.screen(cohort), retrofit.safety(cohort)
        check_screening(screening, len(cohort))
        check_notes(notes, len(cohort))
        rows = np.flatnonzero(screening.status != DOES_NOT_FIT)
        offered = cohort.take(rows)
        plant = baseline(cohort.whole).take(rows, cohort.whole.array_rows(rows))
        change = retrofit.change(offered, plant, assumed(retrofit, {}, {}) if assume is None else assume)
        check_change(change, len(offered), len(offered.arrays), retrofit.about.price_items, plant_texts())
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
    for name in column_names(PER_ARRAY):
        said[f"plant.{name}"] = tuple(getattr(change.plant, name)[arrays].tolist())
    for name in column_names(PER_SITE):
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


def copied(plant: Plant) -> dict[str, npt.NDArray[np.generic]]:
    """Return a copy of every column."""
    return {column.name: getattr(plant, column.name).copy() for column in fields(Plant)}


def _lines(lines: Sequence[CostLine], row: int) -> tuple[object, ...]:
    return tuple(
        (line.kind, line.item, float(line.quantity[row]), line.unit, line.note, line.in_year)
        for line in lines
        if line.quantity[row] > 0
    )
