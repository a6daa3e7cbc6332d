"""Totals are the sums of the priced tables, for any lines."""

from __future__ import annotations

import numpy as np
import pandas as pd
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from aftersun.model.change import ACCESS, AVOIDED_WORK, INSPECTION, LABOUR, MATERIAL, STANDING, CostLine
from aftersun.money import prices
from aftersun.money.company import Company
from aftersun.money.totals import Totals

ONCE = ((MATERIAL, "mesh"), (LABOUR, "roofer"), (ACCESS, "roof"), (ACCESS, "ground"), (INSPECTION, "structural_check"))
SITES = pd.DataFrame(
    {
        "latitude": [0.0, 0.1, 0.2, 0.0],
        "longitude": [0.0, 0.1, 0.0, 0.3],
        "roof_kind": pd.array(["pitched tile", pd.NA, "ground", "flat gravel"], dtype="str"),
        "storeys": pd.array([1, pd.NA, 1, 4], dtype="Int64"),
    },
    index=pd.Index(["a", "b", "c", "d"], name="site_id"),
)
QUANTITIES = st.lists(st.sampled_from([0.0, 0.5, 1.0, 7.0]), min_size=4, max_size=4).map(np.array)
LINES = st.lists(st.tuples(st.sampled_from(ONCE), QUANTITIES, st.sampled_from([0, 0, 2, 5])), max_size=8)


def test_totals_are_the_sums_of_the_table(company: Company) -> None:
    @given(LINES)
    def holds(drawn: list[tuple[tuple[str, str], np.ndarray, int]]) -> None:
        lines = [CostLine(kind, item, quantity, "unit", in_year=year) for (kind, item), quantity, year in drawn]
        table = prices.price_lines(lines, SITES, company)
        paid = Totals(SITES, company).once(lines, 4)
        assert_allclose(paid[:, 0], prices.owner_price(table, 4), rtol=1e-12)
        assert_allclose(paid, prices.owner_later_prices(table, 4, 4) + np.eye(1, 5) * paid[:, :1], rtol=1e-12)
        rows = np.array([2, 0])
        some = [CostLine(one.kind, one.item, one.quantity[rows], "unit", in_year=one.in_year) for one in lines]
        assert_allclose(Totals(SITES, company).take(rows).once(some, 4), paid[rows], rtol=1e-12)

    holds()


def test_yearly_totals_are_the_sums_of_the_table(company: Company) -> None:
    lines = [
        CostLine(STANDING, next(iter(company.yearly)), np.array([1.0, 0.0, 2.0, 0.5]), "year"),
        CostLine(LABOUR, "roofer", np.array([1.0, 0.0, 0.0, 0.5]), "h"),
        CostLine(AVOIDED_WORK, next(iter(company.avoided)), np.array([0.1, 0.0, 2.0, 0.5]), "visit"),
    ]
    table = prices.price_yearly(lines, SITES, company)
    cost, avoided = Totals(SITES, company).yearly(lines)
    assert_allclose(cost, prices.yearly_cost(table, 4))
    assert_allclose(avoided, prices.yearly_avoided(table, 4))
