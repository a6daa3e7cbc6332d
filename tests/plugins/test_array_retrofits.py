"""What the retrofits on the array share beyond the rules of the kit: the way up, and the notes for it."""

from __future__ import annotations

import pandas as pd
import pytest

from aftersun import api
from aftersun.host.assumed import assumed
from aftersun.money.prices import Prices
from aftersun.testing import sample_cohort, sample_company, unknown_site
from aftersun_retrofits.anti_soiling_coating import AntiSoilingCoating
from aftersun_retrofits.bird_mesh import BirdMesh
from aftersun_retrofits.connector_replacement import ConnectorReplacement
from aftersun_retrofits.tilt_mount import TiltMount

SHEET, GROUND, NOBODY_KNOWS = 2, 3, 6
SITES = (
    {"arrays": [{"mounting": None, "module_count": None}]},
    {
        "roof_kind": "flat gravel",
        "birds_seen": True,
        "listed_building": True,
        "arrays": [{"mounting": "flat roof frame"}],
    },
    {"roof_kind": "fragile sheet", "inverter_topology": "module level", "module_gap_mm": 0.0},
    {"roof_kind": "ground", "mixed_connectors": True, "arrays": [{"mounting": "ground frame"}]},
    {"roof_kind": "pitched slate", "surroundings": "coast", "arrays": [{"mounting": "in roof"}]},
    {"roof_kind": "flat membrane", "connectors_renewed_on": pd.Timestamp("2001-01-01"), "storeys": 12},
    unknown_site(),
)

every_retrofit = pytest.mark.parametrize(
    "retrofit",
    [AntiSoilingCoating(), BirdMesh(), TiltMount(), ConnectorReplacement()],
    ids=lambda each: each.about.id,
)


@pytest.fixture
def odd() -> api.Cohort:
    return sample_cohort(*SITES)


@every_retrofit
def test_the_worst_danger_comes_first_and_is_not_the_only_note(odd, retrofit):
    notes = retrofit.safety(odd)
    for row in range(len(odd)):
        found = [note.severity for note in notes.for_site(row)]
        assert found[0] == api.DANGER
        assert len(found) >= 5


@every_retrofit
def test_a_roof_that_may_break_is_said_so(odd, retrofit):
    notes = retrofit.safety(odd)
    warned = [any(note.id == "fragile_roof" for note in notes.for_site(row)) for row in range(len(odd))]
    assert [row for row, said in enumerate(warned) if said] == [SHEET, NOBODY_KNOWS]


@every_retrofit
def test_no_roof_is_climbed_for_an_array_on_the_ground(odd, retrofit):
    change = retrofit.change(odd, api.baseline(odd), assumed(retrofit, {}, {}))
    ways = {line.item: line.quantity for line in change.costs if line.kind == api.ACCESS and line.in_year == 0}
    up = ways["roof edge" if retrofit.about.id == "bird_mesh" else "roof"]
    assert up.tolist() == [float(row != GROUND) for row in range(len(odd))]
    assert (up + ways["ground"] == 1).all()
    assert "work_at_height" not in [note.id for note in retrofit.safety(odd).for_site(GROUND)]


def test_mesh_and_coating_in_one_visit_are_washed_for_and_reached_once():
    cohort = sample_cohort({"birds_seen": True, "roof_kind": "pitched tile", "storeys": 1})
    plant, company = api.baseline(cohort), sample_company()
    mesh, coating = (
        each.change(cohort, plant, assumed(each, {}, {})).costs for each in (BirdMesh(), AntiSoilingCoating())
    )
    prices = Prices(cohort.sites, company)
    apart, together = ([prices.first_visit(lines) for lines in each] for each in ([mesh, coating], [[*mesh, *coating]]))
    # 20 m2 of glass at 2 min are 0.67 h, old droppings take 1.5 h: the longer wash is enough
    wash = min(line.quantity[0] for line in (*mesh, *coating) if line.shared_work == "wash")
    saved = sum(visit.hours["roofer"][0] for visit in apart) - together[0].hours["roofer"][0]
    assert saved == pytest.approx(wash)
    assert wash > 0.5
    brought = {name for name, where in together[0].equipment.items() if where[0]}
    assert brought == {"tower"}  # no ladder beside it
