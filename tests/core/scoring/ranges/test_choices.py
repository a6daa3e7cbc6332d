"""What is unknown and has several choices: valued with each, drawn by its chance, asked first where it decides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests_support import empty_frame, make_cohort, make_weather

from aftersun.documents.run_view import RunView
from aftersun.host.guard import Guard
from aftersun.host.registry import find_plugins
from aftersun.inventory.store.file import Inventory
from aftersun.model import tables
from aftersun.model.codes import OFFERED, Status
from aftersun.money.company import Company
from aftersun.scoring.offers.chunk import plant_texts
from aftersun.scoring.offers.singles import _ask_first
from aftersun.scoring.ranges.choices import Choice, likeliest, of_choices
from aftersun.scoring.ranges.draws import CommonNumbers, Outlook, npv_draws
from aftersun.scoring.ranges.information import value_of_choice
from aftersun.scoring.run.demo import Demo
from aftersun.scoring.value.cohorts import fleet_choices
from aftersun.scoring.value.simulations import Simulations, baseline_of
from aftersun.scoring.value.valuation import Case, Parts, evaluate

HEATS = ("gas boiler", "immersion", "combi boiler", "solar thermal")
SHARES = {"water_heat": dict(zip(HEATS, (0.3, 0.25, 0.25, 0.2), strict=True))}
HOME = {
    "latitude": 36.12, "longitude": -79.98, "elevation_m": 0.0, "commissioned_on": "2018-05-01",
    "roof_kind": "pitched tile", "storeys": 1, "annual_demand_kwh": 4500.0, "export_rule": "net billing",
    "remaining_life_years": 15.0, "import_price": 0.34, "export_price": 0.04, "load_shape": 0, "gas_price": 0.11,
    "occupants": 3, "element_kw": 3.0, "element_cut_out": True, "battery_kwh": 0.0,
}  # fmt: skip
PLANE = {"tilt_deg": 30.0, "azimuth_deg": 180.0, "dc_rating_kw": 7.0, "mounting": "flush roof"}


def amounts(*values: float) -> np.ndarray:
    return np.array(values, dtype=np.float64)


def a_choice(chances: list[float], gains: list[float], costs: list[float], fits: list[bool]) -> Choice:
    ends = tuple(
        Parts(amounts(gain), amounts(0.0), amounts(cost), amounts(0.0)) for gain, cost in zip(gains, costs, strict=True)
    )
    columns = np.array(chances)[:, np.newaxis], np.array(fits)[:, np.newaxis]
    return Choice("water_heat", "?", tuple("abcd"[: len(ends)]), *columns, ends)


def test_the_fleet_outweighs_the_table_as_a_dirichlet_prior_of_twenty_sites_does() -> None:
    known = pd.DataFrame({"water_heat": ["immersion"] * 60 + ["gas boiler"] * 20 + [None] * 500}).assign(
        **dict.fromkeys(tables.choices().keys() - {"water_heat"})
    )
    found = fleet_choices(known)["water_heat"]
    # by hand: (60 + 20 x 0.14) / 100 and (20 + 20 x 0.24) / 100
    assert found["immersion"] == pytest.approx(0.628)
    assert found["gas boiler"] == pytest.approx(0.248)
    assert sum(found.values()) == pytest.approx(1.0)


def test_chances_of_every_choice_add_up_to_one() -> None:
    for beliefs in tables.choices().values():
        assert sum(belief.chance for belief in beliefs.values()) == pytest.approx(1.0)


def test_a_choice_is_drawn_as_often_as_its_chance_says_and_brings_what_it_brings() -> None:
    choice = a_choice([0.5, 0.3, 0.2], [1000.0, 500.0, 0.0], [400.0, 700.0, 0.0], [True, True, False])
    numbers = CommonNumbers(pd.Index(["S1"]), [], draws=20_000)
    draws = npv_draws("any", choice.ends[0], [choice], numbers, np.arange(1))[:, 0]
    values, counts = np.unique(draws.round(6), return_counts=True)
    assert values.tolist() == [-200.0, 0.0, 600.0]
    assert counts / len(draws) == pytest.approx([0.3, 0.2, 0.5], abs=0.015)


def test_who_asks_first_does_it_in_the_draws_that_the_answers_allow_and_in_no_other() -> None:
    draws, allowed = np.array([[600.0], [-200.0], [300.0]]), np.array([[True], [False], [False]])
    ahead = Outlook(draws, allowed, [])
    assert ahead.asked_first.tolist() == [[600.0], [0.0], [0.0]]
    assert ahead.chance_allowed == pytest.approx([1 / 3])


def test_an_answer_is_worth_what_is_then_not_done_in_vain_and_what_is_then_done() -> None:
    sold_anyway = a_choice([0.7, 0.3], [1000.0, 100.0], [400.0, 400.0], [True, True])
    # 0.7 x 600 = 420 known, 0.7 x 600 - 0.3 x 300 = 330 unknown
    assert value_of_choice(sold_anyway, 0.6) == pytest.approx([90.0])
    never_sold = a_choice([0.3, 0.7], [1000.0, 0.0], [400.0, 0.0], [True, False])
    assert value_of_choice(never_sold, 0.6) == pytest.approx([180.0])


@pytest.fixture(scope="module")
def cases(company: Company) -> list[Case]:
    """The same home once with an unknown heater, then with each of HEATS."""
    homes = [{**HOME, "site_id": heat or "?", "water_heat": heat} for heat in (None, *HEATS)]
    found = []
    for home in homes:
        cohort = make_cohort(make_weather(), [home], [{**PLANE, "site": 0}])
        baseline = baseline_of(replace(cohort, choices=SHARES), company, empty_frame("reading", 0))[0]
        (diverter,) = (one for one in find_plugins().retrofits if one.id == "hot_water_diverter")
        found.append(Case(diverter, baseline, Simulations(baseline), company, Guard(plant_texts())))
    return found


@pytest.mark.slow
def test_each_choice_is_valued_as_a_home_that_is_known_to_have_it(cases: list[Case]) -> None:
    unknown, *known = cases
    case = likeliest(unknown)
    usual = evaluate(case)
    assert usual is not None
    (choice,) = of_choices(unknown, case, usual.parts)
    assert choice.labels == HEATS
    assert choice.chances[:, 0] == pytest.approx([0.3, 0.25, 0.25, 0.2])
    assert choice.fits[:, 0].tolist() == [True, True, False, False]
    for end, there, fits in zip(choice.ends, known, choice.fits[:, 0], strict=True):
        alone = evaluate(there)
        assert alone is not None
        assert end.npv[0] == pytest.approx(alone.npv[0] if fits else 0.0, abs=0.01)
    assert usual.npv == pytest.approx(choice.ends[0].npv, rel=1e-9)  # the likeliest with which it fits


@pytest.mark.slow
def test_a_home_with_a_store_has_no_combi_boiler(cases: list[Case]) -> None:
    unknown = cases[0]
    cohort = unknown.baseline.cohort
    told = replace(cohort, sites=cohort.sites.assign(water_store_litres=200.0))
    case = replace(unknown, baseline=replace(unknown.baseline, cohort=told))
    usual = evaluate(likeliest(case))
    assert usual is not None
    (choice,) = of_choices(case, likeliest(case), usual.parts)
    assert choice.chances[:, 0] == pytest.approx([0.4, 1 / 3, 0.0, 0.8 / 3])


def test_unknown_surroundings_are_each_valued_and_asked(company: Company) -> None:
    rain = np.zeros(8760)
    rain[12 :: 24 * 60] = 12.0  # a good shower every other month
    (coating,) = (one for one in find_plugins().retrofits if one.id == "anti_soiling_coating")

    def case_of(surroundings: str | None) -> Case:
        cohort = make_cohort(make_weather(rain), [HOME | {"surroundings": surroundings}], [{**PLANE, "site": 0}])
        cohort = replace(cohort, choices={"surroundings": {"rural": 0.6, "desert": 0.4}})
        baseline = baseline_of(cohort, company, empty_frame("reading", 0))[0]
        return Case(coating, baseline, Simulations(baseline), company, Guard(plant_texts()))

    unknown, desert = case_of(None), evaluate(case_of("desert"))
    usual = evaluate(likeliest(unknown))
    assert usual is not None
    assert desert is not None
    (choice,) = of_choices(unknown, likeliest(unknown), usual.parts)
    assert choice.labels == ("rural", "desert")
    assert choice.fits[:, 0].tolist() == [False, True]  # rain washes what little soils in the country
    assert choice.ends[1].npv == pytest.approx(desert.npv)
    assert choice.question.startswith("What lies around the roof: rural, suburban, urban")


def test_a_known_heater_is_left_as_it_is(cases: list[Case]) -> None:
    known = cases[1]
    assert likeliest(known) is known


def test_a_run_asks_first_what_decides_and_counts_what_the_answers_bring(demo: Demo) -> None:
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        view = RunView(inventory)
        ranking, questions = view.table("ranking"), view.table("question")
    asked = ranking[ranking["status"] == Status.ASK_FIRST]
    assert len(asked) > 2
    assert (asked["npv"] > 0).all()
    assert asked["chance_allowed"].between(0.15, 1.0, inclusive="left").all()
    assert (ranking.loc[ranking["status"].isin(OFFERED), "chance_allowed"] == 1).all()
    heats = questions[questions["fact"] == "water_heat"]
    assert heats["question"].str.startswith("What heats the water now").all()
    assert set(asked.loc[asked["retrofit"] == "hot_water_diverter", "site_id"]) <= set(questions["site_id"])


def test_nobody_is_asked_what_no_answer_could_turn(company: Company) -> None:
    # 7 of 10 draws gain 1000, 3 lose 100: below the least chance of 0.8
    draws = np.array([[1000.0, 1000.0]] * 7 + [[-100.0, -100.0]] * 3)
    allowed = np.ones_like(draws, dtype=bool)
    allowed[9, 1] = False  # at the second site one answer forbids it
    assert _ask_first(Outlook(draws, allowed, []), company).tolist() == [False, True]
