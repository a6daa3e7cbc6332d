"""The view that outputs read a stored run through: with names, without them, and without asking ten thousand times."""

from __future__ import annotations

import json
import re
import shutil

import duckdb
import pandas as pd
import pytest
from notes_support import gathered
from old_inventory_support import unpacked

import aftersun_datasets
from aftersun import api
from aftersun.documents.letters.compose import Choices, compose
from aftersun.documents.run_view import RunView
from aftersun.inventory.runs import bulk_reading
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.tables import RUN_TABLES
from aftersun.model.errors import AftersunError
from aftersun.scoring.run.rank import Settings, rank
from aftersun.wording import reason_text, station_text, survey_text

WORST_FIRST = ("danger", "warning", "caution")  # ANSI Z535.6 signal words


@pytest.fixture
def opened(demo):
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        yield inventory


def test_it_offers_all_that_outputs_are_promised(opened):
    view = RunView(opened)
    promised = [name for name in vars(api.RunView) if not name.startswith("_")]
    assert len(promised) >= 16
    for name in promised:
        assert hasattr(view, name), name
    assert view.run_id == view.run.run_id
    assert view.made_from["sites"] == len(view.table("site_energy"))
    assert view.company["company"]["currency"] == view.currency == "EUR"
    assert view.letterhead.name == view.company["company"]["name"]
    assert view.letterhead.logo is None
    assert view.letters() == ()


def test_nothing_ranked_and_no_such_run_are_a_sentence_each(opened, tmp_path):
    with pytest.raises(AftersunError, match="no such run"):
        RunView(opened, "20200101T000000000000Z")
    with Inventory.create(tmp_path / "e.duckdb") as empty, pytest.raises(AftersunError, match="ranked yet"):
        RunView(empty)


@pytest.mark.slow
def test_an_older_run_can_be_named(demo, tmp_path):
    folder = shutil.copytree(demo.inventory.parent, tmp_path / "demo")
    with Inventory.open(folder / "demo.duckdb", read_only=True) as inventory:
        older = RunView(inventory).run_id
    rank(folder / "demo.duckdb", Settings(folder / "company.toml", demo.as_of, ranges=False))
    with Inventory.open(folder / "demo.duckdb", read_only=True) as inventory:
        assert RunView(inventory).run_id != older
        assert RunView(inventory, older).run_id == older
        assert RunView(inventory, older).table("offer")["npv_p90"].notna().all()
        assert RunView(inventory).table("offer")["npv_p90"].isna().all()


def test_contacts_are_those_of_the_call_list_alone(opened):
    view = RunView(opened)
    contacts = view.contacts()
    assert list(contacts) == ["customer_id", "name", "street", "town", "phone", "email"]
    assert set(contacts["customer_id"]) == set(view.calls()["customer_id"])
    assert len(contacts) < len(view.sites()["customer_id"].unique())


def test_site_by_site_a_table_is_read_twice_at_most(opened, monkeypatch):
    view, asked = RunView(opened), []
    read = bulk_reading.read_run_table
    monkeypatch.setattr(bulk_reading, "read_run_table", lambda *a, **k: asked.append(a[1]) or read(*a, **k))
    sites = list(view.table("site_energy")["site_id"])
    asked.clear()
    for site in sites:
        mine = view.table("ranking", site)
        assert set(mine["site_id"]) == {site}
    assert asked == ["ranking", "ranking"]
    whole = view.table("ranking")
    assert sum(len(view.table("ranking", site)) for site in sites) == len(whole[whole["site_id"].isin(sites)])
    assert asked == ["ranking", "ranking"]
    assert view.table("ranking", "nowhere").empty


def test_what_an_output_does_to_a_frame_stays_with_it(opened):
    view = RunView(opened)
    for _ in range(2):
        frame = view.sites()
        assert frame["latitude"].notna().all()
        frame["latitude"] = 0.0
        mine = view.table("ranking", "S0127")
        assert mine["npv"].notna().any()
        mine["npv"] = 0.0
        view.table("ranking", "S0001")


def all_values(view: RunView) -> set[str]:
    frames = [view.sites(), view.arrays(), view.contacts(), view.calls(), view.to_tell()]
    frames += [view.table(name) for name in RUN_TABLES]
    found: set[str] = set()
    for frame in frames:
        for column in frame.select_dtypes(["string", "object"]):
            found.update(str(value) for value in frame[column].dropna() if isinstance(value, str))
    return found


@pytest.mark.slow
def test_without_names_no_number_name_or_place_can_be_read(opened):
    named, plain = RunView(opened), RunView(opened, personal=False)
    secret = set()
    for table, column in (("site", "site_id"), ("site", "customer_id"), ("array", "array_id"), ("site", "tariff_id")):
        secret |= set((named.sites() if table == "site" else named.arrays())[column].dropna())
    secret |= set(named.contacts().drop(columns="customer_id").stack())
    assert len(secret) > 200
    told = all_values(plain) | set(json.dumps([plain.made_from, dict(plain.titles())]).split('"'))
    assert not secret & told
    assert all_values(named) & secret
    assert plain.contacts().empty
    assert list(plain.contacts()) == list(named.contacts())
    tenths = plain.sites()["latitude"].to_numpy() * 10
    assert abs(tenths - tenths.round()).max() < 1e-9
    assert not plain.personal


