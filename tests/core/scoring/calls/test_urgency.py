"""Which danger is told first: as the table of urgency orders them, read from facts and from the day of the finding."""

from __future__ import annotations

import pandas as pd

import aftersun_datasets
from aftersun.model import tables
from aftersun.scoring.calls.urgency import urgency

NONE_FOUND = pd.DataFrame({"site_id": [], "fact": [], "found_on": []}, dtype="str")


def told(notes: list[tuple[str, str]], found: pd.DataFrame = NONE_FOUND, **hot: bool | None) -> pd.DataFrame:
    """Return the order of these sites and notes; ``hot`` says of sites whether a hot plug was seen."""
    sites = pd.DataFrame({"hot_connector": pd.Series(hot, dtype="boolean")})
    dangers = pd.DataFrame(notes, columns=["site_id", "note_id"])
    found = found.assign(found_on=pd.to_datetime(found["found_on"]))
    return urgency(dangers, sites.reindex(dangers["site_id"].unique()), found)


def test_hot_plugs_before_open_strings_with_signs_of_heat_before_unlike_plugs() -> None:
    notes = [("a", "known_mixed_connectors"), ("b", "known_open_string"), ("c", "known_hot_connector")]
    assert list(told(notes, b=True).index) == ["c", "b", "a"]
    assert list(told(notes, b=None).index) == ["c", "b", "a"]  # not known is not ruled out
    assert list(told(notes, b=False).index) == ["c", "a", "b"]


def test_the_most_urgent_danger_of_a_site_counts_and_one_of_a_plugin_comes_last() -> None:
    notes = [("a", "known_open_string"), ("a", "known_hot_connector"), ("b", "loose_rail"), ("c", "known_open_string")]
    order = told(notes, c=False)
    assert order["urgency"].to_dict() == {"a": 1, "c": 4, "b": 5}


def test_of_equal_dangers_the_older_is_told_first_and_one_that_was_always_known_before_it() -> None:
    notes = [(site, "known_hot_connector") for site in "abc"]
    found = pd.DataFrame(
        {"site_id": ["a", "b"], "fact": "hot_connector", "found_on": ["2026-05-02", "2026-04-02"]}, dtype="str"
    )
    assert list(told(notes, found).index) == ["c", "b", "a"]


def test_every_danger_that_is_told_has_its_place_in_the_order() -> None:
    tell = {row["id"] for row in aftersun_datasets.rows("safety_notes.csv") if row["tell_owner"] == "yes"}
    assert {row.note_id for row in tables.danger_urgency()} == tell
