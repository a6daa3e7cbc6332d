"""What an answer is worth before it is known: which question to ask on the phone, which visit to make first.

References
----------
.. [1] H. Raiffa and R. Schlaifer, Applied Statistical Decision Theory, 1961: expected value of perfect and of sample
   information.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa

from aftersun.host.registry import Registry
from aftersun.inventory.store.tables import RUN_TABLES
from aftersun.model import tables
from aftersun.model.change import INSPECTION
from aftersun.model.ranges import Floats
from aftersun.money.company import Company
from aftersun.money.export_rules import NET_METERING_YEARS
from aftersun.money.prices import trip
from aftersun.scoring.ranges.choices import Choice, question_of
from aftersun.scoring.ranges.drivers import CHANCE, LIFE, Driver, remaining_years
from aftersun.scoring.value.valuation import Case

Drawn = Driver | Choice

PHONE, VISIT = "phone", "visit"
LEAST_SURE = 0.7  # assumption: of an answer by phone, whether yes or no, that a decision is left to
LEAST_VALUE = 0.005  # less than a cent is rounding
_STEPS = 200

# Unknown numbers that an owner can tell: column, and how to ask.
NUMBERS_ASKED: Mapping[str, tuple[str, str]] = {
    LIFE: ("remaining_life_years", "How many more years do you want to keep the PV system?"),
    "annual_demand_kwh": ("annual_demand_kwh", "How many kWh of electricity does your bill show for a year?"),
    "occupants": ("occupants", "How many people live in the house?"),
    "hot_water_litres_per_day": (
        "hot_water_litres_per_day",
        "How many litres of hot water are used on an ordinary day?",
    ),
    "water_store_litres": ("water_store_litres", "How many litres does the hot-water store hold?"),
    "tilt_deg": ("tilt_deg", "How steep is the roof that the modules lie on?"),
    "azimuth_deg": ("azimuth_deg", "Which way does the roof with the modules face?"),
    "dc_rating_kw": ("dc_rating_kw", "How many kW do the modules have together? It stands on the invoice."),
    NET_METERING_YEARS: (
        "export_rule_until",
        "Until which day does your export count as it does today? The contract or the supplier tells.",
    ),
}
TURNING_COLUMNS = ("site_id", "column", "question", "retrofit", "worth_if", "not_if", "least", "most")
VALUE_COLUMNS = ("site_id", "retrofit", "fact", "chance_true", "value_if_known", "value_of_phone", "value_of_visit")
QUESTION_COLUMNS = list(RUN_TABLES["question"].columns)[1:]  # without run_id


def value_if_known(chance: Floats, if_true: Floats, if_false: Floats) -> Floats:
    """Return the expected value of knowing a yes/no fact before doing something or nothing; arrays that broadcast."""
    known = chance * np.maximum(if_true, 0.0) + (1.0 - chance) * np.maximum(if_false, 0.0)
    return np.asarray(known - np.maximum(chance * if_true + (1.0 - chance) * if_false, 0.0))


def value_of_test(chance: Floats, if_true: Floats, if_false: Floats, sensitivity: float, specificity: float) -> Floats:
    """Return the expected value of a test of the fact with this sensitivity and specificity, by Bayes [1]_."""
    positive = np.maximum(chance * sensitivity * if_true + (1.0 - chance) * (1.0 - specificity) * if_false, 0.0)
    negative = np.maximum(chance * (1.0 - sensitivity) * if_true + (1.0 - chance) * specificity * if_false, 0.0)
    return np.asarray(positive + negative - np.maximum(chance * if_true + (1.0 - chance) * if_false, 0.0))


def value_of_number(driver: Driver, npv: Floats) -> Floats:
    """Return the expected value of knowing a number before doing something or nothing, (S,).

    ``npv`` (S,) is with all values as used. The number is distributed as in the draws, the net present value runs on
    straight lines between its low, the value used and its high, and all else is as it is.
    """
    low, high = driver.weights(((np.arange(_STEPS) + 0.5) / _STEPS)[:, np.newaxis])
    by_value = npv + low * (driver.at_low.npv - npv) + high * (driver.at_high.npv - npv)
    return np.asarray(np.maximum(by_value, 0.0).mean(axis=0) - np.maximum(by_value.mean(axis=0), 0.0))


def told_by_phone(driver: Drawn) -> bool:
    """Tell whether the customer can say on the phone how it is, surely enough to decide by it."""
    fact = NUMBERS_ASKED[driver.name][0] if driver.name in NUMBERS_ASKED else driver.name
    test = tables.fact_tests().get((fact, PHONE))
    return test is not None and min(test.sensitivity, test.specificity) >= LEAST_SURE


def value_of_choice(choice: Choice, least_chance: float) -> Floats:
    """Return the expected value of knowing which choice it is before doing something or nothing, (S,).

    Who does not know does nothing where the chance of a gain is below ``least_chance``.
    """
    npv = np.array([end.npv for end in choice.ends]) * choice.fits
    known = (choice.chances * np.maximum(npv, 0.0)).sum(axis=0)
    sure = (choice.chances * (npv > 0)).sum(axis=0) >= least_chance
    return np.asarray(known - np.where(sure, np.maximum((choice.chances * npv).sum(axis=0), 0.0), 0.0))


def answer_values(
    retrofit: str, site_ids: pd.Index, drivers: Sequence[Drawn], npv: Floats, least_chance: float
) -> pd.DataFrame:
    """Return what it is worth to know each unknown fact and number, for certain, by phone, by a visit: VALUE_COLUMNS.

    ``npv`` (S,) is with all values as used. A number or choice has no ``chance_true``; asked for by phone it is known
    with the sensitivity of its row in ``fact_tests.csv`` and else is not. ``least_chance`` of a gain is that below
    which nothing is sold.
    """
    parts = []
    for driver in drivers:
        if isinstance(driver, Choice):
            fact, chance = driver.name, np.full(len(npv), np.nan)
            known, by_visit = value_of_choice(driver, least_chance), np.zeros(len(npv))
            by_phone = known * tables.fact_tests()[fact, PHONE].sensitivity
        elif driver.spread == CHANCE:
            fact, chance = driver.name, np.full(len(npv), driver.used) if driver.chance is None else driver.chance
            ends = chance, driver.at_high.npv, driver.at_low.npv
            known = value_if_known(*ends)
            by_phone, by_visit = (_value_of_way(fact, way, *ends) for way in (PHONE, VISIT))
        elif driver.name in NUMBERS_ASKED:
            fact, chance = NUMBERS_ASKED[driver.name][0], np.full(len(npv), np.nan)
            known = value_of_number(driver, npv)
            test = tables.fact_tests().get((fact, PHONE))
            by_phone, by_visit = known * (test.sensitivity if test else 0.0), np.zeros(len(npv))
        else:
            continue
        rows = np.flatnonzero(known > LEAST_VALUE)
        columns = (site_ids[rows], retrofit, fact, chance[rows], known[rows], by_phone[rows], by_visit[rows])
        parts.append(pd.DataFrame(dict(zip(VALUE_COLUMNS, columns, strict=True))))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(VALUE_COLUMNS))


def _value_of_way(fact: str, way: str, chance: Floats, if_true: Floats, if_false: Floats) -> Floats:
    """Return what it is worth to ask by phone or to look on a visit, (S,); 0 where that would not tell."""
    test = tables.fact_tests().get((fact, way))
    if test is None:
        return np.zeros(len(if_true))
    return np.maximum(value_of_test(chance, if_true, if_false, test.sensitivity, test.specificity), 0.0)


@dataclass(frozen=True)
class Answers:
    """Net present value of a retrofit at one site by what the customer answers; NaN = it would not fit then."""

    retrofit: str
    column: str
    question: str
    npv: Mapping[str, float]


def answers_of(case: Case, drivers: Sequence[Driver], npv: float) -> Iterator[Answers]:
    """Yield what a retrofit is worth by each answer to what is unknown at the one site of the case.

    ``npv`` is with all values as used. A number is answered with its low, the value used, and its high.
    """
    for driver in drivers:
        low, high = float(driver.at_low.npv[0]), float(driver.at_high.npv[0])
        if driver.spread == CHANCE:
            yield Answers(case.loaded.id, driver.name, driver.meaning, {"yes": high, "no": low})
        elif driver.name in NUMBERS_ASKED:
            numbers = [driver.low, driver.used, driver.high]
            if driver.name == LIFE:  # the question is for the years left, not for the whole life
                numbers = [
                    float(remaining_years(case.baseline, life - driver.used, case.company)[0]) for life in numbers
                ]
            words = [f"{number:g} {driver.unit}".removesuffix(" 1") for number in numbers]  # unit 1 = a bare number
            column, question = NUMBERS_ASKED[driver.name]
            yield Answers(case.loaded.id, column, question, dict(zip(words, (low, npv, high), strict=True)))


def turning(site_id: str, answers: Iterable[Answers]) -> pd.DataFrame:
    """Return the questions whose answer turns the advice, one row a question and retrofit: TURNING_COLUMNS.

    ``worth_if`` has the answers with which it is worth more than it costs, ``not_if`` the others, ``least`` and
    ``most`` the net present value over the answers, 0 where it would not fit.
    """
    rows = []
    for asked in answers:
        worth_if = [words for words, npv in asked.npv.items() if npv > 0]
        not_if = [words for words, npv in asked.npv.items() if not npv > 0]
        if worth_if and not_if:
            values = np.nan_to_num(list(asked.npv.values()))
            texts = ", ".join(worth_if), ", ".join(not_if)
            ends = float(values.min()), float(values.max())
            rows.append((site_id, asked.column, asked.question, asked.retrofit, *texts, *ends))
    return pd.DataFrame(rows, columns=list(TURNING_COLUMNS))


def questions(values: pd.DataFrame, sites: pd.DataFrame, registry: Registry, company: Company) -> pd.DataFrame:
    """Return the questions that are worth something, one row a site and fact: QUESTION_COLUMNS.

    ``values`` has the rows of :func:`answer_values` of all retrofits. Each retrofit is taken or left by itself, so what
    an answer is worth adds up over them. ``value_of_visit`` is 0 where nobody has to go; ``visit_cost`` is what the
    company itself pays for trip and inspection.
    """
    if values.empty:
        return pd.DataFrame(columns=QUESTION_COLUMNS)
    summed = values.groupby(["site_id", "fact"], sort=True).agg(
        chance_true=("chance_true", "first"),
        value_if_known=("value_if_known", "sum"),
        value_of_phone=("value_of_phone", "sum"),
        value_of_visit=("value_of_visit", "sum"),
        retrofits=("retrofit", sorted),
    )
    asked = {name: fact.question for loaded in registry.retrofits for name, fact in loaded.retrofit.facts.items()}
    asked |= dict(NUMBERS_ASKED.values()) | {name: question_of(name) for name in tables.choices()}
    result = summed.reset_index()
    return result.assign(
        question=[asked[fact] for fact in result["fact"]],
        visit_cost=_visit_cost(result, sites, company),
        retrofits=result["retrofits"].astype(pd.ArrowDtype(pa.list_(pa.string()))),
    )[QUESTION_COLUMNS]


def _visit_cost(table: pd.DataFrame, sites: pd.DataFrame, company: Company) -> Floats:
    """Return what a visit costs the company at each row, NaN where none would tell or the book lacks its price."""
    way = trip(sites.loc[table["site_id"]], company).cost
    cost = np.full(len(table), np.nan)
    for row, fact in enumerate(table["fact"]):
        test = tables.fact_tests().get((fact, VISIT))
        if test and test.inspection in company.inspections:
            cost[row] = way[row] + company.price_of(INSPECTION, test.inspection)
    return cost
