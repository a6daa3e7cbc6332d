"""A closer look at one site of a stored run, computed anew with the run's own settings: too dear for every site."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from aftersun.host.asking import Failure
from aftersun.host.guard import Guard
from aftersun.inventory.runs.stored_runs import RunRecord
from aftersun.model.change import DOES_NOT_FIT
from aftersun.scoring.offers.chunk import plant_texts
from aftersun.scoring.ranges.break_even import DRIVER_COLUMNS, driver_rows
from aftersun.scoring.ranges.choices import likeliest
from aftersun.scoring.ranges.drivers import drivers
from aftersun.scoring.ranges.information import Answers, answers_of, turning
from aftersun.scoring.ranges.other_systems import OtherSystems
from aftersun.scoring.run.engine import Progress
from aftersun.scoring.run.work import stored_request
from aftersun.scoring.value.cohorts import Portfolio, cohort_of, year_of
from aftersun.scoring.value.simulations import Simulations, baseline_of
from aftersun.scoring.value.valuation import Case, evaluate, values_of


@dataclass(frozen=True, eq=False)
class CloserLook:
    """What moves each retrofit at one site and which answers could turn the advice, as of now.

    ``npv`` is each retrofit's net present value with everything at its usual value. ``drivers`` has one row a retrofit
    and number, those that move it most first: the columns of :func:`aftersun.scoring.ranges.break_even.driver_rows`,
    with what is assumed of every system where that may turn the advice. ``questions`` has what
    :func:`aftersun.scoring.ranges.information.turning` returns.
    """

    npv: dict[str, float]
    drivers: pd.DataFrame
    questions: pd.DataFrame
    failures: tuple[Failure, ...]

    def moved_most_by(self, retrofit: str) -> pd.DataFrame:
        """Return the numbers that move a retrofit by at least one unit of money, those that move it most first."""
        mine = self.drivers[self.drivers["retrofit"] == retrofit]
        return mine[(mine["npv_high"] - mine["npv_low"]).abs() >= 1]

    def has_changed(self, retrofit: str, stored: float) -> bool:
        """Tell whether this net present value of a retrofit is another as of now than the run has stored."""
        return abs(self.npv.get(retrofit, stored) - stored) > _SAME_SHARE * max(abs(stored), 1)


_SAME_SHARE = 0.005  # of a net present value; a smaller difference is not worth telling


def look_closer(
    portfolio: Portfolio,
    run: RunRecord,
    progress: Progress = lambda _done, _total: None,
    only: Collection[str] | None = None,
) -> CloserLook | None:
    """Return drivers and questions of one site, of all retrofits or ``only`` some; None where it cannot be valued.

    ``portfolio`` holds that site alone, read for the day of the run. Company prices and plugins' folder are the run's;
    facts are the inventory's as they stand now. A retrofit that failed in the run is not asked.
    """
    request = stored_request(run)
    company, registry = request.company, request.registry
    if not portfolio.chunks:
        return None
    (chunk,) = portfolio.chunks
    (site_id,) = chunk.sites.index
    cohort = cohort_of(chunk, year_of(portfolio.weather[chunk.weather_id]), run.as_of, company)
    baseline, _ = baseline_of(cohort, company, chunk.readings)
    simulations, others = Simulations(baseline), OtherSystems(cohort, chunk.readings)
    guard = Guard(plant_texts(), lambda loaded: values_of(loaded, company))
    npv: dict[str, float] = {}
    rows: list[pd.DataFrame] = []
    answers: list[Answers] = []
    failed = {failure["plugin"] for failure in run.failures}  # what ended a process of the run would end this one
    retrofits = [one for one in registry.retrofits if one.id not in failed and (only is None or one.id in only)]
    total = len(retrofits)
    for done, loaded in enumerate(retrofits):
        progress(done, total)
        case = Case(loaded, baseline, simulations, company, guard)
        answered = likeliest(case) if _to_value(case) else None
        valuation = None if answered is None else evaluate(answered)
        if answered is not None and valuation is not None:
            npv[loaded.id] = float(valuation.npv[0])
            chosen = replace(answered, chosen=valuation.variant)
            moved_by = list(drivers(chosen, valuation))
            answers += answers_of(answered, moved_by, npv[loaded.id])
            if valuation.npv[0] > 0:  # what is assumed of every system is tried where it could turn what is advised
                moved_by += others.drivers(chosen)
            here, most = np.ones(1, dtype=bool), len(moved_by)
            rows.append(driver_rows(loaded.id, valuation.site_ids, here, moved_by, valuation.npv, most))
        if baseline.within_reach[0]:
            answers += others.answers(case)
    progress(total, total)
    moved = pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(columns=DRIVER_COLUMNS)
    return CloserLook(npv, moved, turning(site_id, answers), tuple(guard.failures))


def _to_value(case: Case) -> bool:
    """Tell whether a retrofit is valued at the site: it may fit, and the site is not too far."""
    screening = case.guard.screen(case.loaded, case.baseline.cohort)
    return screening is not None and screening.status[0] != DOES_NOT_FIT and bool(case.baseline.within_reach[0])
