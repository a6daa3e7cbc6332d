"""What to ask the customer: the unknown facts whose answer could turn the advice."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from aftersun.host.guard import Guard
from aftersun.host.registry import Registry
from aftersun.inventory.store.dictionary import BOOLEAN, CHOICE, Column, columns
from aftersun.model.change import DOES_NOT_FIT
from aftersun.model.cohort import Cohort
from aftersun.model.ranges import Fact
from aftersun.money.company import Company
from aftersun.scoring.ranges.drivers import LIFE
from aftersun.scoring.ranges.information import NUMBERS_ASKED
from aftersun.scoring.value.simulations import baseline_of
from aftersun.scoring.value.valuation import evaluate

_LIFE, _EXPORT = "remaining_life_years", "export_price"


@dataclass(frozen=True)
class Answer:
    """What a retrofit would be worth at a site if the customer gave this answer; NaN = it would not fit."""

    site_id: str
    retrofit: str
    column: str
    question: str
    answer: str
    npv: float


@dataclass(frozen=True)
class _Asked:
    """A column that may be unknown, the question for it, and the answers to try with their words."""

    column: str
    question: str
    answers: Mapping[str, Any]


def answers(
    cohort: Cohort, readings: pd.DataFrame, registry: Registry, company: Company, guard: Guard
) -> Iterator[Answer]:
    """Yield for every site, unknown fact and retrofit that looks at it what each answer would make of it.

    Tried are yes/no facts, facts with choices, the years that the owner will keep the system, and the export price.
    Other unknown numbers are in the reasons to survey first.
    """
    facts = {name: fact for loaded in registry.retrofits for name, fact in loaded.retrofit.facts.items()}
    read = {name for loaded in registry.retrofits for name in loaded.retrofit.about.reads}
    for asked in _all_asked(facts, read, company):
        unknown = np.flatnonzero(cohort.sites[asked.column].isna().to_numpy())
        if not len(unknown):
            continue
        part = cohort.take(unknown)
        for words, value in asked.answers.items():
            told = _told(part, asked.column, value)
            now, _ = baseline_of(told, company, readings[readings["site_id"].isin(part.sites.index)])
            for loaded in registry.retrofits:
                if asked.column not in (_LIFE, _EXPORT) and asked.column not in loaded.retrofit.about.reads:
                    continue
                screening = guard.screen(loaded, now.cohort)
                if screening is None:
                    continue
                rows = np.flatnonzero((screening.status != DOES_NOT_FIT) & now.within_reach)
                npv = np.full(len(part), np.nan)
                worth = evaluate(now.take(rows), loaded, company, guard, itemised=False) if len(rows) else None
                if worth is not None:
                    npv[rows] = worth.npv
                for site, value_there in zip(part.sites.index, npv, strict=True):
                    yield Answer(str(site), loaded.id, asked.column, asked.question, words, float(value_there))


def _told(cohort: Cohort, column: str, value: Any) -> Cohort:
    """Return the cohort as if every customer had given this answer; a callable answers from the sites' facts."""
    given = value(cohort.sites) if callable(value) else value
    dtype = cohort.sites[column].dtype
    filled = pd.Series(given, index=cohort.sites.index).astype(dtype)
    return replace(cohort, sites=cohort.sites.assign(**{column: filled}))


def _all_asked(facts: Mapping[str, Fact], read: set[str], company: Company) -> Iterator[_Asked]:
    for column in columns("site"):
        if column.name in read and column.type == BOOLEAN:
            question = facts[column.name].question if column.name in facts else column.meaning
            yield _Asked(column.name, question, {"yes": True, "no": False})
        elif column.name in read and column.type == CHOICE:
            yield _Asked(column.name, _question_of(column), {choice: choice for choice in column.choices})
    system = company.pv_system
    few, many = float(system.least_remaining_years), float(system.life_years)
    yield _Asked(
        _LIFE,
        NUMBERS_ASKED[LIFE][1],
        {f"{few:g} years": few, f"{many:g} years": many},
    )
    yield _Asked(
        _EXPORT,
        "What are you paid for a kWh that you send to the grid? It is on the supplier's statement.",
        {"nothing": 0.0, "as much as a kWh bought costs": lambda sites: sites["import_price"].to_numpy()},
    )


def _question_of(column: Column) -> str:
    asked, _, _ = column.meaning.partition(";")
    return f"{asked.rstrip('.?')}: {', '.join(column.choices[:-1])} or {column.choices[-1]}?"


def turning(found: pd.DataFrame) -> pd.DataFrame:
    """Return the questions whose answer turns the advice, one row a site and question, from frames of answers.

    The columns are site_id, column, question, retrofit, worth_if (answers with which it is worth more than it costs),
    not_if (the others), least and most (net present value over the answers, 0 where it would not fit).
    """
    rows = []
    for (site, retrofit, column, question), group in found.groupby(
        ["site_id", "retrofit", "column", "question"], sort=False
    ):
        good = group["npv"] > 0
        if good.any() and not good.all():
            value = group["npv"].fillna(0.0)
            rows.append(
                {
                    "site_id": site,
                    "column": column,
                    "question": question,
                    "retrofit": retrofit,
                    "worth_if": ", ".join(group.loc[good, "answer"]),
                    "not_if": ", ".join(group.loc[~good, "answer"]),
                    "least": float(value.min()),
                    "most": float(value.max()),
                }
            )
    names = ["site_id", "column", "question", "retrofit", "worth_if", "not_if", "least", "most"]
    return pd.DataFrame(rows, columns=names)
