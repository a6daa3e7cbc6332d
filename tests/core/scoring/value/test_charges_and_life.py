"""Yearly charges, single gains and a plant that lives longer by what is done: small retrofits, worked by hand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import numpy_financial
import pandas as pd
import pytest
from tests_support import empty_frame, make_cohort, make_weather

from aftersun import api
from aftersun.host.guard import Guard
from aftersun.host.registry import Loaded, Registry
from aftersun.model.codes import Status
from aftersun.money.company import Company
from aftersun.scoring.offers.chunk import plant_texts, score
from aftersun.scoring.offers.ranking_rule import ranked
from aftersun.scoring.value.simulations import Baseline, Simulations, baseline_of
from aftersun.scoring.value.valuation import Case, Valuation, evaluate

HOME = {
    "site_id": "A", "latitude": 36.12, "longitude": -79.98, "elevation_m": 0.0, "commissioned_on": "2016-05-01",
    "roof_kind": "pitched tile", "storeys": 1, "annual_demand_kwh": 3500.0, "export_rule": "net billing",
    "remaining_life_years": 2.0, "import_price": 0.30, "export_price": 0.30, "load_shape": 0,
}  # fmt: skip
PLANE = {"site": 0, "tilt_deg": 30.0, "azimuth_deg": 180.0, "dc_rating_kw": 6.0, "mounting": "flush roof"}
LIFE = api.Range(6, 6, 6, "years", "assumption")
NONE_FITTED = pd.DataFrame({"site_id": [], "retrofit": [], "fitted_on": pd.to_datetime([])})
GRANT, CHARGE, OLD_PARTS = 400.0, 60.0, 70.0

Lines = Callable[[int], Sequence[api.CostLine]]


class Made:
    """Leaves the plant as it is; what it costs and brings is given."""

    assumptions = {"life_years": LIFE}
    facts: dict[str, api.Fact] = {}
    claims = ()
    about = api.About("made", "Made", "Made", "1", LIFE, (), ("none",), ("charge", "grant", "old_parts", "owner_hour"))

    def __init__(self, costs: Sequence[tuple[str, str, int]] = (), yearly: Sequence[tuple[str, str]] = (), kept=None):
        self.costs, self.yearly, self.kept = costs, yearly, kept

    def screen(self, cohort: api.Cohort) -> api.Screening:
        return api.Screening.of(cohort)

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        ones = np.ones(len(cohort))
        return api.Change(
            plant,
            [api.CostLine(kind, item, ones, "piece", in_year=year) for kind, item, year in self.costs],
            [api.CostLine(kind, item, ones, "year") for kind, item in self.yearly],
            plant_life_years=None if self.kept is None else self.kept * ones,
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        return api.Notes.of(cohort).add(api.Note("hot", api.DANGER, "It is hot.", "electrician", "assumption"))


@pytest.fixture(scope="module")
def priced(company: Company) -> Company:
    calls = company.calls.model_copy(update={"customer_years": 2.5, "callback_chance": 0.0})
    yearly, income = company.yearly | {"charge": CHARGE, "owner_hour": 11.0}, {"grant": GRANT, "old_parts": OLD_PARTS}
    return company.model_copy(update={"calls": calls, "yearly": yearly, "income": income})


@pytest.fixture(scope="module")
def baseline(priced: Company) -> Baseline:
    return baseline_of(make_cohort(make_weather(), [HOME], [PLANE]), priced, empty_frame("reading", 0))[0]


def valued(retrofit: Made, baseline: Baseline, company: Company) -> Valuation:
    case = Case(
        Loaded(retrofit, "made", "test"), baseline, Simulations(baseline), company, guard := Guard(plant_texts())
    )
    valuation = evaluate(case, itemised=True)
    assert valuation is not None, guard.failures
    return valuation


def test_a_charge_without_a_price_has_no_payback_and_its_margin_counts(baseline: Baseline, priced: Company) -> None:
    contract = valued(Made(yearly=[(api.STANDING, "charge")]), baseline, priced)
    assert np.isnan([contract.simple_payback[0], contract.discounted_payback[0]]).all()
    money = priced.money
    net_of_tax = 1.0 + money.sales_tax_rate if priced.identity.prices_include_tax else 1.0
    margin = CHARGE / net_of_tax * money.markup_share
    # two years and a half by hand, of which the system, kept for two years more, lets two count
    rate = money.real_discount_rate
    assert contract.yearly_margin == pytest.approx([margin / (1 + rate) + margin / (1 + rate) ** 2])
    longer = valued(Made(yearly=[(api.STANDING, "charge")], kept=9.0), baseline, priced)
    half = 0.5 * margin / (1 + rate) ** 3
    assert longer.yearly_margin == pytest.approx(contract.yearly_margin + half)
    own = valued(Made(yearly=[(api.OWN_WORK, "owner_hour")]), baseline, priced)
    assert own.yearly_margin == [0.0]
    assert own.flow.yearly_cost[0, :4] == pytest.approx([0.0, 11.0, 11.0, 0.0])


def test_the_margin_of_a_charge_is_in_the_contribution_of_its_offer(baseline: Baseline, priced: Company) -> None:
    retrofit = Made([(api.INCOME, "grant", 0)], [(api.STANDING, "charge")])
    only = Registry((Loaded(retrofit, "made", "test"),), (), (), ())
    scored = score(baseline.cohort, NONE_FITTED, only, priced, empty_frame("reading", 0), ranges=False)
    (offer,) = scored.frames["offer"].to_dict("records")
    assert offer["contribution"] == pytest.approx(valued(retrofit, baseline, priced).yearly_margin[0])
    assert offer["contribution"] > 0


def test_grants_and_old_parts_are_paid_once_and_in_their_year(baseline: Baseline, priced: Company) -> None:
    costs = [(api.INCOME, "grant", 0), (api.INCOME, "old_parts", api.AT_END), (api.INCOME, "grant", 5)]
    here = valued(Made(costs), baseline, priced)
    assert here.flow.net[0, :4] == pytest.approx([GRANT, 0.0, OLD_PARTS, 0.0])  # the fifth year is not reached
    assert here.npv == pytest.approx([GRANT + OLD_PARTS / (1 + priced.money.real_discount_rate) ** 2])
    assert sorted(zip(here.items["item"], here.items["in_year"], here.items["price"], strict=True)) == [
        ("grant", 0, GRANT),
        ("old_parts", 2, OLD_PARTS),
    ]


def test_beyond_its_old_end_all_that_the_plant_generates_is_gained(baseline: Baseline, priced: Company) -> None:
    """Exports are paid like imports, so a year of the plant is worth its kWh at 0.30, less ageing."""
    kept = valued(Made(kept=4.0), baseline, priced)
    (generated,), (ageing,) = baseline.yearly_kwh["generated"], np.atleast_1d(baseline.plant.ageing_per_year)[:1]
    growth = 1.0 + priced.money.electricity_price_growth
    of_year = [generated * 0.30 * ((1.0 - ageing) * growth) ** (year - 1) for year in (3, 4)]
    assert kept.flow.net[0, :6] == pytest.approx([0.0, 0.0, 0.0, *of_year, 0.0], rel=1e-6)
    assert kept.npv == pytest.approx(
        [numpy_financial.npv(priced.money.real_discount_rate, [0.0, 0.0, 0.0, *of_year])], rel=1e-6
    )
    as_before = valued(Made(kept=1.0), baseline, priced)
    assert as_before.npv == [0.0]


def test_where_the_plant_stays_anyhow_nothing_is_gained_twice(baseline: Baseline, priced: Company) -> None:
    long = replace(baseline, remaining_years=np.array([9.0]))
    assert valued(Made(kept=4.0), long, priced).npv == [0.0]


def test_what_is_shown_beside_its_claim_is_valued_and_never_offered(baseline: Baseline, priced: Company) -> None:
    class Shown(Made):
        about = replace(Made.about, claim_only=True)

    retrofits = [Loaded(kind([(api.INCOME, "grant", 0)]), name, "test") for kind, name in ((Shown, "a"), (Made, "b"))]
    for loaded, offered in zip(retrofits, (False, True), strict=True):
        registry = Registry((loaded,), (), (), ())
        frames = score(baseline.cohort, NONE_FITTED, registry, priced, empty_frame("reading", 0), ranges=False).frames
        (row,) = ranked(frames["ranking"]).to_dict("records")
        assert row["npv"] == pytest.approx(GRANT)
        assert (row["status"] == Status.CLAIM_ONLY, pd.isna(row["rank"])) == (not offered, not offered)
        assert len(frames["offer"]) == offered
