"""Facts with several choices that are unknown: each choice valued as if it were so, and drawn by its chance."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.inventory.store.dictionary import columns
from aftersun.model import tables
from aftersun.model.change import DOES_NOT_FIT
from aftersun.model.ranges import Bools, Floats
from aftersun.model.records import put, take
from aftersun.scoring.ranges.drivers import moved_columns, standing_as
from aftersun.scoring.value.simulations import Rows
from aftersun.scoring.value.valuation import Case, Parts, evaluate

LEAST_CHANCE = 0.005  # of a choice that is valued at all
_NOTHING = Parts(*(np.zeros(1) for _ in range(4)))


@dataclass(frozen=True, eq=False)
class Choice:
    """A fact with K choices, and what S sites gain and pay with each; where it is known, the same with all.

    ``chances`` (K, S) add up to 1. Where a choice makes the retrofit unfit, by ``fits`` (K, S), nothing is done: its
    gain and its cost are 0.
    """

    name: str
    question: str
    labels: tuple[str, ...]
    chances: Floats
    fits: Bools
    ends: tuple[Parts, ...]
    shared: bool = False

    def weights(self, quantiles: Floats) -> tuple[Bools, ...]:
        """Return where each choice is the one that was drawn, for quantiles (0..1) of shape (D, S)."""
        edges = np.cumsum(self.chances, axis=0)[:-1]
        which = np.sum([quantiles >= edge for edge in edges], axis=0)
        return tuple(which == number for number in range(len(self.labels)))

    def fitting(self, quantiles: Floats) -> Bools:
        """Return in which draws the retrofit fits, (D, S)."""
        drawn = self.weights(quantiles)
        return np.asarray(np.any([there & fits for there, fits in zip(drawn, self.fits, strict=True)], axis=0))

    def take(self, rows: Rows) -> Choice:
        """Return the same of the sites at these positions."""
        ends = tuple(take(rows, end) for end in self.ends)
        return replace(self, chances=self.chances[:, rows], fits=self.fits[:, rows], ends=ends)


def likeliest(case: Case) -> Case:
    """Return the case with every choice unknown answered by the likeliest with which the retrofit fits."""
    for column in _unknown(case):
        sites = case.baseline.cohort.sites
        rows = np.flatnonzero(sites[column].isna().to_numpy(dtype=bool))
        chances = _chances(case, column, rows)
        answer = np.full(len(sites), None, dtype=object)
        best = np.zeros(len(rows))
        for choice, chance in chances.items():
            better = (chance > best) & _fits(case.take(rows), column, choice)
            answer[rows[better]] = choice
            best = np.where(better, chance, best)
        case = _answered(case, column, np.where(sites[column].isna(), answer, sites[column].to_numpy(dtype=object)))
    return case


def of_choices(case: Case, answered: Case, parts: Parts) -> Iterator[Choice]:
    """Yield the choices that are unknown in the case; ``parts`` (S,) are those of the case with the likeliest answers.

    A choice at which the retrofit fails is taken for unfit; the guard of the case then says so.
    """
    for column in _unknown(case):
        sites = case.baseline.cohort.sites
        rows = np.flatnonzero(sites[column].isna().to_numpy(dtype=bool))
        chances = _chances(case, column, rows)
        few, size = answered.take(rows), len(sites)
        weights, fits, ends = [], [], []
        for choice, chance in chances.items():
            fitting = _fits(few, column, choice) & (chance >= LEAST_CHANCE)
            there = np.flatnonzero(fitting)
            valued = evaluate(_answered(few.take(there), column, choice)) if len(there) else None
            end = put(rows, parts, _repeated(_NOTHING, len(rows)))
            if valued is not None:
                end = put(rows[there], end, valued.parts)
            of_all, all_fit = np.zeros(size), np.ones(size, dtype=bool)
            of_all[rows], all_fit[rows] = chance, fitting & (valued is not None)
            weights.append(of_all)
            fits.append(all_fit)
            ends.append(end)
        yield Choice(column, question_of(column), tuple(chances), np.array(weights), np.array(fits), tuple(ends))


def question_of(column: str) -> str:
    """Return how to ask for a fact with several choices."""
    (asked,) = (one for one in columns("site") if one.name == column)
    meaning, _, _ = asked.meaning.partition(";")
    return f"{meaning.rstrip('.?')}: {', '.join(asked.choices[:-1])} or {asked.choices[-1]}?"


def _unknown(case: Case) -> list[str]:
    """Return the columns of choices that the retrofit reads and that are unknown somewhere."""
    cohort, reads = case.baseline.cohort, case.loaded.retrofit.about.reads
    return [name for name in cohort.choices if name in reads and cohort.sites[name].isna().any()]


def _chances(case: Case, column: str, rows: Rows) -> dict[str, Floats]:
    """Return the chance of each choice at the sites at these positions, 0 where what is known rules it out."""
    cohort, chances = case.baseline.cohort, {}
    for name, chance in cohort.choices[column].items():
        chances[name] = np.full(len(rows), chance)
        if number := tables.choices()[column][name].not_where_above_0:
            known = cohort.sites[number].to_numpy(dtype=np.float64, na_value=np.nan)[rows]
            chances[name] = np.where(known > 0, 0.0, chance)
    total = np.sum(list(chances.values()), axis=0)
    return {name: chance / total for name, chance in chances.items()}


def _fits(case: Case, column: str, choice: str) -> Bools:
    """Tell where the retrofit fits if this were the answer, (S,)."""
    cohort = case.baseline.cohort
    sites = cohort.sites.assign(**{column: _like(case, column, choice)})
    screening = case.guard.screen(case.loaded, replace(cohort, sites=sites))
    return np.zeros(len(cohort), dtype=bool) if screening is None else np.asarray(screening.status != DOES_NOT_FIT)


def _answered(case: Case, column: str, answer: str | npt.NDArray[np.object_]) -> Case:
    """Return the case with this answer, simulated as its sites would then stand, corrected by meters as before."""
    cohort = case.baseline.cohort
    other = cohort.answering(cohort.sites.assign(**{column: _like(case, column, answer)}))
    if not moved_columns(cohort, other):  # it is of nothing that the energy depends on
        return replace(case, baseline=replace(case.baseline, cohort=other))
    return standing_as(case, other)


def _like(case: Case, column: str, answer: str | npt.NDArray[np.object_]) -> pd.Series:
    """Return the answer at each site, typed as the column is."""
    known = case.baseline.cohort.sites[column]
    return pd.Series(answer, index=known.index, dtype=known.dtype)


def _repeated(parts: Parts, size: int) -> Parts:
    return take(np.zeros(size, dtype=np.intp), parts)
