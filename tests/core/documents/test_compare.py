"""Two runs side by side: every cause is found and named, and no safety note is lost between them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pandas as pd
import pytest

from aftersun.cli.comparison import show_difference
from aftersun.documents.compare import COMPANY, COMPUTED, FAILURE, INPUT, PLUGIN, PROGRAM, SETTING, causes, compare
from aftersun.inventory.runs.stored_runs import RunRecord, write_run
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError

AT = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
RUN = RunRecord(
    "one",
    AT,
    AT,
    "1.0",
    date(2026, 3, 1),
    3,
    0,
    plugin_versions={"bird_mesh": "1.0", "tilt_mount": "1.0"},
    input_hashes={
        "sites": "a",
        "weather x": "b",
        "company_file": "c",
        "code of aftersun": "d",
        "code of plugin odd": "e",
    },
    settings={
        "company": {"company": {"currency": "GBP"}, "tax": {"rate": 0.2}},
        "ranges": True,
        "libraries": {"numpy": "2.0"},
        "computed_by": {"workers": 1},
    },
)
NOTES = pd.DataFrame(
    {
        "site_id": ["S1", "S1", "S2"],
        "retrofit": "bird_mesh",
        "note_id": ["n", "m", "n"],
        "severity": ["danger", "caution", "danger"],
        "text": ["Live.", "Mind.", "Live."],
        "who": "electrician",
        "tell_owner": [True, False, False],
    }
)


def ranking(*rows: tuple[str, str, float, int, bool]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["site_id", "retrofit", "npv", "rank", "for_safety"])
    return frame.assign(status="recommended")


FIRST = ranking(
    ("S1", "bird_mesh", 100.0, 1, False),
    ("S1", "tilt_mount", 50.0, 2, False),
    ("S2", "bird_mesh", -10.0, 1, False),
    ("S3", "bird_mesh", -5.0, 1, True),
)


@pytest.fixture
def inventory(tmp_path):
    with Inventory.create(tmp_path / "a.duckdb") as opened:
        write_run(opened, RUN, {"ranking": FIRST, "safety_note": NOTES})
        yield opened


UNCHANGED = dict.fromkeys(("only_in_first", "only_in_second", "best_offer_changed", "ranking_changed"), 0)


def second(inventory, tables, **changed):
    run = replace(RUN, run_id="two", finished_at=AT + timedelta(hours=1), **changed)
    write_run(inventory, run, tables)


def test_the_same_to_the_bit_whatever_the_order_of_rows(inventory):
    second(inventory, {"ranking": FIRST[::-1], "safety_note": NOTES[::-1]})
    found = compare(inventory)
    assert found.same
    assert list(found.causes) == []
    assert (found.first.run_id, found.second.run_id) == ("one", "two")
    assert found.sites == {**UNCHANGED, "of_both": 3}
    assert (len(found.movers), len(found.notes)) == (0, 0)


def test_one_bit_is_a_difference(inventory):
    other = FIRST.assign(npv=FIRST["npv"].where(FIRST.index != 1, 50.00000000000001))
    second(inventory, {"ranking": other, "safety_note": NOTES})
    found = compare(inventory)
    assert not found.same
    assert [table for table, same in found.tables.items() if not same] == ["ranking"]
    assert found.sites == {**UNCHANGED, "of_both": 3}


def test_a_row_that_stands_twice_is_a_difference(inventory):
    second(inventory, {"ranking": FIRST, "safety_note": pd.concat([NOTES, NOTES, NOTES])})
    assert not compare(inventory).tables["safety_note"]


def test_who_came_on_the_call_list_and_who_left_it(inventory, capsys):
    call = pd.DataFrame({"site_id": ["S1", "S2", "S3"], "customer_id": "C1", "retrofit": "bird_mesh"})
    run = replace(RUN, run_id="three", finished_at=AT + timedelta(hours=1))
    write_run(inventory, run, {"ranking": FIRST, "call": call.assign(position=[1, 2, None])})
    run = replace(RUN, run_id="two", finished_at=AT + timedelta(hours=2))
    write_run(inventory, run, {"ranking": FIRST, "call": call.assign(position=[None, 2, 1])})
    found = compare(inventory)
    assert list(found.calls["site_id"]) == ["S1", "S3"]
    show_difference(found)
    printed = capsys.readouterr().out
    assert "1 came on it: S3 (no 1, bird mesh)." in printed
    assert "1 left it: S1 (no 1, bird mesh)." in printed


@pytest.mark.slow
def test_what_came_of_it_by_hand(inventory):
    other = ranking(
        ("S1", "tilt_mount", 150.0, 1, False),  # another best, another order
        ("S1", "bird_mesh", 100.0, 2, False),
        ("S2", "bird_mesh", 20.0, 1, False),  # offered now; the same order
        ("S4", "bird_mesh", 7.0, 1, False),  # S3 is gone, S4 is new
    )
    second(inventory, {"ranking": other, "safety_note": NOTES})
    found = compare(inventory)
    assert found.sites == {
        "of_both": 2,
        "only_in_first": 1,
        "only_in_second": 1,
        "best_offer_changed": 2,
        "ranking_changed": 1,
    }
    movers = found.movers.astype(object).where(found.movers.notna(), None)
    assert list(movers.itertuples(index=False, name=None)) == [
        ("S1", "bird_mesh", "tilt_mount", 100.0, 150.0, 50.0),
        ("S2", None, "bird_mesh", -10.0, 20.0, 30.0),
        ("S4", None, "bird_mesh", None, 7.0, 7.0),
        ("S3", "bird_mesh", None, -5.0, None, 5.0),
    ]
    assert list(compare(inventory, movers=1).movers["site_id"]) == ["S1"]


def test_every_safety_note_that_differs_is_there_worst_first(inventory):
    other = NOTES.assign(text=["Live.", "Mind your head.", "Live."])[:2]
    second(inventory, {"ranking": FIRST, "safety_note": other})
    notes = compare(inventory, movers=0).notes
    rows = notes[["site_id", "note_id", "text", "only_in"]].itertuples(index=False, name=None)
    assert list(rows) == [
        ("S2", "n", "Live.", "first"),
        ("S1", "m", "Mind.", "first"),
        ("S1", "m", "Mind your head.", "second"),
    ]
    assert notes["tell_owner"].tolist() == [False, False, False]


@pytest.mark.parametrize(
    ("changed", "kind", "name", "values"),
    [
        ({"program_version": "1.1"}, PROGRAM, "aftersun", ("1.0", "1.1")),
        ({"settings": {**RUN.settings, "libraries": {"numpy": "2.1"}}}, PROGRAM, "numpy", ("2.0", "2.1")),
        ({"input_hashes": {**RUN.input_hashes, "code of aftersun": "z"}}, PROGRAM, "code", ("d", "z")),
        ({"input_hashes": {**RUN.input_hashes, "code of plugin odd": "z"}}, PLUGIN, "code of odd", ("e", "z")),
        ({"plugin_versions": {"bird_mesh": "1.0"}}, PLUGIN, "tilt_mount", ("1.0", None)),
        ({"input_hashes": {**RUN.input_hashes, "sites": "z"}}, INPUT, "sites", ("a", "z")),
        ({"input_hashes": {**RUN.input_hashes, "weather y": "z"}}, INPUT, "weather y", (None, "z")),
        ({"as_of": date(2026, 4, 1)}, SETTING, "day", ("2026-03-01", "2026-04-01")),
        ({"seed": 1}, SETTING, "seed", ("0", "1")),
        ({"settings": {**RUN.settings, "ranges": False}}, SETTING, "ranges", ("True", "False")),
        ({"settings": {**RUN.settings, "computed_by": {"workers": 2}}}, COMPUTED, "workers", ("1", "2")),
        (
            {"settings": {**RUN.settings, "company": {"company": {"currency": "GBP"}, "tax": {"rate": 0.1}}}},
            COMPANY,
            "tax.rate",
            ("0.2", "0.1"),
        ),
        (
            {"failures": [{"plugin": "odd", "during": "change", "reason": "no luck"}]},
            FAILURE,
            "odd",
            (None, "change: no luck"),
        ),
    ],
)
def test_each_cause_is_named(changed, kind, name, values):
    (cause,) = causes(RUN, replace(RUN, **changed))
    assert (cause.kind, cause.name) == (kind, name)
    assert (cause.first, cause.second) == values


def test_a_file_that_only_looks_different_is_no_cause():
    assert causes(RUN, replace(RUN, input_hashes={**RUN.input_hashes, "company_file": "z"})) == []


def test_runs_are_the_last_two_or_those_named(inventory):
    with pytest.raises(AftersunError, match="Two runs are needed, stored is one"):
        compare(inventory)
    second(inventory, {"ranking": FIRST, "safety_note": NOTES})
    assert compare(inventory, "two", "one").first.run_id == "two"
    assert compare(inventory, "one").second.run_id == "two"
    with pytest.raises(AftersunError, match="There is no run three"):
        compare(inventory, "one", "three")


def test_without_a_run_it_is_one_sentence(tmp_path):
    with Inventory.create(tmp_path / "b.duckdb") as opened, pytest.raises(AftersunError, match="stored is none"):
        compare(opened)
