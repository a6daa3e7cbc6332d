"""From quantities to money, worked by hand with the company invented in conftest.py."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from aftersun.model.change import (
    ACCESS,
    AVOIDED_RISK,
    AVOIDED_WORK,
    INSPECTION,
    LABOUR,
    MATERIAL,
    STANDING,
    CostLine,
)
from aftersun.model.errors import AftersunError
from aftersun.money import prices
from aftersun.money.company import Company, load_company

MESH = CostLine(MATERIAL, "mesh", np.array([20.0, 10.0, 0.0]), "m", "sides of the block")
ROOF = CostLine(ACCESS, "roof", np.array([1.0, 1.0, 0.0]), "visit")
HOURS = CostLine(LABOUR, "roofer", np.array([3.0, 2.0, 0.0]), "h")
CHECK = CostLine(INSPECTION, "structural_check", np.array([1.0, 0.0, 0.0]), "check")


@pytest.fixture
def sites() -> pd.DataFrame:
    """Three sites at the base: the way there costs nothing. The second has unknown roof and storeys."""
    return pd.DataFrame(
        {
            "latitude": [0.0, 0.0, 0.0],
            "longitude": [0.0, 0.0, 0.0],
            "roof_kind": pd.array(["pitched tile", pd.NA, "ground"], dtype="str"),
            "storeys": pd.array([1, pd.NA, 1], dtype="Int64"),
        },
        index=pd.Index(["a", "b", "c"], name="site_id"),
    )


def test_one_row_a_site_and_line_by_hand(company: Company, sites: pd.DataFrame) -> None:
    table = prices.price_lines([MESH, ROOF, HOURS], sites, company)
    assert list(table.columns) == prices.COLUMNS
    assert table["site_id"].tolist() == ["a"] * 4 + ["b"] * 4
    assert table["item"].tolist() == [
        "mesh",
        "ladder",
        "roofer",
        "trip",
        "mesh",
        "scaffold",
        "roofer",
        "trip",
    ]
    # 20 m x 8, ladder 10, 3 h x 40; then 10 m x 8, scaffold 600 for an unknown roof of two storeys
    # assumed, 2 h x 40
    assert_allclose(table["cost"], [160, 10, 120, 0, 80, 600, 80, 0])
    # markup 25 %, tax 20 %: x 1.25 and x 1.5
    assert_allclose(table["price_before_tax"], table["cost"] * 1.25)
    assert_allclose(table["price"], table["cost"] * 1.5)
    assert_allclose(prices.company_cost(table, 3), [290, 760, 0])
    assert_allclose(prices.owner_price(table, 3), [435, 1140, 0])
    assert_allclose(prices.company_margin(table, 3), [72.5, 190, 0])


def test_what_was_assumed_for_access_is_said(company: Company, sites: pd.DataFrame) -> None:
    table = prices.price_lines([ROOF], sites, company)
    notes = table.loc[table["kind"] == ACCESS, "note"].tolist()
    assert notes == ["", "roof kind not known; 2 storeys assumed"]


def test_access_on_the_ground_needs_no_equipment_but_a_trip(company: Company, sites: pd.DataFrame) -> None:
    on_ground = CostLine(ACCESS, "ground", np.array([1.0, 0.0, 0.0]), "visit")
    ground_mounted = CostLine(ACCESS, "roof", np.array([0.0, 0.0, 1.0]), "visit")
    table = prices.price_lines([on_ground, ground_mounted], sites, company)
    assert table[["site_id", "item"]].values.tolist() == [["a", "trip"], ["c", "trip"]]


def test_a_bundle_shares_access_inspection_and_trip_but_not_labour(company: Company, sites: pd.DataFrame) -> None:
    table = prices.price_lines([ROOF, HOURS, CHECK, MESH, ROOF, HOURS, CHECK], sites, company)
    first = table[table["site"] == 0]
    assert first["item"].tolist() == ["ladder", "roofer", "structural_check", "mesh", "roofer", "trip"]
    assert_allclose(first["cost"], [10, 120, 350, 160, 120, 0])


def test_material_alone_needs_no_trip(company: Company, sites: pd.DataFrame) -> None:
    assert prices.price_lines([MESH], sites, company)["item"].tolist() == ["mesh", "mesh"]


def test_the_trip_is_a_line_of_its_own(company: Company, sites: pd.DataFrame) -> None:
    # One degree from the base: 361.38 by hand in test_travel.py, and farther than the company goes.
    far = sites.assign(latitude=[1.0, 0.0, 0.0])
    table = prices.price_lines([HOURS], far, company)
    trip = table[(table["kind"] == "travel") & (table["site"] == 0)].iloc[0]
    assert_allclose([trip["unit_cost"], trip["cost"], trip["price"]], [361.38, 361.38, 542.07], atol=0.01)
    assert trip["note"] == "278 km and 5.6 h there and back; farther than the company goes"


def test_prices_that_include_tax(company_file: Path, company_toml: str, sites: pd.DataFrame) -> None:
    company_file.write_text(company_toml.replace("prices_include_tax = false", "prices_include_tax = true"))
    table = prices.price_lines([MESH], sites, load_company(company_file))
    # 160 with 20 % tax in it: own cost 133.33; the owner pays 160 x 1.25
    assert_allclose(prices.company_cost(table, 3)[0], 133.33, atol=0.01)
    assert_allclose(prices.owner_price(table, 3)[0], 200.0)


def test_no_lines_cost_nothing(company: Company, sites: pd.DataFrame) -> None:
    for table in (prices.price_lines([], sites, company), prices.price_yearly([], sites, company)):
        assert list(table.columns) == prices.COLUMNS
        assert_allclose(prices.owner_price(table, 3), 0.0)
    assert len(prices.price_lines([HOURS], sites, company)) == 4
    nobody = CostLine(LABOUR, "roofer", np.zeros(0), "h")
    assert prices.price_lines([nobody], sites.iloc[:0], company).empty


def test_a_site_alone_costs_the_same(company: Company, sites: pd.DataFrame) -> None:
    lines = [MESH, ROOF, HOURS, CHECK]
    alone = [CostLine(line.kind, line.item, line.quantity[1:2], line.unit, line.note) for line in lines]
    batch = prices.price_lines(lines, sites, company)
    single = prices.price_lines(alone, sites.iloc[1:2], company)
    expected = batch[batch["site"] == 1].reset_index(drop=True).assign(site=0)
    pd.testing.assert_frame_equal(single, expected)


def test_yearly_costs_carry_markup_and_tax_avoided_ones_do_not(company: Company, sites: pd.DataFrame) -> None:
    lines = [
        CostLine(STANDING, "data_plan", np.array([1.0, 0.0, 0.0]), "1/a"),
        CostLine(LABOUR, "electrician", np.array([0.5, 0.0, 0.0]), "h/a"),
        CostLine(AVOIDED_WORK, "roof_cleaning", np.array([2.0, 1.0, 0.0]), "1/a"),
        CostLine(AVOIDED_RISK, "building_fire_damage", np.array([2e-5, 0.0, 0.0]), "1/a"),
    ]
    table = prices.price_yearly(lines, sites, company)
    assert_allclose(prices.yearly_cost(table, 3), [(20 + 25) * 1.5, 0, 0])
    assert_allclose(prices.yearly_avoided(table, 3), [160 + 1.2, 80, 0])
    assert_allclose(prices.yearly_avoided(table, 3, [AVOIDED_RISK]), [1.2, 0, 0])
    assert_allclose(prices.company_cost(table, 3), [45, 0, 0])
    assert_allclose(prices.company_margin(table[~table["kind"].isin(prices.AVOIDED_KINDS)], 3), [11.25, 0, 0])


def test_a_missing_price_and_an_unknown_access_stop_it(company: Company, sites: pd.DataFrame) -> None:
    with pytest.raises(AftersunError, match="tilt_frame"):
        prices.price_lines([CostLine(MATERIAL, "tilt_frame", np.ones(3), "piece")], sites, company)
    with pytest.raises(AftersunError, match="moon"):
        prices.price_lines([CostLine(ACCESS, "moon", np.ones(3), "visit")], sites, company)


@pytest.mark.parametrize("quantity", [[-1.0, 0, 0], [np.nan, 0, 0], [np.inf, 0, 0], [1.0, 1.0]])
def test_impossible_quantities_are_refused(company: Company, sites: pd.DataFrame, quantity: list[float]) -> None:
    with pytest.raises(ValueError, match="finite numbers"):
        prices.price_lines([CostLine(MATERIAL, "mesh", np.array(quantity), "m")], sites, company)


def test_yearly_and_one_off_kinds_are_kept_apart(company: Company, sites: pd.DataFrame) -> None:
    with pytest.raises(ValueError, match="standing"):
        prices.price_lines([CostLine(STANDING, "data_plan", np.ones(3), "1/a")], sites, company)
    with pytest.raises(ValueError, match="material"):
        prices.price_yearly([MESH], sites, company)


def test_a_later_visit_has_its_own_trip_and_access(company: Company, sites: pd.DataFrame) -> None:
    far = sites.assign(latitude=[0.1, 0.1, 0.1])
    again = [replace(line, in_year=3) for line in (ROOF, HOURS)]
    table = prices.price_lines([MESH, ROOF, HOURS, *again], far, company)
    first = prices.price_lines([MESH, ROOF, HOURS], far, company)
    later = prices.price_lines([ROOF, HOURS], far, company)
    assert table["in_year"].drop_duplicates().tolist() == [0, 3]
    assert_allclose(prices.owner_price(table, 3), prices.owner_price(first, 3))
    paid = prices.owner_later_prices(table, 3, 10)
    assert_allclose(paid[:, 3], prices.owner_price(later, 3))
    assert paid.sum() == pytest.approx(paid[:, 3].sum())
    assert prices.owner_later_prices(table, 3, 2).sum() == 0
