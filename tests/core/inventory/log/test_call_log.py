"""What came of a call and what was learnt: stored whole or not at all, and nothing that was there is lost."""

from __future__ import annotations

import stat
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

from aftersun.inventory.loading.load import load_file
from aftersun.inventory.log import call_log, learnt_facts
from aftersun.inventory.log.call_log import entries, learn, make_offer, offers, record_call
from aftersun.inventory.log.call_table import load_calls
from aftersun.inventory.store import read
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError

TODAY = date(2026, 6, 15)
SECRET = "Zzyzx"


def call(inventory: Inventory, outcome: str, on: str = "2026-06-01", facts=None, **more: str) -> call_log.Recorded:
    site = more.pop("site_id", "S1")
    return record_call(inventory, {"site_id": site, "outcome": outcome, "called_on": on, **more}, facts, TODAY)


def permission(inventory: Inventory, customer: str = "C1") -> tuple[object, object]:
    rows = read.customers(inventory).set_index("customer_id")
    return rows.loc[customer, "contact_allowed"], read.contacts(inventory, [customer])["contact_basis"].iloc[0]


def site(inventory: Inventory, name: str, site_id: str = "S1") -> object:
    return read.sites(inventory).set_index("site_id").loc[site_id, name]


def test_an_entry_keeps_what_was_said(loaded: Inventory) -> None:
    done = call(loaded, "later", retrofit="bird_mesh", leave_until="2026-09-01", remark=SECRET)
    (row,) = entries(loaded, with_remark=True).to_dict("records")
    assert done.entries == (1,)
    assert (row["site_id"], row["customer_id"], row["outcome"], row["retrofit"]) == ("S1", "C1", "later", "bird_mesh")
    assert row["leave_until"] == pd.Timestamp("2026-09-01")
    assert row["remark"] == SECRET
    assert "remark" not in entries(loaded)


def test_done_is_fitted_on_that_day(loaded: Inventory) -> None:
    call(loaded, "done", retrofit="bird_mesh")
    fitted = read.fitted(loaded)
    assert fitted[["site_id", "retrofit"]].to_numpy().tolist() == [["S1", "bird_mesh"]]
    assert fitted["fitted_on"].tolist() == [pd.Timestamp("2026-06-01")]


def test_an_objection_ends_the_permission_and_keeps_the_basis_that_was_there(loaded: Inventory, write) -> None:
    load_file(loaded, "customer", write("c.csv", "customer_id,contact_basis\nC1,agreement of 2024\n"))
    assert call(loaded, "objection").closed == ("C1",)
    allowed, basis = permission(loaded)
    assert not allowed
    assert basis == "objection on 2026-06-01; before that: agreement of 2024"


@pytest.mark.slow
def test_no_on_two_days_ends_the_permission_and_no_to_two_offers_of_one_talk_does_not(loaded: Inventory) -> None:
    assert call(loaded, "no", retrofit="bird_mesh").closed == ()
    assert call(loaded, "no", retrofit="tilt_mount").closed == ()
    assert permission(loaded)[0]
    assert call(loaded, "no", on="2026-06-10").closed == ("C1",)
    allowed, basis = permission(loaded)
    assert not allowed
    assert basis == "said no on 2 days, last on 2026-06-10"


def test_who_is_barred_already_keeps_his_basis(loaded: Inventory, write) -> None:
    load_file(loaded, "customer", write("c.csv", "customer_id,contact_basis\nC2,letter of 2023\n"))
    assert call(loaded, "objection", site_id="S2").closed == ()
    assert permission(loaded, "C2")[1] == "letter of 2023"


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ({"outcome": "maybe"}, "outcome: not one of the choices"),
        ({"outcome": "later"}, "leave_until: missing"),
        ({"outcome": "later", "leave_until": "2026-06-01"}, "leave_until: missing or not after"),
        ({"outcome": "no", "leave_until": "2026-09-01"}, "leave_until: belongs to the outcome later"),
        ({"outcome": "yes"}, "retrofit: missing"),
        ({"outcome": "done"}, "retrofit: missing"),
        ({"outcome": "no", "called_on": "2026-06-16"}, "called_on: lies in the future"),
        ({"outcome": "no", "called_on": "1 June"}, "called_on: not a date"),
        ({"outcome": "no", "site_id": "S9"}, "site_id: no site"),
        ({"outcome": "no", "run_id": "r"}, "run_id: no such run"),
    ],
)
@pytest.mark.slow
def test_entries_that_cannot_be_right_are_refused_by_column_and_rule(loaded, contents, entry, said) -> None:
    before = contents(loaded)
    defaults = {"site_id": "S1", "called_on": "2026-06-01", "remark": SECRET}
    with pytest.raises(AftersunError, match=said) as refused:
        record_call(loaded, {**defaults, **entry}, today=TODAY)
    assert SECRET not in f"{refused.value} {refused.value.hint}"
    assert contents(loaded) == before


