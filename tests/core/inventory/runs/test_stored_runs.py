"""Stored runs: whole or not at all, measures that do not exist are NULL."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest

from aftersun.inventory.runs.stored_runs import RunRecord, read_run_table, stored_run, write_run
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.tables import RUN_TABLES

Contents = Callable[[Inventory], dict[str, pd.DataFrame]]

RUN = RunRecord(
    run_id="r1",
    started_at=datetime(2026, 3, 1, 8, 0, tzinfo=UTC),
    finished_at=datetime(2026, 3, 1, 8, 5, tzinfo=UTC),
    program_version="0.1.0",
    as_of=date(2026, 3, 1),
    sites=2,
    seed=7,
    plugin_versions={"bird_mesh": "1.0"},
    input_hashes={"company.toml": "f" * 64},
    settings={"horizon_years": 20, "only": ["S1"]},
    failures=[{"plugin": "tilt_mount", "reason": "index differs"}],
)


def _ranking(npv: float) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "site_id": ["S2", "S1", "S1"],
            "retrofit": ["bird_mesh", "tilt_mount", "bird_mesh"],
            "rank": pd.array([1, None, 1], dtype="Int64"),
            "npv": [npv, np.nan, -npv],
            "discounted_payback_years": [8.5, np.nan, np.inf],
            "status": ["advised", "does not fit", "not worth it"],
            "reason": ["pays back", "roof is flat", "costs more than it saves"],
        }
    )


def _frames(npv: float = 100.0) -> dict[str, pd.DataFrame]:
    year = pd.DataFrame({"site_id": "S2", "retrofit": "bird_mesh", "year": [0, 1], "net": [-50.0, 20.0]})
    items = pd.DataFrame({"site_id": "S2", "retrofit": "bird_mesh", "kind": "labour", "item": ["roofer", "roofer"]})
    call = pd.DataFrame(
        {
            "position": pd.array([1, None], dtype="Int64"),
            "site_id": ["S2", "S1"],
            "customer_id": ["C2", "C1"],
            "npv": [npv, np.nan],
            "excluded_reason": [None, "contact not allowed"],
        }
    )
    empty = pd.DataFrame(columns=["site_id", "retrofit", "note_id", "severity", "text", "who"])
    return {"ranking": _ranking(npv), "cash_flow": year, "cost_item": items, "call": call, "safety_note": empty}


def test_run_comes_back_as_it_was(inventory: Inventory) -> None:
    assert stored_run(inventory) is None
    write_run(inventory, RUN, _frames())
    assert stored_run(inventory) == RUN


def test_times_are_kept_in_utc_and_need_a_zone(inventory: Inventory) -> None:
    east = timezone(timedelta(hours=9))
    write_run(inventory, replace(RUN, started_at=datetime(2026, 3, 1, 17, 0, tzinfo=east)), {})
    assert inventory.connection.execute("SELECT started_at FROM run").fetchall() == [(datetime(2026, 3, 1, 8, 0),)]
    with pytest.raises(ValueError, match="time zone"):
        write_run(inventory, replace(RUN, run_id="r2", started_at=datetime(2026, 3, 1)), {})


def test_what_json_does_not_know_is_stored_as_text(inventory: Inventory) -> None:
    write_run(inventory, replace(RUN, settings={"file": Path("a.toml"), "day": date(2026, 3, 1)}), {})
    last_run = stored_run(inventory)
    assert last_run is not None
    assert last_run.settings == {"file": "a.toml", "day": "2026-03-01"}


def test_measures_that_do_not_exist_are_null(inventory: Inventory) -> None:
    write_run(inventory, RUN, _frames())
    rows = inventory.connection.execute(
        "SELECT site_id, npv, discounted_payback_years, sir, rank FROM ranking ORDER BY site_id, retrofit"
    ).fetchall()
    assert rows == [("S1", -100.0, None, None, 1), ("S1", None, None, None, None), ("S2", 100.0, 8.5, None, 1)]
    calls = inventory.connection.execute("SELECT site_id, position, excluded_reason FROM call ORDER BY site_id")
    assert calls.fetchall() == [("S1", None, "contact not allowed"), ("S2", 1, None)]


@pytest.mark.parametrize("table", RUN_TABLES)
@pytest.mark.few_quick
@pytest.mark.few_quick
def test_tables_come_back_as_declared(inventory: Inventory, table: str) -> None:
    write_run(inventory, RUN, _frames())
    frame = read_run_table(inventory, table, "r1")
    assert frame.dtypes.astype(str).to_dict() == RUN_TABLES[table].dtypes


def test_rows_of_one_run_and_one_site_in_order(inventory: Inventory) -> None:
    write_run(inventory, RUN, _frames())
    write_run(inventory, replace(RUN, run_id="r2"), _frames(7.0))
    ranking = read_run_table(inventory, "ranking", "r1")
    assert ranking[["site_id", "retrofit"]].to_numpy().tolist() == [
        ["S1", "bird_mesh"], ["S1", "tilt_mount"], ["S2", "bird_mesh"],
    ]  # fmt: skip
    assert read_run_table(inventory, "ranking", "r2", "S2")["npv"].tolist() == [7.0]
    assert read_run_table(inventory, "ranking", "r1", "S9").empty
    assert len(read_run_table(inventory, "cost_item", "r1")) == 2  # the same item twice is two items


def test_latest_is_the_run_that_finished_last(inventory: Inventory) -> None:
    write_run(inventory, replace(RUN, run_id="late", finished_at=RUN.finished_at + timedelta(hours=1)), _frames(5.0))
    write_run(inventory, RUN, _frames(1.0))
    last_run = stored_run(inventory)
    assert last_run is not None
    assert last_run.run_id == "late"
    view = inventory.connection.execute("SELECT DISTINCT run_id, npv FROM latest_ranking WHERE site_id = 'S2'")
    assert view.fetchall() == [("late", 5.0)]


def test_failure_midway_stores_nothing(inventory: Inventory, contents: Contents) -> None:
    write_run(inventory, RUN, _frames())
    before = contents(inventory)
    frames = _frames()
    frames["call"] = frames["call"].assign(site_id="S1")  # twice the same site: the last table breaks its key
    with pytest.raises(duckdb.ConstraintException):
        write_run(inventory, replace(RUN, run_id="r2"), frames)
    assert contents(inventory) == before


def test_files_are_stored_like_frames_in_their_order(inventory: Inventory, tmp_path: Path) -> None:
    frames = _frames()
    notes = pd.DataFrame(
        {"site_id": "S2", "retrofit": "bird_mesh", "note_id": list("zya"), "severity": "warning", "text": "look up"}
    )
    files: dict[str, list[Path]] = {"cash_flow": [], "ranking": [], "safety_note": [], "cost_item": []}
    parts = {**frames, "safety_note": notes}
    for table, paths in files.items():
        for row in range(len(parts[table])):
            paths.append(tmp_path / f"{table}-{row}.parquet")
            # what is unknown in a whole file is a column of nothing, or no column at all
            parts[table].iloc[[row]].dropna(axis=1, how="all").to_parquet(paths[-1], index=False)
    write_run(inventory, RUN, {**files, "site_loss": []})
    write_run(inventory, replace(RUN, run_id="r2"), {**frames, "safety_note": notes})
    for table in files:
        found, expected = (read_run_table(inventory, table, run).drop(columns="run_id") for run in ("r1", "r2"))
        pd.testing.assert_frame_equal(found, expected)
    assert list(read_run_table(inventory, "safety_note", "r1")["note_id"]) == list("zya")


def test_only_the_rows_of_a_flag_are_read(inventory: Inventory) -> None:
    notes = pd.DataFrame({"site_id": "S2", "retrofit": "bird_mesh", "note_id": list("abc"), "severity": "danger"})
    notes = notes.assign(text="live", tell_owner=pd.array([True, False, None], dtype="boolean"))
    write_run(inventory, RUN, {"safety_note": notes})
    assert list(read_run_table(inventory, "safety_note", "r1", where="tell_owner")["note_id"]) == ["a"]
    assert read_run_table(inventory, "safety_note", "r1", "S1", where="tell_owner").empty
    with pytest.raises(KeyError):
        read_run_table(inventory, "safety_note", "r1", where="text")


def test_files_that_lack_a_column_or_hold_a_strange_one_are_refused(inventory: Inventory, tmp_path: Path) -> None:
    path = tmp_path / "ranking.parquet"
    for wrong in (_ranking(1.0).assign(colour="red"), _ranking(1.0).drop(columns="status")):
        wrong.to_parquet(path, index=False)
        with pytest.raises(ValueError, match="columns"):
            write_run(inventory, RUN, {"ranking": [path]})
    assert stored_run(inventory) is None


@pytest.mark.parametrize(
    ("frames", "match"),
    [
        ({"rankings": _ranking(1.0)}, "no result table 'rankings'"),
        ({"ranking": _ranking(1.0).assign(colour="red")}, r"unknown columns \['colour'\]"),
        ({"ranking": _ranking(1.0).drop(columns="status")}, r"missing columns \['status'\]"),
        ({"ranking": _ranking(1.0).assign(run_id="other")}, "another run"),
    ],
)
def test_frames_are_checked(inventory: Inventory, frames: dict[str, pd.DataFrame], match: str) -> None:
    with pytest.raises(ValueError, match=match):
        write_run(inventory, RUN, frames)
    assert stored_run(inventory) is None


def test_same_run_twice_is_refused(inventory: Inventory) -> None:
    write_run(inventory, RUN, _frames())
    with pytest.raises(duckdb.ConstraintException):
        write_run(inventory, RUN, _frames())
