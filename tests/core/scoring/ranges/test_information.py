"""The value of information against published and worked examples, and its laws."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import aftersun_datasets
from aftersun.documents.run_view import RunView
from aftersun.host.registry import find_plugins
from aftersun.inventory.store.file import Inventory
from aftersun.model import tables
from aftersun.money.company import Company
from aftersun.scoring.ranges.drivers import CHANCE, TRIANGULAR, Driver, Parts
from aftersun.scoring.ranges.information import (
    NUMBERS_ASKED,
    answer_values,
    questions,
    value_if_known,
    value_of_number,
    value_of_test,
)
from aftersun.scoring.run.demo import Demo

MONEY = st.floats(-1e5, 1e5)
CHANCES = st.floats(0.01, 0.99)
ACCURATE = st.floats(0.5, 1)


def one(value: float) -> np.ndarray:
    return np.array([value])


@pytest.mark.parametrize(
    ("prior", "known", "tested"),
    # worked by hand: +900 if there is a fault, -600 if not, a test of sensitivity 0.9 and specificity 0.8
    [(0.4, 360, 252), (0.6, 240, 138)],
)
def test_a_test_of_a_fault_by_bayes(prior: float, known: float, tested: float) -> None:
    case = one(prior), one(900.0), one(-600.0)
    assert value_if_known(*case) == pytest.approx([known])
    assert value_of_test(*case, 0.9, 0.8) == pytest.approx([tested])


@given(CHANCES, MONEY, MONEY, ACCURATE, ACCURATE)
def test_perfect_is_worth_at_least_imperfect_and_that_at_least_nothing(
    chance: float, if_true: float, if_false: float, sensitivity: float, specificity: float
) -> None:
    case = one(chance), one(if_true), one(if_false)
    perfect, tested = value_if_known(*case)[0], value_of_test(*case, sensitivity, specificity)[0]
    assert perfect >= tested - 1e-6
    assert tested >= -1e-6


@given(CHANCES, MONEY, MONEY)
def test_a_test_that_never_errs_is_perfect_and_a_coin_is_worth_nothing(
    chance: float, if_true: float, if_false: float
) -> None:
    case = one(chance), one(if_true), one(if_false)
    assert value_of_test(*case, 1.0, 1.0) == pytest.approx(value_if_known(*case), abs=1e-6)
    assert value_of_test(*case, 0.5, 0.5) == pytest.approx([0.0], abs=1e-6)


@given(CHANCES, st.floats(0, 1e5), st.floats(0, 1e5))
def test_an_answer_that_cannot_turn_the_advice_is_worth_nothing(chance: float, if_true: float, if_false: float) -> None:
    assert value_if_known(one(chance), one(if_true), one(if_false)) == pytest.approx([0.0], abs=1e-6)


def a_number(low: float, used: float, high: float, npv_low: float, npv_high: float) -> Driver:
    zero = np.zeros(1)
    ends = Parts(one(npv_low), zero, zero, zero), Parts(one(npv_high), zero, zero, zero)
    return Driver("life_of_the_pv_system", "a", low, used, high, TRIANGULAR, False, *ends)


def test_knowing_a_number_against_the_closed_form() -> None:
    # years triangular on 0..20 with mode 10, worth 100 (years - 10): the mean worth is 0, so nothing is gained unasked.
    # Knowing it is worth 100 E[(X - 10)+] = 100 x 20/12: half the mean deviation of a symmetric triangle is b/6 = 10/6
    found = value_of_number(a_number(0, 10, 20, -1000, 1000), one(0.0))
    assert found == pytest.approx([1000 / 6], rel=1e-3)


@given(MONEY, MONEY, MONEY, st.floats(0.05, 0.95))
def test_knowing_a_number_is_never_worth_less_than_nothing_and_nothing_where_it_turns_nothing(
    low: float, middle: float, high: float, used: float
) -> None:
    found = value_of_number(a_number(0, used, 1, low, high), one(middle))[0]
    assert found >= -1e-6
    if min(low, middle, high) >= 0 or max(low, middle, high) <= 0:
        assert found == pytest.approx(0.0, abs=1e-6)


def test_every_fact_that_is_asked_can_be_asked_on_the_phone() -> None:
    facts = {name for loaded in find_plugins().retrofits for name in loaded.retrofit.facts}
    facts |= {column for column, _ in NUMBERS_ASKED.values()} | set(tables.choices())
    rows = aftersun_datasets.rows("fact_tests.csv")
    assert {row["fact"] for row in rows if row["way"] == "phone"} == facts
    for row in rows:
        assert 0.5 <= (float(row["sensitivity"]) + float(row["specificity"])) / 2 <= 1, row
        assert row["source"]


def a_fact(if_true: list[float], if_false: list[float]) -> Driver:
    zero = np.zeros(len(if_true))
    ends = Parts(np.array(if_false), zero, zero, zero), Parts(np.array(if_true), zero, zero, zero)
    return Driver("birds_seen", "no/yes", 0.0, 0.1, 1.0, CHANCE, False, *ends)


def test_a_question_adds_up_over_the_retrofits(company: Company) -> None:
    sites, ids = pd.DataFrame({"latitude": [36.1], "longitude": [-80.0]}, index=["A"]), pd.Index(["A"])
    number = a_number(0, 10, 20, -1000, 1000)
    values = [
        answer_values("bird_mesh", ids, [a_fact([900.0], [-600.0])], one(-450.0), 0.6),
        answer_values("other", ids, [a_fact([100.0], [-50.0]), number], one(0.0), 0.6),
    ]
    row, years = questions(pd.concat(values), sites, find_plugins(), company).to_dict("records")
    assert years["fact"] == "remaining_life_years"
    assert years["value_if_known"] == pytest.approx(1000 / 6, rel=1e-3)
    # the sensitivity that fact_tests.csv has for it
    assert years["value_of_phone"] == pytest.approx(0.7 * years["value_if_known"])
    assert np.isnan(years["chance_true"])
    assert row["value_if_known"] == pytest.approx(0.1 * 900 + 0.1 * 100)
    assert 0 < row["value_of_phone"] < row["value_of_visit"] < row["value_if_known"]
    assert row["retrofits"] == ["bird_mesh", "other"]


def test_a_visit_costs_the_company_its_trip_and_its_inspection(company: Company) -> None:
    base = company.travel
    sites = pd.DataFrame(
        {"latitude": [base.base_latitude, base.base_latitude + 0.1], "longitude": base.base_longitude}, index=["A", "B"]
    )
    values = answer_values("bird_mesh", sites.index, [a_fact([900.0] * 2, [-600.0] * 2)], np.full(2, -450.0), 0.6)
    here, away = questions(values, sites, find_plugins(), company)["visit_cost"]
    look = company.inspections["survey_visit"]  # of fact_tests.csv
    assert look > 0
    assert here == pytest.approx(look)  # no way to go
    km = 2 * 11.1195 * base.road_factor  # a tenth of a degree is 11.1195 km, there and back
    hours = km / base.average_speed_km_h * base.people * company.work[base.skill]
    assert away == pytest.approx(look + km * base.cost_per_km + hours, rel=1e-4)


def test_the_run_keeps_questions_for_unknown_facts_only(demo: Demo) -> None:
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        view = RunView(inventory)
        found = view.table("question")
        assert len(found) > 10
        for row in found.head(40).to_dict("records"):
            assert row["fact"] not in view.facts(row["site_id"])
    assert (found["value_if_known"] >= found["value_of_phone"] - 1e-9).all()
    assert (found["value_of_phone"] >= 0).all()
