"""A site as it would stand with another assumption or answer, simulated anew: too dear for every site of a run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from aftersun.inventory.store.dictionary import BOOLEAN, CHOICE, columns
from aftersun.model import tables
from aftersun.model.change import DOES_NOT_FIT
from aftersun.model.cohort import Cohort
from aftersun.model.ranges import Range
from aftersun.model.uses import OF_A_HOUSEHOLD, is_home
from aftersun.scoring.ranges.choices import question_of
from aftersun.scoring.ranges.drivers import (
    DECIDE_ON_GAINS,
    OF_EACH_HOME,
    OF_SOME_HOMES,
    UNKNOWN_ENDS,
    UNKNOWN_GEOMETRY,
    UNKNOWN_NUMBERS,
    Driver,
    driver,
    moved_columns,
)
from aftersun.scoring.ranges.information import Answers
from aftersun.scoring.value.simulations import Simulations, baseline_of
from aftersun.scoring.value.valuation import Case, evaluate

# Of ``system.csv`` what a year is simulated with beside the plant: it moves a year, and no column of the plant.
BESIDE_THE_PLANT = (
    *("default_soiling_loss", "battery_round_trip_efficiency", "battery_within_hour"),
    *("diverter_margin_kw", "diverter_least_kw"),
    *("room_c", "thermostat_band_k", "pipe_loss_share", "shade_height_deg"),
    *("within_hour_least", "within_hour_slope", "within_hour_most"),
)
_NEVER_ASKED = ("use",)  # a company knows what its customers' buildings are used for
_EXPORT_PRICE = "export_price"
_EXPORT_QUESTION = "What are you paid for a kWh that you send to the grid? It is on the supplier's statement."


class OtherSystems:
    """One site with each assumption and answer that a run does not draw; each is made once for all retrofits.

    ``cohort`` holds the site and ``readings`` its meters as loaded, not fitted to each other yet.
    """

    def __init__(self, cohort: Cohort, readings: pd.DataFrame) -> None:
        self._cohort, self._readings = cohort, readings
        self._made: dict[tuple[str, Any], Simulations] = {}
        self._cohorts: dict[tuple[str, float], Cohort] = {}

    def drivers(self, case: Case) -> Iterator[Driver]:
        """Yield a driver for each number of ``system.csv`` that a run does not draw.

        In a run these are part of the yield's standard deviation. What stands in for nothing at the site is left out.
        """
        drawn = (*UNKNOWN_NUMBERS, *UNKNOWN_GEOMETRY, *UNKNOWN_ENDS, *DECIDE_ON_GAINS, *OF_EACH_HOME, *OF_SOME_HOMES)
        for name, given in tables.ranges("system.csv").items():
            if given.low < given.high and name not in drawn and self._counts(name, given):
                ends = (evaluate(self._with_assumption(case, name, end)) for end in (given.low, given.high))
                yield from driver(name, given, self._cohort.overrides.get(name, given.mode), True, *ends)

    def answers(self, case: Case) -> Iterator[Answers]:
        """Yield what a retrofit is worth by each answer to what is unknown and has no chance or range of its own."""
        for column, question, values in self._asked(case):
            npv = {words: self._npv(self._with_answer(case, column, value)) for words, value in values.items()}
            yield Answers(case.loaded.id, column, question, npv)

    def _asked(self, case: Case) -> Iterator[tuple[str, str, Mapping[str, Any]]]:
        """Yield the columns that may turn the advice, the question for each, and the answers to try."""
        sites, retrofit = self._cohort.sites, case.loaded.retrofit
        for column in columns("site"):
            name = column.name
            if name in _NEVER_ASKED or (name in OF_A_HOUSEHOLD and not is_home(sites)[0]):
                continue
            if name in retrofit.about.reads and name not in retrofit.facts and sites[name].isna().iloc[0]:
                if column.type == BOOLEAN:
                    yield name, column.meaning, {"yes": True, "no": False}
                elif column.type == CHOICE:
                    yield name, question_of(name), {choice: choice for choice in column.choices}
        if sites[_EXPORT_PRICE].isna().iloc[0]:
            bought = float(sites["import_price"].iloc[0])
            yield _EXPORT_PRICE, _EXPORT_QUESTION, {"nothing": 0.0, "as much as a kWh bought costs": bought}

    def _npv(self, case: Case) -> float:
        """Return the net present value at the site, NaN if it would not fit."""
        screening = case.guard.screen(case.loaded, case.baseline.cohort)
        fits = screening is not None and screening.status[0] != DOES_NOT_FIT
        valuation = evaluate(case) if fits else None
        return np.nan if valuation is None else float(valuation.npv[0])

    def _counts(self, name: str, given: Range) -> bool:
        """Tell whether an assumption moves anything at the site."""
        ends = (self._assuming(name, end) for end in (given.low, given.high))
        return name in BESIDE_THE_PLANT or any(moved_columns(self._cohort, other) for other in ends)

    def _assuming(self, name: str, value: float) -> Cohort:
        other = replace(self._cohort, overrides={**self._cohort.overrides, name: value})
        return self._cohorts.setdefault((name, value), other)  # the first one, with all that is kept with it

    def _with_assumption(self, case: Case, name: str, value: float) -> Case:
        return self._anew(case, (name, value), self._assuming(name, value))

    def _with_answer(self, case: Case, column: str, value: Any) -> Case:
        sites = self._cohort.sites
        answer = pd.Series([value], index=sites.index).astype(sites[column].dtype)
        return self._anew(case, (column, value), replace(self._cohort, sites=sites.assign(**{column: answer})))

    def _anew(self, case: Case, key: tuple[str, Any], other: Cohort) -> Case:
        if key not in self._made:
            self._made[key] = Simulations(baseline_of(other, case.company, self._readings)[0])
        simulations = self._made[key]
        return replace(case, baseline=simulations.baseline, simulations=simulations)
