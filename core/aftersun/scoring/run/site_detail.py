"""A closer look at one site of a stored run, computed anew with the run's own settings: too dear for every site."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from aftersun.host.guard import Guard
from aftersun.host.registry import Failure, Registry, find_plugins
from aftersun.inventory.runs.stored_runs import RunRecord
from aftersun.inventory.store.file import Inventory
from aftersun.model.change import DOES_NOT_FIT
from aftersun.money.company import Company
from aftersun.scoring.offers.chunk import plant_texts
from aftersun.scoring.ranges.break_even import DRIVER_COLUMNS, driver_rows
from aftersun.scoring.ranges.draws import may_turn
from aftersun.scoring.ranges.drivers import Parts, drivers
from aftersun.scoring.ranges.questions import answers, turning
from aftersun.scoring.ranges.system_drivers import Before, OtherSystems
from aftersun.scoring.value.cohorts import cohort_of, read_portfolio, year_of
from aftersun.scoring.value.simulations import Baseline, Simulations, baseline_of
from aftersun.scoring.value.valuation import evaluate

Progress = Callable[[int, int], None]


@dataclass(frozen=True, eq=False)
class CloserLook:
    """``drivers`` has one row a retrofit and number, those that move it most first: the columns of
    :func:`aftersun.scoring.ranges.break_even.driver_rows`, with what is assumed of every system where that may turn the
    advice. ``questions`` has what
    :func:`aftersun.scoring.ranges.questions.turning` returns. ``npv`` is each retrofit's net present value as of now.
    """

    npv: dict[str, float]
    drivers: pd.DataFrame
    questions: pd.DataFrame
    failures: tuple[Failure, ...]

    def moved_most_by(self, retrofit: str) -> pd.DataFrame:
        """Return the numbers that move a retrofit by at least one unit of money, those that move it most first."""
        mine = self.drivers[self.drivers["retrofit"] == retrofit]
        return mine[(mine["npv_high"] - mine["npv_low"]).abs() >= 1]

    def has_changed(self, retrofit: str, stored_npv: float) -> bool:
        """Tell whether a retrofit's net present value as of now is another than the run has stored."""
        return abs(self.npv.get(retrofit, stored_npv) - stored_npv) > _SAME_SHARE * max(abs(stored_npv), 1)


_SAME_SHARE = 0.005  # of a net present value; a smaller difference is not worth telling


def look_closer(
    inventory: Inventory, run: RunRecord, site_id: str, progress: Progress = lambda _done, _total: None
) -> CloserLook | None:
    """Return drivers and questions of one site, or None where it cannot be valued.

    Company prices, plugins' folder and day are the run's; facts are the inventory's as they stand now.
    """
    company = Company.model_validate_json(json.dumps(run.settings["company"]))
    folder = run.settings.get("plugin_folder")
    registry = find_plugins(company.retrofits.off, None if folder is None else Path(folder))
    portfolio = read_portfolio(inventory, run.as_of, site_id=site_id)
    if not portfolio.chunks:
        return None
    (chunk,) = portfolio.chunks
    cohort = cohort_of(chunk, year_of(portfolio.weather[chunk.weather_id]), run.as_of, company)
    before = Before(cohort, chunk.readings)
    now, _ = baseline_of(cohort, company, chunk.readings)
    guard = Guard(plant_texts())
    total = len(registry.retrofits) + 1
    progress(0, total)
    npv, table = _drivers(now, before, registry, company, guard, lambda done: progress(done, total))
    answered = pd.DataFrame(list(answers(cohort, chunk.readings, registry, company, guard)), columns=_ANSWER)
    questions = turning(answered)
    progress(total, total)
    return CloserLook(npv, table, questions, tuple(guard.failures))


_ANSWER = ["site_id", "retrofit", "column", "question", "answer", "npv"]


def _drivers(
    now: Baseline, before: Before, registry: Registry, company: Company, guard: Guard, done: Callable[[int], None]
) -> tuple[dict[str, float], pd.DataFrame]:
    simulations = Simulations(now)
    npv: dict[str, float] = {}
    tables = []
    others = OtherSystems(before, company)
    for count, loaded in enumerate(registry.retrofits, start=1):
        screening = guard.screen(loaded, now.cohort)
        if screening is not None and screening.status[0] != DOES_NOT_FIT:
            worth = evaluate(now, loaded, company, guard, simulations=simulations, itemised=False)
            if worth is None:
                continue
            npv[loaded.id] = float(worth.npv[0])
            found = list(drivers(now, loaded, company, guard, worth, simulations))
            if may_turn(Parts.of(worth), found).any():
                found += others.drivers(loaded, guard)
            everywhere = np.ones(1, dtype=bool)
            tables.append(driver_rows(loaded.id, now.cohort.sites.index, everywhere, found, worth.npv, len(found)))
        done(count)
    return npv, pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=list(DRIVER_COLUMNS))