@pytest.mark.slow
def test_without_names_everything_still_belongs_together(opened):
    named, plain = RunView(opened), RunView(opened, personal=False)
    site = named.calls()["site_id"].iloc[0]
    # the call list has an order of its own, by which its rows can be laid side by side
    numbers = dict(zip(named.calls()["site_id"], plain.calls()["site_id"], strict=True))
    assert len(set(numbers.values())) == len(numbers)
    owners = dict(zip(plain.sites()["site_id"], plain.sites()["customer_id"], strict=True))
    assert [owners[one] for one in plain.calls()["site_id"]] == list(plain.calls()["customer_id"])
    for table in ("ranking", "safety_note", "cost_item"):
        mine, other = named.table(table, site), plain.table(table, numbers[site])
        assert len(mine) == len(other) > 0
        assert (other["site_id"] == numbers[site]).all()
    assert len(plain.arrays(numbers[site])) == len(named.arrays(site)) > 0
    assert plain.facts(numbers[site]).keys() == named.facts(site).keys()
    assert plain.facts(numbers[site])["commissioned_on"].year == named.facts(site)["commissioned_on"].year
    # the original number finds nothing: it would tell that a site is in here
    assert plain.table("ranking", site).empty


def test_the_order_of_rows_tells_no_number(opened):
    plain = RunView(opened, personal=False)
    for frame in (plain.sites(), plain.arrays(), plain.table("ranking"), plain.table("call"), plain.to_tell()):
        assert list(frame["site_id"]) == sorted(frame["site_id"])


def test_pseudonyms_stay_the_same_in_one_inventory_and_differ_in_another(opened, demo, tmp_path):
    first, again = (RunView(opened, personal=False).sites()["site_id"] for _ in range(2))
    assert list(first) == list(again)
    other = tmp_path / "demo.duckdb"
    shutil.copy(demo.inventory, other)
    with Inventory.open(other) as inventory, inventory.transaction() as connection:
        connection.execute("UPDATE pseudonym_key SET secret = ?", ["ab" * 32])
    with Inventory.open(other, read_only=True) as inventory:
        assert not set(RunView(inventory, personal=False).sites()["site_id"]) & set(first)


def test_free_text_is_left_out_without_names(demo, tmp_path):
    other = tmp_path / "demo.duckdb"
    shutil.copy(demo.inventory, other)
    with Inventory.open(other) as inventory, inventory.transaction() as connection:
        connection.execute(
            "UPDATE run_assumption SET replaced = true, replaced_by = 'A. Person', replaced_why = 'saw it at her roof' "
            "WHERE name = 'life_years'"
        )
        failed = [{"plugin": "mine", "during": "screen", "reason": "KeyError: S0127"}]
        connection.execute("UPDATE run SET failures = ?", [json.dumps(failed)])
    with Inventory.open(other, read_only=True) as inventory:
        plain, named = RunView(inventory, personal=False), RunView(inventory)
        assumed = plain.table("run_assumption")
        assert set(assumed.loc[assumed["replaced"], "name"]) == {"life_years"}
        assert assumed[["replaced_by", "replaced_why"]].isna().all(axis=None)
        assert plain.made_from["failures"] == [{"plugin": "mine", "during": "screen"}]
        assert {"A. Person", "saw it at her roof"} <= set(named.table("run_assumption").query("replaced").stack())
        ways = plain.table("cost_item").query("kind == 'travel'")
        assert len(ways)
        assert ways[["trip_km", "trip_hours"]].isna().all(axis=None)
        assert named.table("cost_item").query("kind == 'travel'")["trip_km"].notna().all()


def test_letters_need_names(opened):
    with pytest.raises(ValueError, match="names"):
        RunView(opened, personal=False, letters=[object()])  # type: ignore[list-item]


def test_many_sites_come_by_one_query(opened):
    view = RunView(opened)
    sites = list(view.calls()["site_id"])[:7]
    pd.testing.assert_frame_equal(
        view.table_of_sites("offer", sites)[["site_id", "offer", "npv"]],
        view.table("offer").query("site_id in @sites")[["site_id", "offer", "npv"]].reset_index(drop=True),
    )


def test_the_words_on_distant_weather_tell_no_distance_closer_than_ten_km(opened):
    named, veiled = (
        [text for row in view.table("site_energy").to_dict("records") if (text := station_text(row))]
        for view in (RunView(opened), RunView(opened, personal=False))
    )
    assert len(named) == len(veiled) > 0
    assert {int(km) % 10 for text in named for km in re.findall(r"(\d+) km", text)} != {0}
    assert {int(km) % 10 for text in veiled for km in re.findall(r"(\d+) km", text)} == {0}
    assert {int(m) % 50 for text in veiled for m in re.findall(r"(\d+) m ", text)} <= {0}