@pytest.mark.slow
def test_facts_of_a_call_are_in_the_inventory_with_day_and_origin(loaded: Inventory) -> None:
    done = call(loaded, "no", facts={"birds_seen": "no", "storeys": "2", "tilt_deg": "35", "roof_kind": "Pitched Tile"})
    assert done.facts == 4
    assert not site(loaded, "birds_seen")
    assert site(loaded, "storeys") == 2
    assert site(loaded, "roof_kind") == "pitched tile"
    assert read.arrays(loaded)["tilt_deg"].tolist() == [35.0]  # the only array need not be named
    kept = learnt_facts.facts(loaded).set_index("column_name")
    assert kept.loc["birds_seen", ["value", "previous_value", "origin"]].tolist() == [
        "no",
        "yes",
        "phone call, entry 1",
    ]
    assert kept.loc["tilt_deg", ["row_key", "value", "previous_value"]].tolist() == ["A1", "35", "30"]
    assert pd.isna(kept.loc["storeys", "previous_value"])
    assert (kept["learnt_on"] == pd.Timestamp("2026-06-01")).all()
    assert not kept["replaced"].any()


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({"storeys": "31"}, "storeys: above the highest allowed value, 30"),
        ({"storeys": "two"}, "storeys: not a plain number"),
        ({"roof_kind": SECRET}, "roof_kind: not one of the choices"),
        ({"birds_seen": SECRET}, "birds_seen: neither yes nor no"),
        ({"birds_seen": "unknown"}, "birds_seen: says nothing"),
        ({"birds_seen": " "}, "Nothing is said of birds_seen"),
        ({"customer_id": "C2"}, "No fact can be recorded of customer_id"),
        ({"site_id": "S2"}, "No fact can be recorded of site_id"),
        ({"phone": SECRET}, "No fact can be recorded of phone"),
        ({"tariff_id": "T9"}, "tariff_id: no tariff"),
        ({"tariff_id": "T1", "import_price": "0.3"}, "tariff_id: given together with a price"),
        ({"import_price": "-0.1"}, "import_price: below the lowest allowed value"),
    ],
)
@pytest.mark.slow
def test_one_bad_fact_and_nothing_of_the_entry_is_stored(loaded, contents, facts, said) -> None:
    before = contents(loaded)
    with pytest.raises(AftersunError, match=said) as refused:
        call(loaded, "objection", facts={"occupants": "3", **facts})
    assert SECRET not in f"{refused.value} {refused.value.hint}"
    assert contents(loaded) == before


def test_choices_and_range_are_in_the_hint(loaded: Inventory) -> None:
    with pytest.raises(AftersunError) as refused:
        call(loaded, "no", facts={"storeys": "31", "monitoring": "x"})
    assert "storeys: Correct it; allowed is 1 to 30." in refused.value.hint
    assert "none, portal nobody reads, portal somebody reads" in refused.value.hint


def test_a_failure_while_facts_are_stored_leaves_nothing(loaded, contents, monkeypatch) -> None:
    before = contents(loaded)

    def broken(*_: object) -> None:
        raise RuntimeError("stop")

    monkeypatch.setattr(learnt_facts, "store_facts", broken)
    with pytest.raises(RuntimeError, match="stop"):
        call(loaded, "done", retrofit="bird_mesh", facts={"storeys": "2"})
    assert contents(loaded) == before


@pytest.mark.slow
def test_array_facts_need_their_array_where_there_are_several_or_none(loaded: Inventory, write) -> None:
    with pytest.raises(AftersunError, match="array_id: missing"):
        call(loaded, "no", site_id="S2", facts={"tilt_deg": "20"})
    with pytest.raises(AftersunError, match="array_id: not an array of this site"):
        call(loaded, "no", site_id="S2", facts={"tilt_deg": "20"}, array_id="A1")
    text = "array_id,site_id,tilt_deg,azimuth_deg,dc_rating_kw\nA2,S1,10,90,2\n"
    load_file(loaded, "array", write("a.csv", text))
    with pytest.raises(AftersunError, match="array_id: missing"):
        call(loaded, "no", facts={"tilt_deg": "20"})
    call(loaded, "no", facts={"tilt_deg": "20"}, array_id="A2")
    assert read.arrays(loaded)["tilt_deg"].tolist() == [30.0, 20.0]


