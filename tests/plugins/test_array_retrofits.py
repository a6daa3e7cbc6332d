"""Laws for the built-in retrofits on the array: batch = single, order, inputs untouched, safety notes."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pandas as pd
import pytest

import aftersun_datasets
from aftersun import api
from aftersun.host.assumed import assumed
from aftersun.host.guard import check_change, check_notes, check_screening
from aftersun_retrofits.anti_soiling_coating import AntiSoilingCoating
from aftersun_retrofits.bird_mesh import BirdMesh
from aftersun_retrofits.connector_replacement import ConnectorReplacement
from aftersun_retrofits.tilt_mount import TiltMount

REQUIRED = {"site_id", "customer_id", "latitude", "longitude", "import_price", "load_shape", "tariff_id"}
ODD_SITES = (
    {},
    {"roof_kind": "flat gravel", "birds_seen": True, "listed_building": True, "cleanings_per_year": 1.0},
    {"roof_kind": "fragile sheet", "inverter_topology": "module level", "module_gap_mm": 0.0},
    {
        "roof_kind": "ground",
        "mixed_connectors": True,
        "open_string": True,
        "commissioned_on": pd.Timestamp("2026-05-31"),
    },
    {"roof_kind": "pitched slate", "latitude": -41.0, "surroundings": "coast", "birds_seen": False},
    {"roof_kind": "flat membrane", "connectors_renewed_on": pd.Timestamp("2001-01-01"), "storeys": 12},
)

every_retrofit = pytest.mark.parametrize(
    "retrofit",
    [AntiSoilingCoating(), BirdMesh(), TiltMount(), ConnectorReplacement()],
    ids=lambda each: each.about.id,
)


@pytest.fixture
def odd(build) -> api.Cohort:
    """Sites of many kinds, one of which nothing is known but what is required; mountings of many kinds."""
    cohort = build(*ODD_SITES, {})
    last = len(cohort) - 1
    for column in set(cohort.sites.columns) - REQUIRED:
        cohort.sites[column] = cohort.sites[column].where(np.arange(last + 1) != last)
    kinds = ["flush roof", "flat roof frame", None, "ground frame", "in roof", "flush roof", None]
    cohort.arrays["mounting"] = pd.array(kinds, dtype=cohort.arrays["mounting"].dtype)
    cohort.arrays["module_count"] = pd.array(
        [None, 12, 7, None, 30, 1, None], dtype=cohort.arrays["module_count"].dtype
    )
    return cohort


def asked(retrofit: api.Retrofit, cohort: api.Cohort) -> tuple[api.Screening, api.Change, api.Notes]:
    change = retrofit.change(cohort, api.baseline(cohort), assumed(retrofit, {}, {}))
    return retrofit.screen(cohort), change, retrofit.safety(cohort)


def per_site(retrofit: api.Retrofit, cohort: api.Cohort) -> dict[str, list[object]]:
    """All that a retrofit says of each site, as plain lists keyed by site."""
    screening, change, notes = asked(retrofit, cohort)
    array_of = cohort.arrays["site"].to_numpy()
    said: dict[str, list[object]] = {}
    for row, site in enumerate(cohort.sites.index):
        values: list[object] = [screening.status[row], screening.reason[row], change.remarks[row]]
        values += [line.quantity[row] for line in (*change.costs, *change.yearly)]
        values += [note.id for note in notes.for_site(row)]
        for column in fields(api.Plant):
            plant = getattr(change.plant, column.name)
            values += plant[array_of == row].tolist() if len(plant) == len(array_of) != len(cohort) else [plant[row]]
        said[str(site)] = values
    return said


@every_retrofit
def test_answers_pass_the_checks_of_the_host(odd, retrofit):
    screening, change, notes = asked(retrofit, odd)
    check_screening(screening, len(odd))
    check_change(change, len(odd), len(odd.arrays), retrofit.about.price_items)
    check_notes(notes, len(odd))


@every_retrofit
def test_one_site_alone_is_the_same_as_in_the_batch(odd, retrofit):
    batch = per_site(retrofit, odd)
    for row, site in enumerate(odd.sites.index):
        alone = per_site(retrofit, odd.take(np.array([row])))
        assert alone[site] == batch[site]


@every_retrofit
def test_the_order_of_sites_does_not_matter(odd, retrofit):
    assert per_site(retrofit, odd.take(np.arange(len(odd))[::-1])) == per_site(retrofit, odd)


@every_retrofit
def test_no_sites_no_answers(odd, retrofit):
    nobody = odd.take(np.array([], dtype=np.intp))
    screening, change, notes = asked(retrofit, nobody)
    assert len(screening.status) == len(change.remarks) == notes.size == 0


@every_retrofit
def test_input_is_left_as_it_was(odd, retrofit):
    sites, arrays, plant = odd.sites.copy(deep=True), odd.arrays.copy(deep=True), api.baseline(odd)
    before = {column.name: getattr(plant, column.name).copy() for column in fields(api.Plant)}
    retrofit.screen(odd)
    retrofit.change(odd, plant, assumed(retrofit, {}, {}))
    retrofit.safety(odd)
    pd.testing.assert_frame_equal(odd.sites, sites)
    pd.testing.assert_frame_equal(odd.arrays, arrays)
    for name, values in before.items():
        np.testing.assert_array_equal(getattr(plant, name), values)


@every_retrofit
def test_safety_is_never_empty_and_worst_first(odd, retrofit):
    notes = retrofit.safety(odd)
    for row in range(len(odd)):
        found = [note.severity for note in notes.for_site(row)]
        assert found[0] == api.DANGER
        assert len(found) >= 5


@every_retrofit
def test_a_roof_that_may_break_is_said_so(odd, retrofit):
    notes = retrofit.safety(odd)
    warned = [any(note.id == "fragile_roof" for note in notes.for_site(row)) for row in range(len(odd))]
    # the sheet roof and the site of which nothing is known
    assert [row for row, said in enumerate(warned) if said] == [2, 6]


@every_retrofit
def test_no_roof_is_climbed_for_an_array_on_the_ground(odd, retrofit):
    _, change, notes = asked(retrofit, odd)
    roof = next(line.quantity for line in change.costs if line.kind == api.ACCESS and line.item == "roof")
    ground = next(line.quantity for line in change.costs if line.kind == api.ACCESS and line.item == "ground")
    assert roof.tolist() == [1, 1, 1, 0, 1, 1, 1]
    assert (roof + ground == 1).all()
    assert "work_at_height" not in [note.id for note in notes.for_site(3)]


@every_retrofit
def test_reads_names_columns_of_the_dictionary(odd, retrofit):
    assert set(retrofit.about.reads) <= {*odd.sites.columns, *odd.arrays.columns}


@every_retrofit
def test_quantities_have_a_price_of_their_unit(odd, retrofit):
    prices = {row["key"]: row for row in aftersun_datasets.rows("price_items.csv")}
    _, change, _ = asked(retrofit, odd)
    for line in (*change.costs, *change.yearly):
        if line.kind != api.ACCESS:
            assert prices[line.item]["kind"] == line.kind
            assert prices[line.item]["unit"] == f"per {line.unit}"


@every_retrofit
def test_it_says_what_the_trade_promises_and_where_it_knows_things_from(retrofit):
    assert retrofit.claims
    assert retrofit.about.sources
    assert retrofit.about.life == retrofit.assumptions["life_years"]