def test_without_names_days_are_known_to_the_year_and_ratings_to_a_tenth_of_a_kilowatt(opened):
    with_names, view = RunView(opened), RunView(opened, personal=False)
    for frame, columns in (
        (view.sites(), ["inverter_rating_kw", "export_limit_kw"]),
        (view.arrays(), ["dc_rating_kw"]),
    ):
        for column in columns:
            values = frame[column].dropna().astype(float)
            assert (values * 10 - (values * 10).round()).abs().max() < 1e-6
    true, seen = with_names.sites(), view.sites()
    for column in ("commissioned_on", "connectors_renewed_on", "warranty_until"):
        days = seen[column].dropna()
        assert set(days.dt.strftime("%m-%d")) <= {"01-01"}
        assert sorted(days.dt.year) == sorted(true[column].dropna().dt.year)
        assert seen[column].dtype == true[column].dtype
    assert set(true["commissioned_on"].dropna().dt.strftime("%m-%d")) != {"01-01"}


def test_safety_notes_gathered_by_the_database_are_those_gathered_row_by_row(opened):
    view = RunView(opened)
    table = view.table("safety_note")
    told, by_row = view.safety_notes(), gathered(table)
    assert set(told.notes) == set(by_row.notes)
    assert [note.severity for note in told.notes] == sorted((n.severity for n in told.notes), key=WORST_FIRST.index)
    named = [
        {
            (row.site_id, row.retrofit): {one.notes[place] for place in one.sets[row.set]}
            for row in one.where.itertuples()
        }
        for one in (told, by_row)
    ]
    assert named[0] == named[1]
    assert len(named[0]) == len(table[["site_id", "retrofit"]].drop_duplicates()) > 300
    assert len(set(told.sets)) == len(told.sets) < 100
    assert told.where["site_id"].is_monotonic_increasing


def test_notes_without_a_doer_and_of_an_unknown_severity_are_told_first(demo, tmp_path):
    copy = shutil.copy(demo.inventory, tmp_path / "demo.duckdb")
    with Inventory.open(copy) as inventory, inventory.transaction() as connection:
        connection.execute("UPDATE safety_note SET who = NULL WHERE note_id = 'local_rules'")
        connection.execute("UPDATE safety_note SET severity = 'grave' WHERE note_id = 'glare'")
    with Inventory.open(copy, read_only=True) as inventory:
        view = RunView(inventory)
        told = view.safety_notes()
        assert set(told.notes) == set(gathered(view.table("safety_note")).notes)
    by_id = {note.id: note for note in told.notes}
    assert by_id["local_rules"].who == ""
    worst = [note.id for note in told.notes if note.severity in ("danger", "grave")]
    assert [note.id for note in told.notes][: len(worst)] == worst
    assert "glare" in worst


def test_safety_notes_of_a_run_without_any_are_none(demo, tmp_path):
    copy = shutil.copy(demo.inventory, tmp_path / "demo.duckdb")
    with Inventory.open(copy) as inventory, inventory.transaction() as connection:
        connection.execute("DELETE FROM safety_note")
    with Inventory.open(copy, read_only=True) as inventory:
        told = RunView(inventory).safety_notes()
    assert told.notes == told.sets == ()
    assert told.where.empty


def test_safety_notes_without_names_stand_with_pseudonyms(opened):
    plain, veiled = RunView(opened), RunView(opened, personal=False)
    told, shown = plain.safety_notes(), veiled.safety_notes()
    assert not set(shown.where["site_id"]) & set(told.where["site_id"])
    assert shown.where["site_id"].nunique() == told.where["site_id"].nunique()
    assert shown.notes == told.notes


@pytest.mark.slow
def test_a_run_of_version_0_1_0_says_what_it_said(tmp_path):
    path = unpacked("demo-0.1.0", tmp_path)
    with duckdb.connect(str(path), read_only=True) as connection:
        sentences = dict(connection.execute("SELECT site_id, sentence FROM call WHERE position > 0").fetchall())
        left = dict(
            connection.execute(
                "SELECT excluded_reason, count(*) FROM call WHERE position IS NULL GROUP BY ALL"
            ).fetchall()
        )
        advised = connection.execute("SELECT site_id, retrofit, status, reason FROM ranking").fetchall()
    Inventory.open(path).close()
    with Inventory.open(path, read_only=True) as inventory:
        view = RunView(inventory)
        assert view.call_texts() == sentences
        assert view.excluded().to_dict() == left
        rows = view.table("ranking").to_dict("records")
        words = pd.read_csv(aftersun_datasets.path("sentences_of_0_1_0.csv", "aftersun.inventory"))
        code = words[words["column"] == "status"].set_index("before")["now"].to_dict()
        told = {(r["site_id"], r["retrofit"], r["status"], reason_text(r, view.currency)) for r in rows}
        assert told == {
            (site, retrofit, code.get(status, status), reason) for site, retrofit, status, reason in advised
        }
        for row in rows:
            assert f"Survey first: {survey_text(row)}" in row["reason"] or not survey_text(row)
            assert bool(survey_text(row)) == ("Survey first: " in row["reason"])
        called = [str(site) for site in view.calls()["site_id"]]
        letters = compose(inventory, view, called, Choices(), view.as_of, batch=True).letters
        assert any(option.survey_first for letter in letters for option in letter.options)
