"""Variants, costs of later years, dangers that rank first: with small retrofits made up for it."""

from __future__ import annotations

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
    "remaining_life_years": 12.0, "import_price": 0.30, "export_price": 0.30, "load_shape": 0,
}  # fmt: skip
PLANE = {"site": 0, "tilt_deg": 30.0, "azimuth_deg": 180.0, "dc_rating_kw": 6.0, "mounting": "flush roof"}
NOTE = api.Note("hot", api.DANGER, "It is hot.", "electrician", "assumption")
LIFE = api.Range(6, 3, 12, "a", "assumption")
SHARE = api.Range(0.01, 0.0, 0.05, "share", "assumption")
NO_READINGS = empty_frame("reading", 0)
NONE_FITTED = pd.DataFrame({"site_id": [], "retrofit": [], "fitted_on": pd.to_datetime([])})


class Cleaner:
    """Makes the array a share better for years, once or again and again; exports are paid like imports."""

    assumptions = {"life_years": LIFE, "gain": SHARE}
    facts: dict[str, api.Fact] = {}
    claims = ()

    def __init__(self, again: bool = False, note: api.Note = NOTE, item: str = "mesh_clip") -> None:
        self.again, self.note, self.item = again, note, item
        self.about = api.About("cleaner", "Cleaner", "Cleans", "1", LIFE, (), ("none",), ("mesh_clip", item))

    def screen(self, cohort: api.Cohort) -> api.Screening:
        return api.Screening.of(cohort)

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        ones = np.ones(len(cohort))
        better = plant.replace(transmittance=plant.transmittance * (1 + assume["gain"]))
        clip = api.CostLine(api.MATERIAL, "mesh_clip", ones, "piece")
        once = api.Change(better, [clip], fade=np.array([1.0] + [0.0] * 11), label="once")
        if not self.again:
            return once
        later = [api.CostLine(api.MATERIAL, self.item, ones, "piece", in_year=year) for year in range(1, 12)]
        every = api.Change(better, [clip, *later], label="every year")
        return replace(once, alternatives=(every,))

    def safety(self, cohort: api.Cohort) -> api.Notes:
        return api.Notes.of(cohort).add(self.note)


@pytest.fixture(scope="module")
def baseline(company: Company) -> Baseline:
    return baseline_of(make_cohort(make_weather(), [HOME], [PLANE]), company, NO_READINGS)[0]


def loaded(retrofit: Cleaner) -> Loaded:
    return Loaded(retrofit, "cleaner", "test")


def valued(retrofit: Loaded, baseline: Baseline, company: Company, guard: Guard | None = None) -> Valuation:
    case = Case(retrofit, baseline, Simulations(baseline), company, guard or Guard(plant_texts()))
    valuation = evaluate(case, itemised=True)
    assert valuation is not None
    return valuation


def test_costs_of_later_years_count_while_benefit_follows(baseline: Baseline, company: Company) -> None:
    (variant,) = Cleaner(again=True).change(baseline.cohort, baseline.plant, api.Assumed({"gain": 0.01})).alternatives

    class Only(Cleaner):
        def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
            return variant

    valuation = valued(loaded(Only()), baseline, company)
    clip = company.materials["mesh_clip"] * 1.25 * 1.19  # markup and tax of the demo's invented company
    # six years of life: bought at the start and after each of the first five years, not when the last one ends
    assert valuation.flow.upfront[0] == pytest.approx([clip] * 6 + [0.0] * 15)
    assert len(valuation.items) == 6
    assert valuation.npv[0] == pytest.approx(
        numpy_financial.npv(company.money.real_discount_rate, valuation.flow.net[0])
    )


def test_the_better_variant_is_taken_and_named(baseline: Baseline, company: Company) -> None:
    valuation = valued(loaded(Cleaner(again=True)), baseline, company)
    assert valuation.variant.tolist() == ["every year"]
    single = valued(loaded(Cleaner()), baseline, company)
    assert valuation.npv[0] > single.npv[0]
    dear = company.model_copy(update={"materials": {**company.materials, "mesh_clip": 500.0}})
    once = valued(loaded(Cleaner(again=True)), baseline, dear)
    assert once.variant.tolist() == ["once"]
    assert len(once.items) == 1


def test_a_variant_without_a_price_is_not_on_offer(baseline: Baseline, company: Company) -> None:
    guard = Guard(plant_texts())
    valuation = valued(loaded(Cleaner(again=True, item="new_part")), baseline, company, guard)
    assert valuation.variant.tolist() == ["once"]
    assert guard.failures == []


def test_a_variant_that_cannot_be_had_is_not_taken(baseline: Baseline, company: Company) -> None:
    class Nowhere(Cleaner):
        def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
            change = super().change(cohort, plant, assume)
            gone = replace(change.alternatives[0], available=np.zeros(len(cohort), dtype=bool))
            return replace(change, alternatives=(gone,))

    valuation = valued(loaded(Nowhere(again=True)), baseline, company)
    assert valuation.variant.tolist() == ["once"]