def test_a_price_learnt_is_a_new_row_of_the_tariff_from_that_day(loaded: Inventory) -> None:
    """S1 alone has T1: 0.30 from 2024, 0.34 from 2025 (the tables of this folder's conftest)."""
    call(loaded, "no", facts={"import_price": "0.29"})
    for day, price in ((date(2024, 6, 1), 0.30), (date(2026, 5, 31), 0.34), (date(2026, 6, 1), 0.29)):
        assert read.tariffs_in_force(loaded, day)["import_price"].tolist() == [price]
    kept = learnt_facts.facts(loaded)
    assert kept[["row_key", "value", "previous_value"]].to_numpy().tolist() == [["T1", "0.29", "0.34"]]


@pytest.mark.slow
def test_a_price_learnt_at_one_site_leaves_the_neighbours_tariff_alone(loaded: Inventory) -> None:
    learn(loaded, "S2", {"tariff_id": "T1"}, "bill", "2026-01-02", today=TODAY)
    learn(loaded, "S1", {"import_price": "0.29"}, "bill", "2026-06-01", today=TODAY)
    assert site(loaded, "tariff_id", "S2") == "T1"
    own = site(loaded, "tariff_id")
    prices = read.tariffs_in_force(loaded, TODAY).set_index("tariff_id")["import_price"]
    assert (prices["T1"], prices[own]) == (0.34, 0.29)
    earlier = read.tariffs_in_force(loaded, date(2024, 6, 1)).set_index("tariff_id")["import_price"]
    assert earlier[own] == 0.30  # prices of the past go with it


@pytest.mark.parametrize(("told", "left"), [({"gas_price": "0.1"}, 2), ({"import_price": "0.29"}, 1)])
def test_a_tariff_of_a_later_day_keeps_its_prices_by_time(loaded: Inventory, write, told, left: int) -> None:
    """What is told of import holds in every hour; a period that prices export stays."""
    header = "tariff_id,valid_from,period,from_month,until_month,days,from_hour,until_hour,import_price,export_price\n"
    rows = "T1,2025-01-01,peak,1,12,weekday,17,21,0.5,\nT1,2025-01-01,sun,1,12,every day,11,15,,0.02\n"
    load_file(loaded, "tariff_period", write("p.csv", header + rows))
    learn(loaded, "S1", told, "bill", "2026-06-01", today=TODAY)
    assert len(read.prices_in_force(loaded, date(2026, 5, 31)).periods) == 2
    assert len(read.prices_in_force(loaded, TODAY).periods) == left


def test_a_site_without_tariff_gets_one_by_its_import_price_alone(loaded: Inventory) -> None:
    with pytest.raises(AftersunError, match="import_price: missing"):
        learn(loaded, "S2", {"export_price": "0.05"}, "bill", today=TODAY)
    learn(loaded, "S2", {"export_price": "0.05", "import_price": "0.4"}, "bill", today=TODAY)
    row = read.tariffs_in_force(loaded, TODAY).set_index("tariff_id").loc[site(loaded, "tariff_id", "S2")]
    assert (row["import_price"], row["export_price"]) == (0.4, 0.05)


def test_an_older_fact_told_late_does_not_undo_a_newer_one(loaded: Inventory) -> None:
    learn(loaded, "S1", {"storeys": "3"}, "visit", "2026-06-10", today=TODAY)
    learn(loaded, "S1", {"storeys": "2"}, "letter", "2026-05-01", today=TODAY)
    assert site(loaded, "storeys") == 3
    assert learnt_facts.facts(loaded)["replaced"].tolist() == [True, False]


def test_a_table_loaded_later_shows_which_learnt_facts_it_replaced(loaded: Inventory, write) -> None:
    learn(loaded, "S1", {"storeys": "3", "occupants": "4"}, "visit", today=TODAY)
    text = "site_id,customer_id,latitude,longitude,storeys\nS1,C1,40,-3.5,2\n"
    load_file(loaded, "site", write("s.csv", text), stated_on=TODAY)
    kept = learnt_facts.facts(loaded).set_index("column_name")["replaced"]
    assert kept.to_dict() == {"storeys": True, "occupants": False}


