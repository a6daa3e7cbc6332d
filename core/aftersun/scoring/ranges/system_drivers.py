"""How what is assumed of every PV system moves a retrofit: each number alone at its low and at its high, simulated."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import pandas as pd

from aftersun.host.guard import Guard
from aftersun.host.registry import Loaded
from aftersun.model import tables
from aftersun.model.cohort import Cohort
from aftersun.model.ranges import Range
from aftersun.money.company import Company
from aftersun.scoring.ranges.drivers import DECIDE_ON_GAINS, TRIANGULAR, UNKNOWN_NUMBERS, Driver, Parts
from aftersun.scoring.value.simulations import Baseline, Simulations, baseline_of
from aftersun.scoring.value.valuation import evaluate


@dataclass(frozen=True, eq=False)
class Before:
    """A cohort and its meter readings as loaded, not fitted to each other yet."""

    cohort: Cohort
    readings: pd.DataFrame


class OtherSystems:
    """The sites as they would stand with each assumption at its low and its high; made once for all retrofits."""

    def __init__(self, before: Before, company: Company) -> None:
        self._before, self._company = before, company
        self._made: dict[str, tuple[Range, Baseline, Baseline]] | None = None

    def drivers(self, loaded: Loaded, guard: Guard) -> Iterator[Driver]:
        """Yield a driver for each number of ``system.csv`` that a run does not draw; too dear for every site of it.

        In a run these are part of the yield's standard deviation.
        """
        for name, (given, low, high) in self._all().items():
            at_low, at_high = (
                evaluate(now, loaded, self._company, guard, simulations=Simulations(now), itemised=False)
                for now in (low, high)
            )
            if at_low is not None and at_high is not None:
                used = self._before.cohort.overrides.get(name, given.mode)
                bounds = min(given.low, used), used, max(given.high, used)
                ends = Parts.of(at_low), Parts.of(at_high)
                yield Driver(name, given.unit, *bounds, TRIANGULAR, True, *ends, given.meaning)

    def _all(self) -> dict[str, tuple[Range, Baseline, Baseline]]:
        if self._made is None:
            self._made = {
                name: (given, self._with(name, given.low), self._with(name, given.high))
                for name, given in tables.ranges("system.csv").items()
                if given.low < given.high and name not in (*UNKNOWN_NUMBERS.values(), *DECIDE_ON_GAINS)
            }
        return self._made

    def _with(self, name: str, value: float) -> Baseline:
        cohort = self._before.cohort
        other = replace(cohort, overrides={**cohort.overrides, name: value})
        return baseline_of(other, self._company, self._before.readings)[0]