def test_each_distinct_plant_is_simulated_once(baseline: Baseline, monkeypatch: pytest.MonkeyPatch) -> None:
    simulations = Simulations(baseline)
    assert simulations.of(baseline.plant).bill is baseline.bill
    better = baseline.plant.replace(transmittance=baseline.plant.transmittance * 1.01)
    same = baseline.plant.replace(transmittance=baseline.plant.transmittance * 1.01)
    assert simulations.of(better) is simulations.of(same)


@pytest.mark.parametrize(("tell", "status"), [(True, Status.SAFETY_REMEDIAL), (False, Status.NOT_COST_EFFECTIVE)])
def test_a_known_danger_makes_a_safety_matter_of_what_is_worth_nothing(
    company: Company, tell: bool, status: str
) -> None:
    retrofit = Cleaner(note=replace(NOTE, tell_owner=tell))
    dear = company.model_copy(update={"materials": {**company.materials, "mesh_clip": 5000.0}})
    registry = Registry((loaded(retrofit),), (), (), ())
    cohort = make_cohort(make_weather(), [HOME], [PLANE])
    (row,) = score(cohort, NONE_FITTED, registry, dear, NO_READINGS).frames["ranking"].to_dict("records")
    assert (row["status"], row["for_safety"]) == (status, tell)
    assert row["npv"] < 0


def test_what_costs_nothing_is_valued_and_offered(baseline: Baseline, company: Company) -> None:
    class Free(Cleaner):
        def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
            return replace(super().change(cohort, plant, assume), costs=[])

    registry = Registry((loaded(Free()),), (), (), ())
    scored = score(baseline.cohort, NONE_FITTED, registry, company, NO_READINGS)
    (row,) = scored.frames["ranking"].to_dict("records")
    assert (row["status"], row["upfront"]) == (Status.RECOMMENDED, 0.0)
    assert row["npv"] > 0
    assert scored.failures == ()
    assert scored.frames["cost_item"].empty
    (offer,) = scored.frames["offer"].to_dict("records")
    assert (offer["npv"], offer["contribution"], offer["trip_cost"]) == (row["npv"], 0.0, 0.0)


def test_what_ends_a_danger_ranks_first_and_the_rest_by_worth() -> None:
    table = pd.DataFrame(
        {
            "site_id": ["A"] * 4,
            "retrofit": ["mesh", "plugs", "tilt", "film"],
            "npv": [5.0, -100.0, 9.0, np.nan],
            "for_safety": [False, True, False, False],
            "status": [Status.RECOMMENDED, Status.SAFETY_REMEDIAL, Status.RECOMMENDED, Status.NOT_APPLICABLE],
        }
    )
    order = ranked(table)
    assert order["retrofit"].tolist() == ["plugs", "tilt", "mesh", "film"]
    assert order["rank"].fillna(0).tolist() == [1, 2, 3, 0]


def test_a_home_whose_net_metering_ends_after_5_of_15_years_year_by_year(company: Company) -> None:
    """Flat prices: until then a kWh more is worth 0.30, used or exported; then what is exported earns 0.05."""
    facts = {
        **HOME,
        "annual_demand_kwh": 20_000.0,  # more than is generated: every export cancels an import
        "export_price": 0.05,
        "remaining_life_years": 15.0,
        "export_rule": "net metering",
        "export_rule_until": "2031-06-01",
    }
    metered = baseline_of(make_cohort(make_weather(), [facts], [PLANE]), company, NO_READINGS)[0]

    class Always(Cleaner):
        def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
            return api.Change(plant.replace(transmittance=plant.transmittance * 1.05), [])

    retrofit = loaded(Always())
    retrofit.retrofit.assumptions = {"life_years": api.Range(15, 15, 15, "a", "assumption")}
    valuation = valued(retrofit, metered, company)
    year = Simulations(metered).anew(metered.plant.replace(transmittance=metered.plant.transmittance * 1.05))
    more = float(valuation.gain_kwh["generated"][0])
    exported = year.months[0, :, 3].sum() - metered.months[0, :, 3].sum()
    ageing = 1.0 - float(metered.plant.ageing_per_year[0])
    growth = 1.0 + company.money.electricity_price_growth
    today, then = 0.30 * more, 0.30 * (more - exported) + 0.05 * exported
    left = 1826 / 365.25 - 4  # of the fifth year, which ends a few hours after the rule
    by_hand = [today] * 4 + [left * today + (1 - left) * then] + [then] * 10
    by_hand = [value * (ageing * growth) ** n for n, value in enumerate(by_hand)]
    assert valuation.flow.saving[0, 1:16] == pytest.approx(by_hand, rel=1e-4)
    assert not valuation.flow.saving[0, 16:].any()
    assert valuation.npv[0] + valuation.ended[0] == pytest.approx(
        numpy_financial.npv(
            company.money.real_discount_rate, [0.0, *(today * (ageing * growth) ** n for n in range(15))]
        ),
        rel=1e-4,
    )
