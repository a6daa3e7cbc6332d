"""Every older version's file, as the program of its day wrote it, becomes one of today with all that it held."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from datetime import date
from importlib.metadata import version
from pathlib import Path

import duckdb
import pytest
from old_inventory_support import add_columns, unpacked

from aftersun.inventory.loading.load import load_file
from aftersun.inventory.loading.rejects import open_rejects
from aftersun.inventory.runs.stored_runs import read_run_table, stored_run
from aftersun.inventory.store import dictionary, migrations, read
from aftersun.inventory.store.backup import copy_inventory
from aftersun.inventory.store.changes import RenamedColumn, Statement, TranslatedValues
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.migrations import newest_version, stored_version
from aftersun.inventory.store.tables import RUN_TABLES
from aftersun.model.errors import AftersunError
from aftersun.wording import (
    capacity_text,
    finding_text,
    not_called_text,
    note_text,
    plan_text,
    replaced_text,
    station_text,
    untold_text,
    when_text,
)

OLDER = ("layout-1", "layout-2", "layout-3", "layout-26")
OF_RUNS = {
    "run-layout-2": 2,
    "run-layout-3": 3,
    "demo-0.1.0": 4,
    "demo-0.2.0": 26,
    "demo-layout-29": 29,
    "demo-layout-30": 30,
    "demo-layout-32": 32,
    "demo-layout-33": 33,
}
VERSIONS = {**{name: int(name.rpartition("-")[2]) for name in OLDER}, **OF_RUNS}
"""By name of an older file its layout."""

# of version 0.1.0, as its files have them
_STATUS_WORDS = {
    "recommended": "advised",
    "subject_to_survey": "survey first",
    "not_cost_effective": "not worth it",
    "not_applicable": "does not fit",
    "already_fitted": "already fitted",
    "safety_remedial": "safety matter",
    "failed": "failed",
}

Rows = dict[str, list[dict[str, object]]]


def _rows(path: Path) -> Rows:
    with duckdb.connect(str(path), read_only=True) as connection:
        found: Rows = {}
        for (table,) in connection.execute("SELECT table_name FROM duckdb_tables() ORDER BY 1").fetchall():
            result = connection.execute(f'SELECT * FROM "{table}" ORDER BY ALL')
            names = [column[0] for column in result.description]
            found[table] = [dict(zip(names, row, strict=True)) for row in result.fetchall()]
        return found


def _layout(path: Path) -> dict[str, set[tuple[str, str]]]:
    with duckdb.connect(str(path), read_only=True) as connection:
        found: dict[str, set[tuple[str, str]]] = {}
        query = "SELECT table_name, column_name, data_type FROM duckdb_columns() WHERE NOT internal"
        for table, *column in connection.execute(query).fetchall():
            found.setdefault(table, set()).add((column[0], column[1]))
        return found


def _said(row: dict[str, object], column: str) -> object:
    """Return a value as it was before sentences became codes."""
    if column == "remark" and "station_far" in row:
        return station_text(row)
    if column == "remark" and "factor_se" in row:
        return untold_text(row)
    if column == "overridden":
        return replaced_text(row["replaced_by"], row["replaced_why"]) if row["replaced"] else ""  # type: ignore[arg-type]
    if column == "shortage":  # that of the stored run was empty
        return ""
    value = row[column]
    if column == "status":
        return plan_text(str(value)) if "greedy_value" in row else _STATUS_WORDS[str(value)]
    if column == "hour_method":
        return {"resolved": "solved again with one hour more"}.get(str(value), value)
    if column == "excluded_reason" and value == "no_offer":
        return "no retrofit is worth it"  # of version 0.1.0, as its files have it
    if column == "excluded_reason" and value is not None:
        return not_called_text(str(value), str(row["excluded_detail"]))
    if column == "note" and "in_year" in row:
        when = when_text(row)
        return "; ".join(filter(None, ["" if when == "once" else when, note_text(row)]))
    if column == "name" and "bookable" in row:
        return capacity_text(str(value))
    if column == "retrofits" and isinstance(value, list):
        return ", ".join(value)
    if column == "equipment" and isinstance(value, list):
        return "+".join(value)
    return value


@pytest.mark.parametrize("name", VERSIONS)
@pytest.mark.slow
def test_an_older_file_gets_todays_layout_and_loses_nothing(name: str, tmp_path: Path, empty_file: Path) -> None:
    path = unpacked(name, tmp_path)
    before = _rows(path)
    assert before["schema_version"][-1]["version"] == VERSIONS[name]
    Inventory.open(path).close()
    after = _rows(path)
    assert _layout(path) == _layout(empty_file)
    for table, rows in before.items():
        if table != "schema_version":
            said = _said if VERSIONS[name] <= 4 else dict.__getitem__  # codes since
            columns = [column for column in rows[0] if (table, column) != ("ranking", "npv_mean")] if rows else []
            now = {("run_value", "npv_mean"): "npv"}  # by what a column was called
            stored = after[table] if rows else []
            kept = [{column: said(row, now.get((table, column), column)) for column in columns} for row in stored]
            assert kept == [{column: row[column] for column in columns} for row in rows], table
    assert after["schema_version"][-1]["version"] == newest_version()


@pytest.mark.slow
def test_a_survey_condition_ends_where_another_sentence_of_its_reason_begins(tmp_path: Path) -> None:
    path = unpacked("demo-0.1.0", tmp_path)
    why = "Costs 9 EUR: worth 8 EUR over one year. Survey first: see the roof. Ask an engineer"
    with duckdb.connect(str(path)) as connection:
        connection.execute("UPDATE ranking SET reason = ? || '. Best way: fixed tilt. Tilt to 30 degrees.'", [why])
    with Inventory.open(path) as inventory:
        found = inventory.connection.execute("SELECT DISTINCT screening_reason FROM ranking").fetchall()
    assert found == [("see the roof. Ask an engineer",)]


def test_the_version_moves_with_the_layout(tmp_path: Path) -> None:
    (run,) = _rows(unpacked("demo-0.1.0", tmp_path))["run"]
    assert VERSIONS["demo-0.1.0"] < newest_version()
    assert version("aftersun") != run["program_version"]


@pytest.mark.slow
def test_what_meter_readings_tell_of_an_older_run_is_printed_as_before(tmp_path: Path) -> None:
    path = unpacked("demo-0.1.0", tmp_path)
    remark = (
        "the readings give a factor of 0.31, taken as 0.5: check the facts and the meter; "
        "a trend takes 2 full years of readings"
    )
    findings = {
        "unit": "7 readings set aside: about a thousandth of what can be expected: MWh in place of kWh, or the system "
        "stands still",
        "gap": "gaps: 7, together 11.0 days, 3.0 % of the time",
        "clock": "the producing time lies 1.5 h too early for the sun",
        "night": "7 readings set aside: output in the night",
    }
    with duckdb.connect(str(path)) as connection:
        connection.execute("DELETE FROM site_evidence")
        connection.execute(
            "INSERT INTO site_evidence BY NAME SELECT 'R' AS run_id, 'S' AS site_id, 0.5 AS factor, ? AS remark",
            [remark],
        )
        for code, text in findings.items():
            connection.execute(
                "INSERT INTO reading_finding BY NAME SELECT 'R' AS run_id, 'S' AS site_id, 'production' AS meter, "
                "? AS finding, 7 AS readings, ? AS text, 'See to it.' AS what_to_do",
                [code, text],
            )
    Inventory.open(path).close()
    rows = _rows(path)
    assert [untold_text(row) for row in rows["site_evidence"]] == [remark]
    printed = {finding_text(row).casefold() for row in rows["reading_finding"]}
    for text in findings.values():
        today = text.replace("the system stands still", "the system has stopped")  # said in other words since
        assert any(sentence.startswith(today.casefold()) for sentence in printed), text


@pytest.mark.parametrize(
    ("told", "who", "why"),
    [
        ("by A. Person; saw it; twice", "A. Person", "saw it; twice"),
        ("by A. Person", "A. Person", None),
        ("by the company; steel rusts", None, "steel rusts"),
        ("by the company", None, None),
    ],
)
@pytest.mark.slow
def test_who_replaced_an_assumption_of_an_older_run(
    told: str, who: str | None, why: str | None, tmp_path: Path
) -> None:
    path = unpacked("demo-0.1.0", tmp_path)
    with duckdb.connect(str(path)) as connection:
        connection.execute("UPDATE run_assumption SET overridden = ? WHERE name = 'life_years'", [told])
    Inventory.open(path).close()
    found = {
        (row["name"], row["replaced_by"], row["replaced_why"])
        for row in _rows(path)["run_assumption"]
        if row["replaced"]
    }
    assert found == {("life_years", who, why)}


@pytest.mark.parametrize("name", OLDER)
@pytest.mark.slow
def test_an_older_file_works_like_one_of_today(name: str, tmp_path: Path) -> None:
    source = tmp_path / "customer.csv"
    source.write_text("customer_id,name,on_register\nC1,Household A,no\nC4,Household D,\n")
    with Inventory.open(unpacked(name, tmp_path)) as inventory:
        assert list(read.sites(inventory)["site_id"]) == ["S1", "S2"]
        assert len(open_rejects(inventory)) == 2
        run = stored_run(inventory)
        assert run is not None
        assert len(read_run_table(inventory, "ranking", run.run_id)) == 2
        report = load_file(inventory, "customer", source)
        assert (report.added, report.changed, report.rejected) == (1, 1, 0)


@pytest.mark.parametrize("name", VERSIONS)
@pytest.mark.slow
def test_a_column_added_to_the_dictionary_reaches_every_older_file(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = unpacked(name, tmp_path)
    Inventory.open(path).close()  # today's layout, apart from what is added now
    add_columns(monkeypatch)
    with Inventory.open(path, read_only=True) as inventory:
        assert read.sites(inventory)["roof_colour"].isna().all()
    with Inventory.open(path) as inventory:
        assert read.arrays(inventory)["fence_m"].isna().all()
        assert read.customers(inventory).columns.tolist().count("shoe_size") == 0  # personal: kept apart
        ids = read.customers(inventory)["customer_id"].tolist()
        assert read.contacts(inventory, ids)["shoe_size"].isna().all()
        assert read.tariffs_in_force(inventory, date(2026, 3, 1))["standing_charge"].isna().all()
        run = stored_run(inventory)
        assert run is not None
        assert read_run_table(inventory, "ranking", run.run_id)["added_measure"].isna().all()
        site_id = str(read.sites(inventory)["site_id"].iloc[0])
        source = tmp_path / "site.csv"
        source.write_text(f"site_id,customer_id,latitude,longitude,roof_colour\n{site_id},{ids[0]},40,-3,grey\n")
        assert load_file(inventory, "site", source).changed == 1
    with Inventory.open(path, read_only=True) as inventory:
        assert read.sites(inventory).set_index("site_id").loc[site_id, "roof_colour"] == "grey"


@pytest.mark.slow
def test_a_choice_or_a_wider_limit_added_to_the_dictionary_reaches_every_older_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = unpacked("layout-3", tmp_path)
    Inventory.open(path).close()
    entries = {table: dictionary.columns(table) for table in dictionary.tables()}
    wider = {
        "roof_kind": {"choices": ("pitched tile", "reed")},
        "storeys": {"maximum": 90.0},
        "latitude": {"maximum": 3.0},
    }
    entries["site"] = tuple(replace(column, **wider.get(column.name, {})) for column in entries["site"])
    monkeypatch.setattr(dictionary, "_dictionary", lambda: entries)
    before = _rows(path)
    source = tmp_path / "site.csv"
    source.write_text("site_id,customer_id,latitude,longitude,roof_kind,storeys\nS2,C2,1,18,reed,88\n")
    with Inventory.open(path) as inventory:
        assert load_file(inventory, "site", source).changed == 1
        assert read.sites(inventory).set_index("site_id").loc["S2", "roof_kind"] == "reed"
    after = _rows(path)
    assert after["site"][0] == before["site"][0]  # at a latitude that may not be loaded any more
    assert {name: len(rows) for name, rows in before.items()} == {name: len(rows) for name, rows in after.items()} | {
        "load": len(before["load"]),
        "change": len(before["change"]),
    }


@pytest.mark.slow
def test_renamed_columns_and_translated_values_reach_an_older_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = unpacked("layout-2", tmp_path)
    changes = (
        RenamedColumn("customer", "on_day", "never_there"),  # nothing of the kind in this file: left alone
        RenamedColumn("call", "sentence", "reason_code"),
        RenamedColumn("call", "reason_code", "why"),
        TranslatedValues("ranking", "status", {"advised": "recommended"}),
        Statement("UPDATE call SET why = 'C' WHERE customer_id = 'C2'"),
    )
    kinds = dict(RUN_TABLES["call"].columns)
    monkeypatch.setattr(migrations, "CHANGES", changes)
    monkeypatch.delitem(RUN_TABLES["call"].columns, "sentence")  # type: ignore[arg-type]
    monkeypatch.setitem(RUN_TABLES["call"].columns, "why", kinds["sentence"])  # type: ignore[arg-type]
    Inventory.open(path).close()
    after = _rows(path)
    assert [row["status"] for row in after["ranking"]] == ["recommended", "does not fit"]
    assert [(row["customer_id"], row["why"]) for row in after["call"]] == [("C1", None), ("C2", "C")]
    assert "sentence" not in after["call"][0]
    assert after["schema_version"][-1]["version"] == migrations.FIRST_VERSIONS + 5
    Inventory.open(path, read_only=True).close()  # once is enough


@pytest.mark.slow
def test_capacities_of_version_0_1_0_become_codes(tmp_path: Path) -> None:
    path = unpacked("demo-0.1.0", tmp_path)
    Inventory.open(path).close()
    after = _rows(path)
    names = {str(row["name"]) for row in after["run_capacity"]}
    hours = {"hours_electrician", "hours_helper", "hours_plumber", "hours_roofer"}
    assert names == hours | {"visits_scaffold", "visits_tower"}  # what the demo's company file limits
    assert {row["excluded_detail"] for row in after["call"] if row["site_id"] == "S0160"} == {"hours_roofer"}


@pytest.mark.parametrize("name", VERSIONS)
@pytest.mark.slow
def test_a_change_that_fails_leaves_the_file_as_it_was(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = unpacked(name, tmp_path)
    before = _rows(path)
    broken = (Statement("DELETE FROM load"), Statement("SELECT error('broken change')"))
    monkeypatch.setattr(migrations, "CHANGES", (*migrations.CHANGES, *broken))
    with pytest.raises(duckdb.Error, match="broken change"):
        Inventory.open(path)
    assert _rows(path) == before  # what was added and changed before it is taken back too


@pytest.mark.parametrize("name", ["layout-1", "layout-26"])
@pytest.mark.slow
def test_a_file_killed_between_the_change_and_its_checkpoint_is_opened(name: str, tmp_path: Path) -> None:
    """All that was changed stands in the log alone then."""
    path, left = unpacked(name, tmp_path), tmp_path / "left"
    left.mkdir()
    with duckdb.connect(str(path)) as connection:
        connection.execute("SET checkpoint_threshold = '1TB'")
        migrations.migrate(connection)
        for file in (path, path.with_name(f"{path.name}.wal")):
            (left / file.name).write_bytes(file.read_bytes())
    for read_only in (True, False):
        with Inventory.open(left / path.name, read_only=read_only) as inventory:
            assert stored_version(inventory.connection) == newest_version()


@pytest.mark.parametrize("name", OLDER)
@pytest.mark.slow
def test_an_older_file_is_backed_up_as_it_is(name: str, tmp_path: Path) -> None:
    path = unpacked(name, tmp_path)
    copy_inventory(path, tmp_path / "backup.duckdb")
    with Inventory.open_as_it_is(tmp_path / "backup.duckdb", read_only=True) as backup:
        assert migrations.stored_version(backup.connection) == VERSIONS[name]
    assert _rows(tmp_path / "backup.duckdb") == _rows(path)


@pytest.mark.slow
def test_old_files_hold_invented_people_only(tmp_path: Path) -> None:
    for name in OLDER:  # the others are of demos
        contact = _rows(unpacked(name, tmp_path))["contact"]
        assert {str(row["name"])[:9] for row in contact} == {"Household"}
        text = json.dumps(contact, default=str)
        assert text.count("@") == text.count("@example.org")


@pytest.mark.parametrize("name", VERSIONS)
@pytest.mark.slow
def test_an_older_file_that_is_only_read_is_brought_up_to_date_first(name: str, tmp_path: Path) -> None:
    path = unpacked(name, tmp_path)
    with Inventory.open(path, read_only=True) as inventory:
        assert stored_version(inventory.connection) == newest_version()


def test_one_of_today_is_not_written_to(empty_file: Path) -> None:
    before = empty_file.read_bytes()
    with Inventory.open(empty_file, read_only=True):  # another reader may be there
        Inventory.open(empty_file, read_only=True).close()
    assert empty_file.read_bytes() == before


def test_an_older_file_that_may_not_be_written_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = unpacked(OLDER[0], tmp_path)
    monkeypatch.setattr("os.access", lambda _path, right, **_: right == os.R_OK)
    with pytest.raises(AftersunError, match="may not be written by you"):
        Inventory.open(path, read_only=True)
