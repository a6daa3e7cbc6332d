"""Measures of worth against published values, numpy-financial, and the laws that bind them."""

from __future__ import annotations

import numpy as np
import numpy_financial as npf
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from aftersun.money import measures

FEW = settings(max_examples=60)
RATES = st.floats(0.0, 0.3)
AMOUNTS = st.floats(1.0, 1e4)


# Uniform present value at 3 % by the formula of ASTM E917; the yearly supplement NISTIR 85-3273 prints
# 14.88, 17.41 and 19.60 for 20, 25 and 30 years (from memory).
@pytest.mark.parametrize(
    ("years", "expected"),
    [(5, 4.5797), (10, 8.5302), (15, 11.9379), (20, 14.8775), (25, 17.4131), (30, 19.6004)],
)
def test_capital_recovery_by_astm_e917(years: int, expected: float) -> None:
    assert_allclose(1 / measures.capital_recovery(0.03, years), expected, atol=1e-4)


def test_present_value_factors_by_astm_e917_formulas() -> None:
    assert_allclose(measures.single_present_value(0.03, 20), 0.5537, atol=1e-4)
    assert_allclose(measures.capital_recovery([0.05, 0.07], 20), [1 / 12.4622, 1 / 10.5940], atol=1e-6)
    assert_allclose(measures.capital_recovery(0.0, 12), 1 / 12)


def test_npv_of_numpy_financial_docstring() -> None:
    flows = [[-40_000, 5_000, 8_000, 12_000, 30_000], [0, 0, 0, 0, 0]]
    assert_allclose(measures.npv(0.08, flows), [3065.22267, 0.0], atol=1e-5)


def test_npv_takes_a_rate_per_row() -> None:
    # A flow of 1.03 after one year is worth 1 at 3 %, one of 1.10 at 10 % (by definition).
    assert_allclose(measures.npv([0.03, 0.10], [[0.0, 1.03], [0.0, 1.10]]), [1.0, 1.0], rtol=1e-15)


@FEW
@given(RATES, st.lists(st.floats(-1e4, 1e4), min_size=2, max_size=25))
def test_npv_agrees_with_numpy_financial(rate: float, flow: list[float]) -> None:
    assert_allclose(measures.npv(rate, flow), npf.npv(rate, flow), rtol=1e-9, atol=1e-6)


def test_all_measures_of_one_retrofit_by_the_formulas_of_10_cfr_436() -> None:
    # 2000 for 300 - 20 a year over 15 years at 3 %; by hand: 280 x 11.9379 - 2000, 280 x 11.9379 / 2000,
    # 2000 / 280, -ln(1 - 2000 x 0.03 / 280) / ln 1.03
    savings = np.full(15, 280.0)
    worth = measures.npv(0.03, [-2000.0, *savings])
    assert_allclose(worth, 1342.62, atol=1e-2)
    sir = measures.savings_to_investment_ratio(worth + 2000, 2000)
    assert_allclose(sir, 1.67131, atol=1e-5)
    assert_allclose(measures.simple_payback(2000, savings), 7.143, atol=1e-3)
    assert_allclose(measures.discounted_payback(0.03, 2000, savings), 8.159, atol=1e-3)


@FEW
@given(st.floats(0.0, 0.2), AMOUNTS, st.floats(0.05, 1.0))
@example(5e-324, 1.5, 0.5)
def test_discounted_payback_of_level_savings_has_the_closed_form(rate: float, saving: float, share: float) -> None:
    cost = share * saving / float(measures.capital_recovery(rate, 25))
    # Below a billionth the rate moves the closed form by less than is asked, and its product with a share may vanish.
    closed = cost / saving if rate < 1e-9 else -np.log1p(-cost * rate / saving) / np.log1p(rate)
    if closed < 25 - 1e-6:
        found = measures.discounted_payback(rate, cost, np.full(25, saving))
        assert_allclose(found, closed, rtol=1e-6)


def test_discounted_payback_per_row() -> None:
    savings = [[50.0, 50.0, 50.0], [10.0, 10.0, 10.0], [-5.0, 0.0, 200.0], [0.0, 0.0, 0.0]]
    found = measures.discounted_payback(0.0, [100.0, 100.0, 95.0, 0.0], savings)
    assert_allclose(found, [2.0, np.nan, 2.5, 0.0])  # by hand at rate 0


def test_payback_never() -> None:
    assert_allclose(measures.simple_payback([100.0, 100.0, 0.0], [[0.0], [-5.0], [-5.0]]), [np.nan, np.nan, 0.0])


def test_simple_payback_of_savings_that_begin_small() -> None:
    # by hand: 10 + 40 + 50 = 100 after three years, though the first year alone would take ten
    assert_allclose(measures.simple_payback(100.0, [10.0, 40.0, 50.0, 50.0]), 3.0)


@FEW
@given(st.floats(0.0, 0.2), st.floats(0.0, 3e3), st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=20))
def test_simple_payback_is_never_longer_than_discounted(rate: float, cost: float, savings: list[float]) -> None:
    discounted = float(measures.discounted_payback(rate, cost, savings))
    if np.isfinite(discounted):
        assert measures.simple_payback(cost, savings) <= discounted * (1 + 1e-9)


def test_real_and_nominal_pairs_give_the_same_worth() -> None:
    real = np.array([-2000.0, *[280.0] * 15])
    nominal = real * 1.025 ** np.arange(16)
    assert_allclose(measures.npv(0.05575, nominal), measures.npv(0.03, real), rtol=1e-12)


@FEW
@given(RATES, AMOUNTS, st.lists(st.floats(0.0, 1e3), min_size=1, max_size=20))
def test_acceptance_rules_of_10_cfr_436_18_agree(rate: float, cost: float, savings: list[float]) -> None:
    net_savings = float(measures.npv(rate, [-cost, *savings]))
    if abs(net_savings) < 1e-6 * cost:
        return  # on the border rounding decides
    sir = measures.savings_to_investment_ratio(measures.npv(rate, [0.0, *savings]), cost)
    assert (net_savings > 0) == bool(sir > 1)
    paid_back = measures.discounted_payback(rate, cost, savings)
    assert (net_savings > 0) == bool(np.isfinite(paid_back))


@FEW
@given(RATES, AMOUNTS, AMOUNTS, st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=20))
def test_npv_falls_as_cost_rises(rate: float, cost: float, more: float, savings: list[float]) -> None:
    worth = measures.npv(rate, [[-cost, *savings], [-cost - more, *savings]])
    assert_allclose(worth[0] - worth[1], more, rtol=1e-9, atol=1e-6)


def test_sir_of_nothing_invested_is_undefined() -> None:
    assert np.isnan(measures.savings_to_investment_ratio([1.0, 0.0], 0.0)).all()
