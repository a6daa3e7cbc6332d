"""The mesh keeps birds out; without birds it only warms the cells."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pvlib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import aftersun_datasets
from aftersun import api
from aftersun.host.assumed import assumed
from aftersun.testing import sample_cohort
from aftersun_retrofits.bird_mesh import BirdMesh, droppings_staying, nesting_factor, perimeter_m

MESH = BirdMesh()
BLOCK = {"module_rows": 2, "module_columns": 6, "module_width_m": 1.0, "module_height_m": 1.7}


def line(change: api.Change, item: str) -> np.ndarray:
    return next(found.quantity for found in (*change.costs, *change.yearly) if found.item == item)


def changed(cohort: api.Cohort, **overrides: float) -> api.Change:
    return MESH.change(cohort, api.baseline(cohort), assumed(MESH, overrides, {}))


@pytest.mark.parametrize(
    ("rows", "columns", "spacing_m", "outline_m"),
    [(2, 5, 0.0, 16.8), (2, 5, 0.02, 17.0), (1, 10, 0.0, 23.4), (1, 1, 0.0, 5.4)],
)
def test_outline_of_upright_modules_of_1_7_by_1_m(rows, columns, spacing_m, outline_m):
    # geometry by hand: 2 (columns x 1.0 + rows x 1.7 + spaces)
    assert perimeter_m(rows, columns, 1.0, 1.7, spacing_m) == pytest.approx(outline_m, abs=1e-3)


@given(st.integers(1, 20), st.integers(1, 20))
def test_outline_is_the_same_turned_by_a_quarter(rows, columns):
    assert perimeter_m(rows, columns, 1.0, 1.7) == pytest.approx(perimeter_m(columns, rows, 1.7, 1.0))


@given(st.lists(st.integers(1, 12), min_size=1, max_size=8))
def test_a_stepped_block_has_the_outline_of_the_rectangle_around_it(row_lengths):
    # edges counted one by one: those between a module and no module, each row no longer than the one below
    cells = {(row, col) for row, count in enumerate(sorted(row_lengths)) for col in range(count)}
    across = sum((row + step, col) not in cells for row, col in cells for step in (-1, 1))
    up = sum((row, col + step) not in cells for row, col in cells for step in (-1, 1))
    assert perimeter_m(len(row_lengths), max(row_lengths), 1.0, 1.7) == pytest.approx(across * 1.0 + up * 1.7)


def test_a_traced_outline_stands_in_for_the_reckoned_one(build):
    # 12.5 m traced and 10 % waste, by hand
    assert line(changed(build({}, array={**BLOCK, "open_outline_m": 12.5})), "bird_mesh") == pytest.approx([13.75])


def test_each_array_is_a_block_of_its_own():
    # two blocks of 2 x 6 at 19.04 m each, by hand as below; one traced at 10 m in place of the second
    cohort = sample_cohort({"arrays": [BLOCK, BLOCK]}, {"arrays": [BLOCK, {**BLOCK, "open_outline_m": 10.0}]})
    assert line(changed(cohort), "bird_mesh") == pytest.approx([1.1 * 38.08, 1.1 * 29.04])


def test_what_is_closed_all_round_needs_no_mesh(build):
    cohort = build({"module_gap_mm": 100.0}, array={**BLOCK, "open_outline_m": 0.0})
    assert MESH.screen(cohort).status.tolist() == [api.DOES_NOT_FIT]
    change = changed(cohort)
    assert line(change, "bird_mesh").tolist() == [0.0]
    np.testing.assert_array_equal(change.plant.extra_temp_k, api.baseline(cohort).extra_temp_k)


def test_what_a_block_of_2_by_6_takes(build):
    change = changed(build({"birds_seen": False}, array=BLOCK))
    # by hand: outline 2 (6 x 1.0 + 5 x 0.02 + 2 x 1.7 + 0.02) = 19.04 m; 10 % waste; a clip each 0.4 m;
    # 1 h + 5 min/m
    assert line(change, "bird_mesh") == pytest.approx([20.944])
    assert line(change, "mesh_clip") == pytest.approx([48])
    assert line(change, "roofer") == pytest.approx([2.58667], abs=1e-4)
    assert line(change, "helper") == pytest.approx([2.58667], abs=1e-4)


def test_an_unknown_block_has_the_outline_of_one_of_two_rows(build):
    unknown = changed(build({}, array={"module_count": 12, "module_width_m": 1.0, "module_height_m": 1.7}))
    assert line(unknown, "bird_mesh") == pytest.approx([20.944])


def test_cost_before_access_and_margin_is_of_the_order_that_was_paid(build):
    # Crawley council: 16750 for 40 homes = GBP 419 a home (local press);
    # consumer guide: GBP 500-700 without scaffold
    price = {row["key"]: float(row["mode"]) for row in aftersun_datasets.rows("price_items.csv")}
    change = changed(build({"birds_seen": True}, array=BLOCK))
    cost = sum(cost.quantity[0] * price[cost.item] for cost in change.costs if cost.kind != api.ACCESS)
    assert 250 < cost < 700


def test_a_metre_costs_what_kits_of_the_trade_cost():
    # kits of mesh and clips: 4 to 5 a metre, the mesh cut away apart
    price = {row["key"]: float(row["mode"]) for row in aftersun_datasets.rows("price_items.csv")}
    assert 4 <= price["bird_mesh"] + price["mesh_clip"] / MESH.assumptions["clip_spacing_m"].mode <= 5


def test_nuisance_is_a_line_of_its_own_and_no_energy(build):
    cohort = build({"birds_seen": True}, {"birds_seen": False})
    often, never = (changed(cohort, clean_ups_per_year=times) for times in (1.0, 0.0))
    nuisance = next(found for found in often.yearly if found.kind == api.AVOIDED_NUISANCE)
    # by hand: where none nest, 0.1 of the roofs in 8 years: 1 - (1 - exp(-0.1875)) / 0.1875 of 15 years
    assert nuisance.item == "bird_clean_up"
    assert nuisance.quantity == pytest.approx([1.0, 0.08816], abs=1e-5)
    for column in fields(api.Plant):
        np.testing.assert_array_equal(getattr(often.plant, column.name), getattr(never.plant, column.name))
    # service work with nesting birds: a clean-up every one to two years
    assert 0.5 <= line(changed(cohort), "bird_clean_up")[0] <= 1.0


def test_it_is_reached_along_the_edge_and_who_goes_up_is_warned(build):
    assert {found.item for found in changed(build({})).costs if found.kind == api.ACCESS} == {"roof edge", "ground"}
    assert "fall_arrest" in {note.id for note in MESH.safety(build({})).for_site(0)}


@pytest.mark.parametrize("mounting", ["in roof", "flat roof frame", "ground frame"])
def test_only_modules_on_a_pitched_roof_are_meshed(build, mounting):
    cohort = build({"module_gap_mm": 100.0}, array={"mounting": mounting})
    assert MESH.screen(cohort).status.tolist() == [api.DOES_NOT_FIT]
    after = changed(cohort).plant
    np.testing.assert_array_equal(after.extra_temp_k, api.baseline(cohort).extra_temp_k)


def test_the_gap_decides(build):
    cohort = build(*({"module_gap_mm": gap} for gap in (29.0, 30.0, 200.0, 201.0)), {})
    assert MESH.screen(cohort).status.tolist() == [
        api.DOES_NOT_FIT,
        api.FITS,
        api.FITS,
        api.DOES_NOT_FIT,
        api.SURVEY_FIRST,
    ]


def test_a_monument_is_surveyed_first(build):
    cohort = build({"module_gap_mm": 100.0, "listed_building": True}, {"module_gap_mm": 100.0})
    assert MESH.screen(cohort).status.tolist() == [api.SURVEY_FIRST, api.FITS]


def test_unknown_birds_count_with_their_chance(build):
    cohort = build({"birds_seen": True}, {"birds_seen": False}, {})
    chance = MESH.facts["birds_seen"].prior.mode
    cleaned = line(changed(cohort), "bird_clean_up")
    assert 0 < cleaned[1] < 0.1 * cleaned[0]
    assert cleaned[2] == pytest.approx(chance * cleaned[0] + (1 - chance) * cleaned[1])
    asked = MESH.change(cohort, api.baseline(cohort), assumed(MESH, {}, {"birds_seen": 1.0}))
    assert line(asked, "bird_clean_up")[2] == cleaned[0]


def test_nesting_is_likelier_in_town_and_on_rough_roofs(build):
    places = ("suburban", "urban", None, "rural", "farmland", "suburban")
    roofs = ("pitched tile", "pitched slate", None, "pitched tile", "pitched tile", "pitched metal")
    sites = [{"surroundings": place, "roof_kind": roof} for place, roof in zip(places, roofs, strict=True)]
    change = changed(build(*sites), out_of_town_factor=0.5, smooth_roof_factor=0.8)
    shares = line(change, "bird_clean_up") / line(change, "bird_clean_up")[0]
    # by hand: chances of 0.1, 0.05, 0.08 now, and as many in eight years of those where none nest
    assert shares == pytest.approx([1, 1, 1, 0.5195, 0.5195, 0.8123], abs=1e-4)
    # what somebody saw counts as seen, wherever it is
    seen = changed(build({"birds_seen": True, "surroundings": "rural"}, {"birds_seen": True}), out_of_town_factor=0.5)
    assert line(seen, "bird_clean_up")[0] == line(seen, "bird_clean_up")[1]


def test_factors_multiply_and_what_is_unknown_counts_as_town():
    places = np.array(["rural", "urban", None], dtype=object)
    roofs = np.array(["pitched metal", "pitched tile", None], dtype=object)
    assert nesting_factor(places, roofs, 0.5, 0.8) == pytest.approx([0.4, 1.0, 1.0])


def test_rain_clears_steep_modules_and_not_flat_ones():
    # Haeberlin, handbook of photovoltaics (web extract): almost full self-clearing at 30 degrees, none below 10
    assert droppings_staying([0, 9, 10, 20, 30, 60], 0.1) == pytest.approx([1, 1, 1, 0.55, 0.1, 0.1])


def test_mesh_wins_back_more_under_flat_modules_and_never_more_than_was_lost(build):
    left = []
    for tilt_deg in (5.0, 20.0, 45.0):
        cohort = build({"birds_seen": True}, array={"tilt_deg": tilt_deg})
        left.append(changed(cohort).plant.droppings_loss[0])
        assert 0 <= left[-1] <= api.baseline(cohort).droppings_loss[0]
    assert left[0] < left[1] < left[2]
    likely = changed(build({"surroundings": "rural"}, array={"tilt_deg": 5.0}), out_of_town_factor=9, droppings_left=0)
    assert (likely.plant.droppings_loss == 0).all()


def test_cells_never_get_warmer_than_on_an_insulated_back(build):
    # check value: 69.46 C close to the roof, 77.53 C on an insulated back at 1000 W/m2, 20 C, 1 m/s, by pvlib alone
    sets = pvlib.temperature.TEMPERATURE_MODEL_PARAMETERS["sapm"]
    close, insulated = (
        pvlib.temperature.sapm_cell(1000, 20, 1, **sets[name])
        for name in ("close_mount_glass_glass", "insulated_back_glass_polymer")
    )
    assert (close, insulated) == pytest.approx((69.46, 77.53), abs=0.05)
    cohort = build({})
    plant = api.baseline(cohort)
    assert (changed(cohort, mesh_extra_temp_k=30).plant.extra_temp_k <= insulated - close).all()
    warm = plant.replace(extra_temp_k=plant.extra_temp_k + 7.5)
    again = MESH.change(cohort, warm, assumed(MESH, {}, {})).plant.extra_temp_k
    assert (again == 8.0).all()


@settings(max_examples=8)
@given(extra_temp_k=st.floats(0, 8), left=st.floats(0, 0.3), tilt_deg=st.floats(5, 60))
def test_without_birds_no_energy_is_gained(build, extra_temp_k, left, tilt_deg):
    cohort = build({"birds_seen": False}, array={"tilt_deg": tilt_deg})
    before = api.simulate(cohort, api.baseline(cohort)).annual("generated")
    after = changed(cohort, mesh_extra_temp_k=extra_temp_k, droppings_left=left).plant
    assert (api.simulate(cohort, after).annual("generated") <= before).all()


def test_with_birds_droppings_outweigh_warmer_cells(build):
    cohort = build({"birds_seen": True})
    before = api.simulate(cohort, api.baseline(cohort)).annual("generated")
    assert (api.simulate(cohort, changed(cohort).plant).annual("generated") > before).all()


def test_the_season_is_that_of_the_hemisphere(build):
    remarks = changed(build({"latitude": 40.0}, {"latitude": -35.0})).remarks
    assert "March" in remarks[0]
    assert "September" in remarks[1]
