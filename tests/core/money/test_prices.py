"""From quantities to money, worked by hand with the company invented in conftest.py."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from aftersun.model import tables
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
from aftersun.money.company import Company, load_company
from aftersun.money.prices import Prices, Visit
from aftersun.wording import note_text

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
            "use": pd.array([None] * 3, dtype="str"),
            "reclaims_tax": pd.array([None] * 3, dtype="boolean"),
        },
        index=pd.Index(["a", "b", "c"], name="site_id"),
    )


def by_site(table: pd.DataFrame, column: str) -> np.ndarray:
    return np.bincount(table["site"], table[column], 3)


def test_one_row_a_site_and_line_by_hand(company: Company, sites: pd.DataFrame) -> None:
    table = Prices(sites, company).rows([MESH, ROOF, HOURS])
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
    assert_allclose(by_site(table, "cost"), [290, 760, 0])
    assert_allclose(by_site(table, "price"), [435, 1140, 0])
    visit = Prices(sites, company).first_visit([MESH, ROOF, HOURS])
    assert_allclose(
        [visit.cost[kind] for kind in (MATERIAL, ACCESS, LABOUR)], [[160, 80, 0], [10, 600, 0], [120, 80, 0]]
    )
    assert_allclose(visit.hours["roofer"], [3, 2, 0])
    assert {name: where.tolist() for name, where in visit.equipment.items()} == {
        "ladder": [True, False, False], "scaffold": [False, True, False],
    }  # fmt: skip


def test_what_was_assumed_for_access_is_said(company: Company, sites: pd.DataFrame) -> None:
    table = Prices(sites, company).rows([ROOF])
    notes = [note_text(row) for row in table[table["kind"] == ACCESS].to_dict("records")]
    assert notes == ["", "roof kind not known; 2 storeys assumed"]


def test_access_on_the_ground_needs_no_equipment_but_a_trip(company: Company, sites: pd.DataFrame) -> None:
    on_ground = CostLine(ACCESS, "ground", np.array([1.0, 0.0, 0.0]), "visit")
    ground_mounted = CostLine(ACCESS, "roof", np.array([0.0, 0.0, 1.0]), "visit")
    table = Prices(sites, company).rows([on_ground, ground_mounted])
    assert table[["site_id", "item"]].values.tolist() == [["a", "trip"], ["c", "trip"]]


def test_a_bundle_shares_access_inspection_and_trip_but_not_labour(company: Company, sites: pd.DataFrame) -> None:
    table = Prices(sites, company).rows([ROOF, HOURS, CHECK, MESH, ROOF, HOURS, CHECK])
    first = table[table["site"] == 0]
    assert first["item"].tolist() == ["ladder", "roofer", "structural_check", "mesh", "roofer", "trip"]
    assert_allclose(first["cost"], [10, 120, 350, 160, 120, 0])


def test_where_nobody_lives_the_way_up_goes_by_the_rule_for_business(company: Company, sites: pd.DataFrame) -> None:
    rules = company.access.model_copy(update={"business": {"pitched_tile": ("scaffold",)}})
    by_rule = company.model_copy(update={"access": rules})
    shops = sites.assign(use=pd.Series("shop", sites.index, dtype="string"))
    # the pitched roof by scaffold instead of the ladder for 10; the others have no rule of their own
    costs = [by_site(Prices(part, by_rule).rows([ROOF]), "cost").tolist() for part in (sites, shops)]
    assert costs[0][0] == 10
    assert costs[1] == [company.access.cost_per_visit["scaffold"], *costs[0][1:]]


def test_the_edge_of_a_pitched_roof_is_reached_as_the_company_says(company: Company, sites: pd.DataFrame) -> None:
    edge = CostLine(ACCESS, "roof edge", np.array([1.0, 1.0, 1.0]), "visit")
    by_rule = company.model_copy(update={"access": company.access.model_copy(update={"edge": ("tower", "scaffold")})})
    # a pitched roof by the rule for edges, an unknown one by that of the roof, nothing on the ground
    assert by_site(Prices(sites, by_rule).rows([edge]), "cost").tolist() == [200, 600, 0]
    # without a rule as for the roof: ladder 10
    assert by_site(Prices(sites, company).rows([edge]), "cost").tolist() == [10, 600, 0]
    # who brings access to the roof has its edge too, and pays for the ladder alone
    assert by_site(Prices(sites, by_rule).rows([edge, ROOF]), "cost").tolist() == [10, 600, 0]


def test_work_that_two_retrofits_share_is_done_once_and_the_longest_counts(
    company: Company, sites: pd.DataFrame
) -> None:
    wash, longer = (
        CostLine(LABOUR, "roofer", np.array(hours), "h", "wash", shared_work="wash")
        for hours in ([2.0, 1.0, 0.0], [1.0, 3.0, 0.0])
    )
    prices = Prices(sites, company)
    table = prices.rows([wash, HOURS, longer])
    # hours by hand: max(2, 1) + 3 and max(1, 3) + 2, at 40 an hour
    assert by_site(table[table["kind"] == LABOUR], "cost").tolist() == [200, 200, 0]
    assert prices.first_visit([wash, HOURS, longer]).hours["roofer"].tolist() == [5, 5, 0]


def test_material_alone_needs_no_trip(company: Company, sites: pd.DataFrame) -> None:
    assert Prices(sites, company).rows([MESH])["item"].tolist() == ["mesh", "mesh"]


def test_the_trip_is_a_line_of_its_own(company: Company, sites: pd.DataFrame) -> None:
    # One degree from the base: 361.38 by hand in test_travel.py, and farther than the company goes.
    far = sites.assign(latitude=[1.0, 0.0, 0.0])
    table = Prices(far, company).rows([HOURS])
    trip = table[(table["kind"] == "travel") & (table["site"] == 0)].iloc[0]
    assert_allclose([trip["unit_cost"], trip["cost"], trip["price"]], [361.38, 361.38, 542.07], atol=0.01)
    assert note_text(trip.to_dict()) == "278 km and 5.6 h there and back; farther than the company goes"


def test_work_on_boards_is_driven_by_one_and_work_at_the_array_by_the_crew(
    company: Company, sites: pd.DataFrame
) -> None:
    """One degree from the base, as above: 278 km for the vehicle at 0.5, and 5.56 h for whoever sits in it."""
    far = sites.assign(latitude=1.0)
    wiring = CostLine(LABOUR, "electrician", np.array([2.0, 2.0, 2.0]), "h")
    up = CostLine(ACCESS, "roof", np.array([1.0, 0.0, 0.0]), "visit")
    visit = Prices(far, company).first_visit([wiring, up])
    hours = 2 * 111.195 * 1.25 / 50
    alone, crew = (hours * 50 * 0.5 + hours * hourly for hourly in (50, 2 * 20))
    assert_allclose(visit.cost["travel"], [crew, alone, alone], rtol=1e-5)
    assert_allclose(visit.drivers["helper"], [2, 0, 0])
    assert_allclose(visit.drivers["electrician"], [0, 1, 1])


def test_hours_inside_inspections_are_booked_against_the_crew(company: Company, sites: pd.DataFrame) -> None:
    tests = CostLine(INSPECTION, "insulation_test", np.array([1.0, 0.0, 2.0]), "visit")
    wiring = CostLine(LABOUR, "electrician", np.array([3.0, 1.0, 0.0]), "h")
    by_engineer = CostLine(INSPECTION, "structural_check", np.array([1.0, 1.0, 1.0]), "check")
    skill, of_one = tables.inspection_hours()["insulation_test"]
    assert (skill, of_one) == ("electrician", 2.0)
    priced = company.model_copy(update={"inspections": {**company.inspections, "insulation_test": 90.0}})
    visit = Prices(sites, priced).first_visit([wiring, tests, by_engineer])
    assert_allclose(visit.hours["electrician"], [5, 1, 4])
    assert set(visit.hours) == {"electrician"}


def test_prices_that_include_tax(company_file: Path, company_toml: str, sites: pd.DataFrame) -> None:
    company_file.write_text(company_toml.replace("prices_include_tax = false", "prices_include_tax = true"))
    table = Prices(sites, load_company(company_file)).rows([MESH])
    # 160 with 20 % tax in it: own cost 133.33; the owner pays 160 x 1.25
    assert_allclose(by_site(table, "cost")[0], 133.33, atol=0.01)
    assert_allclose(by_site(table, "price")[0], 200.0)


def test_no_lines_cost_nothing(company: Company, sites: pd.DataFrame) -> None:
    prices = Prices(sites, company)
    assert prices.rows([]).empty
    assert list(prices.rows([]).columns) == list(prices.yearly_rows([]).columns) == list(prices.rows([MESH]).columns)
    assert not prices.once([], 4).any()
    assert all(not cost.any() for cost in prices.first_visit([]).cost.values())
    assert len(prices.rows([HOURS])) == 4
    nobody = CostLine(LABOUR, "roofer", np.zeros(0), "h")
    assert Prices(sites.iloc[:0], company).rows([nobody]).empty


def test_a_site_alone_costs_the_same(company: Company, sites: pd.DataFrame) -> None:
    lines = [MESH, ROOF, HOURS, CHECK]
    alone = [CostLine(line.kind, line.item, line.quantity[1:2], line.unit, line.note) for line in lines]
    batch = Prices(sites, company).rows(lines)
    single = Prices(sites.iloc[1:2], company).rows(alone)
    expected = batch[batch["site"] == 1].reset_index(drop=True).assign(site=0)
    pd.testing.assert_frame_equal(single, expected)


def test_yearly_costs_carry_markup_and_tax_avoided_ones_do_not(company: Company, sites: pd.DataFrame) -> None:
    lines = [
        CostLine(STANDING, "data_plan", np.array([1.0, 0.0, 0.0]), "1/a"),
        CostLine(LABOUR, "electrician", np.array([0.5, 0.0, 0.0]), "h/a"),
        CostLine(AVOIDED_WORK, "roof_cleaning", np.array([2.0, 1.0, 0.0]), "1/a"),
        CostLine(AVOIDED_RISK, "building_fire_damage", np.array([2e-5, 0.0, 0.0]), "1/a"),
    ]
    cost, avoided = Prices(sites, company).yearly(lines)
    assert_allclose(cost, [(20 + 25) * 1.5, 0, 0])
    assert_allclose(avoided, [160 + 1.2, 80, 0])
    table = Prices(sites, company).yearly_rows(lines)
    assert_allclose(table["cost"], [20, 25, 0, 0, 0])  # site by site; what is avoided costs the company nothing
    assert_allclose(table["price"], [30, 37.5, 160, 1.2, 80])


def test_a_missing_price_stops_it(company: Company, sites: pd.DataFrame) -> None:
    with pytest.raises(AftersunError, match="tilt_frame"):
        Prices(sites, company).rows([CostLine(MATERIAL, "tilt_frame", np.ones(3), "piece")])


def test_a_later_visit_has_its_own_trip_and_access(company: Company, sites: pd.DataFrame) -> None:
    far = sites.assign(latitude=[0.1, 0.1, 0.1])
    again = [replace(line, in_year=3) for line in (ROOF, HOURS)]
    prices = Prices(far, company)
    paid = prices.once([MESH, ROOF, HOURS, *again], 10)
    assert_allclose(paid[:, 0], by_site(prices.rows([MESH, ROOF, HOURS]), "price"))
    assert_allclose(paid[:, 3], by_site(prices.rows([ROOF, HOURS]), "price"))
    assert paid.sum() == pytest.approx(paid[:, [0, 3]].sum())
    assert_allclose(prices.once([MESH, ROOF, HOURS, *again], 2), paid[:, :3])
    assert prices.rows([MESH, ROOF, HOURS, *again])["in_year"].drop_duplicates().tolist() == [0, 3]


ONCE = ((MATERIAL, "mesh"), (LABOUR, "roofer"), (ACCESS, "roof"), (ACCESS, "ground"), (INSPECTION, "structural_check"))
QUANTITIES = st.lists(st.sampled_from([0.0, 0.5, 1.0, 7.0]), min_size=3, max_size=3).map(np.array)
LINES = st.lists(st.tuples(st.sampled_from(ONCE), QUANTITIES, st.sampled_from([0, 0, 2, 5])), max_size=8)


def test_both_ledgers_are_the_sums_of_the_rows(company: Company, sites: pd.DataFrame) -> None:
    far = sites.assign(latitude=[0.0, 0.1, 0.3])

    @given(LINES)
    def holds(drawn: list[tuple[tuple[str, str], np.ndarray, int]]) -> None:
        lines = [CostLine(kind, item, quantity, "unit", in_year=year) for (kind, item), quantity, year in drawn]
        prices = Prices(far, company)
        table, visit = prices.rows(lines), prices.first_visit(lines)
        for year, paid in enumerate(prices.once(lines, 4).T):
            assert_allclose(paid, by_site(table[table["in_year"] == year], "price"), rtol=1e-12)
        first = table[table["in_year"] == 0]
        for kind, cost in visit.cost.items():
            assert_allclose(cost, by_site(first[first["kind"] == kind], "cost"), rtol=1e-12)
        assert_allclose(sum(visit.hours.values(), np.zeros(3)), by_site(first[first["kind"] == LABOUR], "quantity"))
        brought = {(name, site) for name, where in visit.equipment.items() for site in np.flatnonzero(where)}
        access = first[first["kind"] == ACCESS]
        assert brought == set(zip(access["item"], access["site"], strict=True))

    holds()


def test_of_two_visits_each_site_has_the_one_chosen(company: Company, sites: pd.DataFrame) -> None:
    prices = Prices(sites, company)
    visits = prices.first_visit([MESH, ROOF]), prices.first_visit([HOURS])
    chosen = Visit.chosen(np.array([0, 1, 1]), visits)
    assert_allclose(chosen.cost[MATERIAL], [160, 0, 0])
    assert_allclose(chosen.cost[LABOUR], [0, 80, 0])
    assert_allclose(chosen.hours["roofer"], [0, 2, 0])
    assert chosen.equipment["ladder"].tolist() == [True, False, False]
    assert not chosen.equipment["scaffold"].any()


def test_who_gets_sales_tax_back_pays_none_and_is_spared_none(company: Company, sites: pd.DataFrame) -> None:
    uses = pd.array(["home", "shop", "school"], dtype="str")
    known = pd.array([None, None, True], dtype="boolean")
    firms = sites.assign(use=uses, reclaims_tax=known, roof_kind="pitched tile", storeys=1)
    homes = firms.assign(use=None, reclaims_tax=pd.array([None] * 3, dtype="boolean"))
    lines = [replace(HOURS, quantity=np.array([3.0, 3.0, 3.0]))]
    avoided = CostLine(AVOIDED_WORK, "roof_cleaning", np.ones(3), "1/a")
    # by hand: the tax of the company file is 20 %
    at_homes = Prices(homes, company).once(lines, 0)[:, 0]
    paid = Prices(firms, company).once(lines, 0)[:, 0]
    assert_allclose(paid, at_homes / [1.0, 1.2, 1.2])
    rows = Prices(firms, company).rows(lines)
    assert_allclose(by_site(rows, "price"), paid)
    assert_allclose(by_site(rows, "price_before_tax"), at_homes / 1.2)
    spared = [Prices(table, company).yearly([avoided])[1] for table in (homes, firms)]
    assert_allclose(spared[1], spared[0] / [1.0, 1.2, 1.2])
    assert_allclose(by_site(Prices(firms, company).yearly_rows([avoided]), "price"), spared[1])
    assert_allclose(Prices(firms, company).first_visit(lines).cost[LABOUR], [120.0, 120.0, 120.0])  # ours as before
