"""Safety notes and claims are complete, and each belongs to something that exists."""

from __future__ import annotations

from importlib.metadata import entry_points

import aftersun_datasets
from aftersun import api

NOTES = aftersun_datasets.rows("safety_notes.csv")
CLAIMS = aftersun_datasets.rows("claims.csv")
RETROFITS = {entry.name for entry in entry_points(group="aftersun.plugins")}


def test_each_note_says_what_how_bad_who_and_where_it_comes_from():
    for row in NOTES:
        assert all(row[column].strip() for column in ("id", "severity", "text", "who", "source")), row["id"]
        assert row["severity"] in {api.CAUTION, api.WARNING, api.DANGER}, row["id"]


def test_note_ids_are_unique():
    ids = [row["id"] for row in NOTES]
    assert len(ids) == len(set(ids))


def test_what_can_kill_is_called_danger():
    # falls, contact with DC and mains, arcs, wind uplift, scalding, bursting stores, voltage at night
    severity = {row["id"]: row["severity"] for row in NOTES}
    deadly = (
        "work_at_height",
        "fragile_roof",
        "dc_stays_live",
        "dc_safe_order",
        "mains_licensed",
        "structural_check",
        "scald",
        "unvented_store",
        "night_voltage",
    )
    assert {severity[name] for name in deadly} == {api.DANGER}


def test_every_built_in_retrofit_has_claims_with_a_source_and_no_other_has_any():
    assert {row["retrofit"] for row in CLAIMS} <= RETROFITS
    assert {row["retrofit"] for row in CLAIMS} >= {
        "monitoring_add_on",
        "anti_soiling_coating",
        "bird_mesh",
        "tilt_mount",
        "hot_water_diverter",
        "degradation_mitigation",
        "connector_replacement",
    }
    for row in CLAIMS:
        assert row["text"].strip()
        assert row["source"].strip()
