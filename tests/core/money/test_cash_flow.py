"""The owner's cash flow: cut off in time, faded, aged and escalated as published formulas say."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from aftersun.money import measures
from aftersun.money.cash_flow import CashFlow, owner_cash_flow, remaining_life, study_years
from aftersun.money.company import Company

NOTHING: dict[str, Any] = {
    "fade": None,
    "ageing_per_year": 0.0,
    "price_growth": 0.0,
    "yearly_cost": 0.0,
    "avoided": 0.0,
    "upfront": 0.0,
    "years": 3,
    "horizon_years": 4,
}


def flow(saving: list[float], **given: Any) -> CashFlow:
    return owner_cash_flow(np.array(saving), **{**NOTHING, **given})


def test_net_savings_and_their_cut_off_by_10_cfr_436() -> None:
    # 2000 for 300 a year less 20 at 3 %: worth 1342.62 over 15 years, 180.11 over 9 and -34.49 over 8;
    # by hand from the uniform present values 11.9379, 7.7861 and 7.0197
    owner = flow([300.0] * 3, yearly_cost=20.0, upfront=2000.0, years=[15, 9, 8], horizon_years=20)
    assert_allclose(measures.npv(0.03, owner.net), [1342.62, 180.11, -34.49], atol=0.01)
    assert owner.net.shape == (3, 21)
    sir = measures.savings_to_investment_ratio(measures.npv(0.03, owner.operating), 2000.0)
    assert_allclose(sir[0], 1.67131, atol=1e-5)
    assert_allclose(
        measures.discounted_payback(0.03, 2000.0, owner.operating[:, 1:]), [8.159, 8.159, np.nan], atol=1e-3
    )


def test_every_ledger_by_hand() -> None:
    owner = flow([100.0], fade=np.array([1.0, 0.5, 0.25]), yearly_cost=7.0, avoided=11.0, upfront=50.0)
    assert_allclose(owner.saving, [[0, 100, 50, 25, 0]])
    assert_allclose(owner.yearly_cost, [[0, 7, 7, 7, 0]])
    assert_allclose(owner.avoided, [[0, 11, 11, 11, 0]])
    assert_allclose(owner.upfront, [[50, 0, 0, 0, 0]])
    assert_allclose(owner.net, [[-50, 104, 54, 29, 0]])


def test_price_growth_and_ageing_combine() -> None:
    # price +2 % and ageing 0.5 %: 1.49 % a year (1.02 x 0.995), from the second year on
    owner = flow([100.0], price_growth=0.02, ageing_per_year=0.005)
    assert_allclose(owner.saving, [[0, 100, 101.49, 101.49 * 1.0149, 0]])


def test_worth_of_an_escalating_saving_by_astm_e917() -> None:
    # modified uniform present value at 3 % and 2 % over 20 years: 18.0812, of a first payment of 1.02
    owner = flow([1.02], price_growth=0.02, years=20, horizon_years=20)
    assert_allclose(measures.npv(0.03, owner.net), [18.0812], atol=1e-4)


def test_electricity_and_fuel_grow_apart() -> None:
    owner = flow([-40.0], first_year_fuel_saving=100.0, fuel_price_growth=0.1, price_growth=0.5)
    assert_allclose(owner.saving, [[0, 60, 110 - 60, 121 - 90, 0]])


def test_fade_per_site_and_longer_or_shorter_than_the_horizon() -> None:
    fade = np.array([[1.0, 0.9, 0.8, 0.7, 0.6, 0.5], [0.5, 0.5, 0.5, 0.5, 0.5, 0.5]])
    owner = flow([10.0, 10.0], fade=fade, years=[4, 2])
    assert_allclose(owner.saving, [[0, 10, 9, 8, 7], [0, 5, 5, 0, 0]])
    assert_allclose(flow([10.0], fade=np.ones(3)).saving, [[0, 10, 10, 10, 0]])


def test_years_that_nothing_covers_are_refused() -> None:
    with pytest.raises(ValueError, match="fade covers 2 years, 3 are counted"):
        flow([10.0], fade=np.ones(2))
    with pytest.raises(ValueError, match="exceed the horizon of 4"):
        flow([10.0], years=5)


def test_no_site_no_year() -> None:
    assert flow([]).net.shape == (0, 5)
    assert_allclose(flow([10.0], years=0, upfront=5.0, yearly_cost=1.0).net, [[-5, 0, 0, 0, 0]])


@settings(max_examples=40)
@given(st.floats(0, 1e3), st.floats(0, 500), st.floats(0, 5e3), st.integers(0, 19), st.floats(0, 0.15))
def test_a_longer_life_never_hurts_who_gains_each_year(
    saving: float, cost: float, upfront: float, years: int, rate: float
) -> None:
    owner = flow([saving + cost] * 2, yearly_cost=cost, upfront=upfront, years=[years, years + 1], horizon_years=20)
    shorter, longer = measures.npv(rate, owner.net)
    assert longer >= shorter - 1e-9


@settings(max_examples=40)
@given(st.floats(0, 5e3), st.integers(1, 20), st.floats(0, 0.15))
def test_no_benefit_is_worth_what_it_costs(upfront: float, years: int, rate: float) -> None:
    owner = flow([0.0], upfront=upfront, years=years, horizon_years=20)
    assert_allclose(measures.npv(rate, owner.net), [-upfront])


def test_one_site_alone_has_the_same_flow_to_the_last_bit() -> None:
    rng = np.random.default_rng(3)
    size = 9
    columns = {name: rng.uniform(0, 300, size) for name in ("yearly_cost", "avoided", "upfront")}
    columns |= {"ageing_per_year": rng.uniform(0, 0.01, size), "years": rng.integers(0, 21, size)}
    saving, fade = rng.uniform(-50, 400, size), rng.uniform(0, 1, (size, 20))

    def worth(rows: slice) -> np.ndarray:
        chosen = {name: values[rows] for name, values in columns.items()}
        owner = owner_cash_flow(saving[rows], fade=fade[rows], price_growth=0.01, horizon_years=20, **chosen)
        return measures.npv(0.04, owner.net)

    batch = worth(slice(None))
    assert all(worth(slice(row, row + 1))[0] == batch[row] for row in range(size))


def test_records_hold_one_shape() -> None:
    owner = flow([1.0, 2.0])
    assert {getattr(owner, column.name).shape for column in fields(owner)} == {(2, 5)}


def test_study_years_is_the_shortest_life_in_whole_years() -> None:
    found = study_years(20, [15.0, 15.0, 30.0, 15.0], [25.0, 8.9, 30.0, 25.0], [40.0, 40.0, 40.0, -1.0])
    assert_allclose(found, [15, 8, 20, 0])
    with pytest.raises(ValueError, match="not known"):
        study_years(20, [np.nan])


def test_remaining_life(company: Company) -> None:
    # life 25, at least 3: what the owner says; 25 - 9.5; 3 because 25 - 24 = 1
    years, assumed = remaining_life(np.array([7.0, np.nan, np.nan]), np.array([9.5, 9.5, 24.0]), company)
    assert_allclose(years, [7.0, 15.5, 3.0])
    assert assumed.tolist() == [False, True, True]


def test_what_has_ended_is_no_longer_saved() -> None:
    owner = flow([100.0], ended=[[0.0, 30.0, 80.0, 80.0]], price_growth=0.1, fade=np.array([1.0, 0.5, 1.0]))
    assert_allclose(owner.saving, [[0, 100, 70 * 1.1 * 0.5, 20 * 1.21, 0]])
    assert_allclose(owner.saving + owner.ended, flow([100.0], price_growth=0.1, fade=np.array([1.0, 0.5, 1.0])).saving)
