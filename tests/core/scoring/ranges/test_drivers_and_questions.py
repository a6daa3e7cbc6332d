"""What moves a result and what to ask, against the ranking itself with the value or the fact given."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import numpy_financial
import pandas as pd
import pytest
from run_support import plugin, small
from tests_support import empty_frame, make_cohort, make_weather

from aftersun.documents.run_view import RunView
from aftersun.energy.baseline import baseline
from aftersun.host.guard import Guard
from aftersun.host.registry import Loaded, Registry, find_plugins
from aftersun.inventory.store.file import Inventory
from aftersun.model.plant import Plant
from aftersun.money.company import Company, Override
from aftersun.scoring.offers.chunk import plant_texts
from aftersun.scoring.ranges.drivers import DECIDE_ON_GAINS, Driver, drivers
from aftersun.scoring.ranges.questions import answers, turning
from aftersun.scoring.run import site_detail
from aftersun.scoring.run.demo import Demo
from aftersun.scoring.run.rank import rank
from aftersun.scoring.run.site_detail import look_closer
from aftersun.scoring.value.simulations import Simulations, baseline_of
from aftersun.scoring.value.valuation import evaluate

HOME = {
    "site_id": "A", "latitude": 36.12, "longitude": -79.98, "elevation_m": 0.0, "commissioned_on": "2016-05-01",
    "roof_kind": "pitched tile", "storeys": 1, "annual_demand_kwh": 3500.0, "export_rule": "net billing",
    "remaining_life_years": 15.0, "import_price": 0.30, "export_price": 0.10, "load_shape": 0, "module_gap_mm": 90.0,
}  # fmt: skip
PLANE = {
    "site": 0, "tilt_deg": 8.0, "azimuth_deg": 180.0, "dc_rating_kw": 6.0, "mounting": "flush roof",
    "module_rows": 3, "module_columns": 6, "strings": 2,
}  # fmt: skip
NO_READINGS = empty_frame("reading", 0)
WEATHER = make_weather()


def retrofit(name: str) -> Loaded:
    return next(one for one in find_plugins().retrofits if one.id == name)


def worth(company: Company, name: str, **facts: object) -> float:
    now, _ = baseline_of(make_cohort(WEATHER, [{**HOME, **facts}], [PLANE]), company, NO_READINGS)
    found = evaluate(now, retrofit(name), company, Guard(plant_texts()))
    assert found is not None
    return float(found.npv[0])


def of_mesh(company: Company, **facts: object) -> dict[str, Driver]:
    now, _ = baseline_of(make_cohort(WEATHER, [{**HOME, **facts}], [PLANE]), company, NO_READINGS)
    mesh, guard, simulations = retrofit("bird_mesh"), Guard(plant_texts()), Simulations(now)
    base = evaluate(now, mesh, company, guard, simulations=simulations)
    assert base is not None
    return {one.name: one for one in drivers(now, mesh, company, guard, base, simulations)}


def test_a_driver_is_the_worth_with_the_value_that_the_company_could_give(company: Company) -> None:
    found = of_mesh(company, birds_seen=True)
    given = retrofit("bird_mesh").retrofit.assumptions["clean_ups_per_year"]
    for value, ends in ((given.low, "at_low"), (given.high, "at_high")):
        override = {"bird_mesh": {"clean_ups_per_year": Override(value=value, who="", why="test")}}
        replaced = company.model_copy(update={"assumptions": override})
        assert getattr(found["clean_ups_per_year"], ends).npv[0] == pytest.approx(
            worth(replaced, "bird_mesh", birds_seen=True)
        )


def test_what_droppings_are_assumed_to_cost_decides_on_the_mesh_as_if_the_company_had_said_so(company: Company) -> None:
    found = of_mesh(company, birds_seen=True)["droppings_loss_nested"]
    assert (found.low, found.high) == (0.0, 0.08)  # system.csv
    for share, end in ((0.0, found.at_low), (0.08, found.at_high)):
        cohort = replace(
            make_cohort(WEATHER, [{**HOME, "birds_seen": True}], [PLANE]), overrides={"droppings_loss_nested": share}
        )
        told = evaluate(
            baseline_of(cohort, company, NO_READINGS)[0], retrofit("bird_mesh"), company, Guard(plant_texts())
        )
        assert told is not None
        assert end.npv[0] == pytest.approx(told.npv[0], rel=1e-6)
    assert "soiling_rate_factor" not in of_mesh(company)  # a mesh does not change how dust settles


def test_an_unknown_demand_is_a_driver_and_a_known_one_is_not(company: Company) -> None:
    assert "annual_demand_kwh" not in of_mesh(company)
    found = of_mesh(company, annual_demand_kwh=None)["annual_demand_kwh"]
    told = [worth(company, "bird_mesh", annual_demand_kwh=kwh) for kwh in (1500.0, 6000.0)]  # system.csv
    assert [found.at_low.npv[0], found.at_high.npv[0]] == pytest.approx(told, rel=1e-6)


def test_every_assumption_with_a_range_is_a_driver(company: Company) -> None:
    ranges = retrofit("bird_mesh").retrofit.assumptions
    assert {name for name, given in ranges.items() if given.low < given.high} <= set(of_mesh(company))


def test_the_discount_rate_moves_the_worth_as_its_formula_says(company: Company) -> None:
    now, _ = baseline_of(make_cohort(WEATHER, [{**HOME, "birds_seen": True}], [PLANE]), company, NO_READINGS)
    base = evaluate(now, retrofit("bird_mesh"), company, Guard(plant_texts()))
    assert base is not None
    rate = of_mesh(company, birds_seen=True)["real_discount_rate"]
    assert (rate.low, rate.high) == (
        0.03,
        0.07,
    )  # 10 CFR 436.14: floor 3 %
    assert rate.at_high.npv[0] == pytest.approx(numpy_financial.npv(0.07, base.flow.net[0]))


def test_the_yield_scales_the_saving_only(company: Company) -> None:
    found = of_mesh(company, birds_seen=True)
    for name in ("yield", "yield_of_all_sites"):
        one = found[name]
        assert one.at_low.npv[0] + one.at_high.npv[0] == pytest.approx(2 * worth(company, "bird_mesh", birds_seen=True))
    # Thevenard and Pelland 2013: 7.9 % over the life, so that 0.8988 is exceeded with 90 %
    both = np.hypot(found["yield"].high - 1, found["yield_of_all_sites"].high - 1)
    assert 1 - both == pytest.approx(0.8988, abs=1e-4)


def test_the_life_of_the_system_is_a_driver_only_where_it_is_assumed(company: Company) -> None:
    assert "life_of_the_pv_system" not in of_mesh(company)
    assert "life_of_the_pv_system" in of_mesh(company, remaining_life_years=None)


def ask(company: Company, name: str, **facts: object) -> pd.DataFrame:
    cohort = make_cohort(WEATHER, [{**HOME, **facts}], [PLANE])
    registry = Registry((retrofit(name),), (), (), ())
    return pd.DataFrame(list(answers(cohort, NO_READINGS, registry, company, Guard(plant_texts()))))


def test_an_answer_is_worth_what_the_ranking_says_once_it_is_known(company: Company) -> None:
    found = ask(company, "bird_mesh", birds_seen=None, listed_building=False)
    birds = found[found["column"] == "birds_seen"].set_index("answer")["npv"]
    assert birds["yes"] == pytest.approx(worth(company, "bird_mesh", birds_seen=True))
    assert birds["no"] == pytest.approx(worth(company, "bird_mesh", birds_seen=False))
    # design 3: expected value = P(fact) x value if true + (1 - P) x value if false; here but for the bill's curvature
    prior = retrofit("bird_mesh").retrofit.facts["birds_seen"].prior.mode
    expected = prior * birds["yes"] + (1 - prior) * birds["no"]
    assert worth(company, "bird_mesh", birds_seen=None) == pytest.approx(expected, abs=0.02 * abs(birds["yes"]))


def test_nothing_known_is_asked(company: Company) -> None:
    found = ask(company, "bird_mesh", birds_seen=True, listed_building=False)
    assert found.empty or "birds_seen" not in set(found["column"])


def test_an_answer_that_rules_it_out_is_no_worth(company: Company) -> None:
    found = ask(company, "bird_mesh", roof_kind=None, listed_building=False)
    roofs = found[found["column"] == "roof_kind"].set_index("answer")["npv"]
    assert np.isnan(roofs["flat gravel"]) or np.isfinite(roofs["pitched tile"])
    assert set(roofs.index) >= {"pitched tile", "flat gravel", "ground"}


def test_only_what_turns_the_advice_is_a_question() -> None:
    table = pd.DataFrame(
        [
            ("A", "mesh", "birds_seen", "Birds?", "yes", 300.0),
            ("A", "mesh", "birds_seen", "Birds?", "no", -700.0),
            ("A", "mesh", "listed_building", "Listed?", "yes", -650.0),
            ("A", "mesh", "listed_building", "Listed?", "no", -640.0),
            ("A", "tilt", "roof_kind", "Roof?", "flat", 50.0),
            ("A", "tilt", "roof_kind", "Roof?", "tile", np.nan),
        ],
        columns=["site_id", "retrofit", "column", "question", "answer", "npv"],
    )
    found = turning(table)
    assert found[["retrofit", "question", "worth_if", "not_if"]].to_numpy().tolist() == [
        ["mesh", "Birds?", "yes", "no"],
        ["tilt", "Roof?", "flat", "tile"],
    ]
    assert found[["least", "most"]].to_numpy().tolist() == [[-700.0, 300.0], [0.0, 50.0]]


def test_a_closer_look_finds_the_worth_that_is_stored(demo: Demo) -> None:
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        view = RunView(inventory)
        site = str(view.calls()["site_id"].iloc[0])
        look = look_closer(inventory, view.run, site)
        stored = view.table("ranking", site).set_index("retrofit")["npv"].dropna()
    assert look is not None
    assert look.failures == ()
    for name, npv in stored.items():
        assert look.npv[str(name)] == pytest.approx(npv)
    swing = (look.drivers["npv_high"] - look.drivers["npv_low"]).abs()
    assert all((part.diff().dropna() <= 0).all() for _, part in swing.groupby(look.drivers["retrofit"]))


def test_what_decides_on_gains_sets_the_column_that_is_said_and_no_other():
    cohort = make_cohort(WEATHER, [HOME], [PLANE])
    before = baseline(cohort)
    for name, column in DECIDE_ON_GAINS.items():
        after = baseline(replace(cohort, overrides={name: 0.011}))
        moved = {
            one.name for one in fields(Plant) if not np.array_equal(getattr(before, one.name), getattr(after, one.name))
        }
        assert moved == {column}, name


def test_a_plugin_that_hangs_in_a_closer_look_is_stopped_and_named(tmp_path, monkeypatch):
    made = small(tmp_path / "made", 2)
    folder = plugin(tmp_path / "plugins")
    rank(made.inventory, made.settings(plugin_folder=folder))
    plugin(tmp_path / "plugins", change="[time.sleep(0.01) for _ in range(60_000)]")
    monkeypatch.setattr(site_detail, "LIMIT_S", 1.0)
    with Inventory.open(made.inventory, read_only=True) as inventory:
        look = look_closer(inventory, RunView(inventory).run, "S0014")
    assert look is not None
    assert {(one.plugin, one.reason) for one in look.failures} == {("odd", "has not answered for 1 s")}
    assert "odd" not in look.npv
    assert "connector_replacement" in look.npv