@settings(max_examples=10)
@given(st.lists(st.integers(1, 30), min_size=1, max_size=5))
@pytest.mark.slow
def test_law_the_chain_of_previous_values_leads_back_to_the_first(loaded: Inventory, storeys: list[int]) -> None:
    loaded.connection.execute("DELETE FROM fact_origin")
    loaded.connection.execute("UPDATE site SET storeys = 7 WHERE site_id = 'S1'")
    for value in storeys:
        learn(loaded, "S1", {"storeys": str(value)}, "visit", "2026-06-01", today=TODAY)
    kept = learnt_facts.facts(loaded)
    assert [*kept["previous_value"], str(site(loaded, "storeys"))] == ["7", *kept["value"]]


@pytest.mark.slow
def test_offers_follow_what_the_customer_says(loaded: Inventory) -> None:
    make_offer(loaded, "S1", "bird_mesh", 690.0, "EUR", date(2026, 5, 20), date(2026, 8, 20))
    make_offer(loaded, "S1", "tilt_mount", 900.0, "EUR", date(2026, 5, 20))
    call(loaded, "yes", retrofit="bird_mesh")
    assert offers(loaded)["state"].tolist() == ["taken", "open"]
    call(loaded, "done", retrofit="bird_mesh", on="2026-06-05")
    call(loaded, "objection", on="2026-06-06")
    assert offers(loaded, "S1")["state"].tolist() == ["carried out", "declined"]
    for price, currency, until in ((-1.0, "EUR", None), (float("nan"), "EUR", None), (1.0, "EUR", date(2026, 1, 1))):
        with pytest.raises(AftersunError):
            make_offer(loaded, "S1", "bird_mesh", price, currency, date(2026, 5, 20), until)
    with pytest.raises(AftersunError, match="site_id"):
        make_offer(loaded, "S9", "bird_mesh", 1.0, "EUR", date(2026, 5, 20))


TABLE = (
    "site_id,called_on,outcome,retrofit,remark,storeys\n"
    f"S1,2026-06-01,no,bird_mesh,{SECRET},2\n"
    f"S1,2026-06-02,unreached,,{SECRET},99\n"
    f"S9,2026-06-02,no,,{SECRET},\n"
    "S2,2026-06-03,objection,,,1\n"
)


def test_a_word_on_several_retrofits_is_an_entry_for_each_and_settles_their_offer(loaded: Inventory) -> None:
    both = "bird_mesh+tilt_mount"
    make_offer(loaded, "S1", both, 1500.0, "EUR", date(2026, 3, 1))
    done = record_call(
        loaded,
        {"site_id": "S1", "called_on": "2026-03-05", "outcome": "done", "retrofit": both},
        {"storeys": "2"},
        today=date(2026, 3, 6),
    )
    assert len(done.entries) == 2
    assert done.facts == 1  # told once, whatever it was about
    assert list(entries(loaded, "S1")["retrofit"]) == ["bird_mesh", "tilt_mount"]
    assert list(offers(loaded, "S1")["state"]) == ["carried out"]
    fitted = loaded.connection.execute("SELECT retrofit FROM fitted WHERE site_id = 'S1' ORDER BY 1").fetchall()
    assert {"bird_mesh", "tilt_mount"} <= {name for (name,) in fitted}


def test_a_table_of_calls_is_recorded_and_bad_rows_are_kept_with_their_reason(loaded, write, tmp_path: Path) -> None:
    report = load_calls(loaded, write("calls.csv", TABLE), today=TODAY)
    assert (report.rows_read, report.recorded, report.known, report.rejected, report.facts) == (4, 2, 0, 2, 2)
    assert entries(loaded)["site_id"].tolist() == ["S1", "S2"]
    assert [line.split(".")[0] for line in report.problems] == [
        "line 3, storeys: above the highest allowed value, 30",
        "line 4, site_id: no site with this site_id is loaded",
    ]
    assert SECRET not in "".join(report.problems)
    assert report.rejects == tmp_path / "calls-rejected.csv"
    assert stat.S_IMODE(report.rejects.stat().st_mode) == 0o600
    kept = pd.read_csv(report.rejects, dtype="string")
    assert kept["problem_line"].tolist() == ["3", "4"]
    assert kept["remark"].tolist() == [SECRET, SECRET]


@pytest.mark.slow
def test_rejects_are_mended_and_loaded_as_they_are_and_again_changes_nothing(loaded, write, contents) -> None:
    path = write("calls.csv", TABLE)
    bad = load_calls(loaded, path, today=TODAY).rejects
    text = bad.read_text(encoding="utf-8-sig").replace(",99", ",3").replace("S9,", "S2,")
    mended = load_calls(loaded, write("mended.csv", text), today=TODAY)
    assert (mended.recorded, mended.rejected, mended.rejects) == (2, 0, None)
    before = contents(loaded)
    again = load_calls(loaded, path, rejects=path.with_name("again.csv"), today=TODAY)
    assert (again.recorded, again.known, again.rejected) == (0, 2, 2)
    assert contents(loaded) == before


