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
from aftersun.inventory.runs import RunRecord
from aftersun.inventory.store import Inventory
from aftersun.model.change import DOES_NOT_FIT
from aftersun.money.company import Company
from aftersun.scoring.cohorts import cohort_of, read_portfolio, year_of
from aftersun.scoring.drivers import drivers
from aftersun.scoring.questions import answers, turning
from aftersun.scoring.single import plant_texts
from aftersun.scoring.worth import Simulations, Today, evaluate, today

Progress = Callable[[int, int], None]

DRIVER_COLUMNS = ("retrofit", "name", "unit", "low", "used", "high", "npv_low", "npv_high", "turns")


@dataclass(frozen=True, eq=False)
class CloserLook:
    """``drivers`` has one row a retrofit and number, those that move it most first: DRIVER_COLUMNS, where ``turns``
    says whether the sign of the net present value changes between low and high. ``questions`` has what
    :func:`aftersun.scoring.questions.turning` returns. ``npv`` is each retrofit's net present value as of now.
    """

    npv: dict[str, float]
    drivers: pd.DataFrame
    questions: pd.DataFrame
    failures: tuple[Failure, ...]


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
    now, _ = today(cohort, company, chunk.readings)
    guard = Guard(plant_texts())
    total = len(registry.retrofits) + 1
    progress(0, total)
    npv, found = _drivers(now, registry, company, guard, lambda done: progress(done, total))
    asked = turning(pd.DataFrame(list(answers(cohort, chunk.readings, registry, company, guard)), columns=_ANSWER))
    progress(total, total)
    return CloserLook(npv, found, asked, tuple(guard.failures))


_ANSWER = ["site_id", "retrofit", "column", "question", "answer", "npv"]


def _drivers(
    now: Today, registry: Registry, company: Company, guard: Guard, done: Callable[[int], None]
) -> tuple[dict[str, float], pd.DataFrame]:
    simulations = Simulations(now)
    npv: dict[str, float] = {}
    rows = []
    for count, loaded in enumerate(registry.retrofits, start=1):
        screening = guard.screen(loaded, now.cohort)
        if screening is not None and screening.status[0] != DOES_NOT_FIT:
            worth = evaluate(now, loaded, company, guard, simulations=simulations, itemised=False)
            if worth is None:
                continue
            npv[loaded.id] = float(worth.npv[0])
            for one in drivers(now, loaded, company, guard, worth, simulations):
                ends = float(one.at_low.npv[0]), float(one.at_high.npv[0])
                turns = (ends[0] > 0) != (ends[1] > 0)
                rows.append((loaded.id, one.name, one.unit, one.low, one.used, one.high, *ends, turns))
        done(count)
    table = pd.DataFrame(rows, columns=list(DRIVER_COLUMNS))
    swing = np.abs(table["npv_high"] - table["npv_low"])
    order = table.assign(swing=swing).sort_values(["retrofit", "swing", "name"], ascending=[True, False, True])
    return npv, order.drop(columns="swing").reset_index(drop=True)