def test_a_rejects_file_that_exists_is_not_overwritten_and_nothing_is_stored(loaded, write, contents) -> None:
    path, there = write("calls.csv", TABLE), write("calls-rejected.csv", "mine")
    before = contents(loaded)
    with pytest.raises(AftersunError, match="exists already"):
        load_calls(loaded, path, today=TODAY)
    assert there.read_text() == "mine"
    assert contents(loaded) == before


def test_rows_of_wrong_width_and_repeated_rows_are_rejected(loaded, write) -> None:
    text = "site_id,called_on,outcome\nS1,2026-06-01,no\nS1,2026-06-01,no\nS1,2026-06-02\nS1,2026-06-02,no,more\n"
    report = load_calls(loaded, write("calls.csv", text), today=TODAY)
    assert (report.recorded, report.rejected) == (1, 3)
    lines = report.rejects.read_text(encoding="utf-8-sig").splitlines()
    assert lines[2].endswith(",S1,2026-06-02")
    assert lines[3].endswith(",S1,2026-06-02,no,more")


def test_no_cell_of_the_rejected_rows_is_a_live_formula(loaded, write) -> None:
    path = write("calls.csv", "site_id,called_on,outcome,remark\nS1,2099-06-01,no,=1+1\n")
    rejects = load_calls(loaded, path, today=TODAY).rejects
    text = rejects.read_text(encoding="utf-8-sig")
    assert text.rstrip().endswith(",'=1+1")
    mended = write("mended.csv", text.replace("2099-06-01", "2026-06-01"))
    assert load_calls(loaded, mended, today=TODAY).recorded == 1
    assert entries(loaded, with_remark=True)["remark"].to_list() == ["=1+1"]


def test_a_workbook_of_calls(loaded, tmp_path: Path) -> None:
    book = Workbook()
    book.active.append(["site_id", "called_on", "outcome", "retrofit", "birds_seen"])
    book.active.append(["S1", date(2026, 6, 1), "yes", "bird_mesh", False])
    book.save(tmp_path / "calls.xlsx")
    assert load_calls(loaded, tmp_path / "calls.xlsx", today=TODAY).recorded == 1
    assert not site(loaded, "birds_seen")


@pytest.mark.parametrize(
    ("header", "said"), [("site_id,outcome", "called_on is missing"), ("site_id,called_on,outcome,Outcome", "2 times")]
)
def test_a_header_that_does_not_do(loaded, write, header, said) -> None:
    with pytest.raises(AftersunError, match=said):
        load_calls(loaded, write("calls.csv", header + "\n"), today=TODAY)


def test_a_table_without_rows(loaded, write) -> None:
    report = load_calls(loaded, write("calls.csv", "site_id,called_on,outcome,storeys,colour\n"), today=TODAY)
    assert (report.rows_read, report.recorded) == (0, 0)
    # not by its name: where a line break is lost, the header goes on with the first customer
    assert report.problems == ("columns that are not known and were left out: column 5",)


def test_in_one_table_the_last_day_has_the_say_whatever_the_order(loaded, write) -> None:
    text = "site_id,called_on,outcome,storeys\nS1,2026-06-09,no,3\nS1,2026-06-01,unreached,2\n"
    load_calls(loaded, write("calls.csv", text), today=TODAY)
    assert site(loaded, "storeys") == 3


def test_customers_tell_whether_a_basis_is_recorded_and_not_what_it_says(loaded, write) -> None:
    load_file(loaded, "customer", write("c.csv", "customer_id,contact_basis\nC1,agreement\n"))
    found = call_log.customers(loaded)
    assert found["has_contact_basis"].tolist() == [True, False]
    assert "contact_basis" not in found


@pytest.mark.slow
def test_a_danger_is_as_old_as_its_finding_and_of_one_that_was_mended_as_the_next(loaded: Inventory) -> None:
    for day, hot in (("02", "yes"), ("03", "no"), ("04", "yes"), ("05", "yes")):
        call(loaded, "unreached", f"2026-{day}-01", {"hot_connector": hot})
    call(loaded, "unreached", "2026-05-09", {"open_string": "yes"})
    found = learnt_facts.dangers_found(loaded).set_index(["site_id", "fact"])["found_on"]
    assert found["S1", "hot_connector"] == pd.Timestamp(2026, 4, 1)
    assert found["S1", "open_string"] == pd.Timestamp(2026, 5, 9)
