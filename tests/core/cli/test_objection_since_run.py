"""An objection counts the moment it is said: whatever leaves after it obeys it, and no danger is lost by that."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import pytest
from call_sheet_support import rows, written

from aftersun.documents.run_view import RunView
from aftersun.inventory.log.call_log import OBJECTION, record_call
from aftersun.inventory.store.file import Inventory
from aftersun.model.codes import ContactRule, NotCalled
from aftersun.scoring.run.demo import Demo

OBJECTED = "objected"  # the code of the rule, as stored


@pytest.fixture
def company(demo: Demo, tmp_path: Path) -> Path:
    return shutil.copytree(demo.inventory.parent, tmp_path / "demo") / demo.inventory.name


def called(path: Path) -> list[str]:
    with Inventory.open(path, read_only=True) as inventory:
        return list(RunView(inventory).calls()["site_id"])


def object_to(path: Path, site: str) -> None:
    with Inventory.open(path) as inventory:
        record_call(inventory, {"site_id": site, "outcome": OBJECTION})


@pytest.mark.slow
def test_list_explain_ask_and_export_obey_it_and_the_others_close_up(aftersun, company, tmp_path):
    first, *others = called(company)
    before = json.loads(aftersun("calls", company, "--first", 100, "--json").out)
    assert first in {danger["site_id"] for danger in before["tell_owner"]}
    object_to(company, first)
    after = json.loads(aftersun("calls", company, "--first", 100, "--json").out)
    assert [call["site_id"] for call in after["calls"]] == others
    assert [call["position"] for call in after["calls"]] == list(range(1, len(others) + 1))
    assert after["tell_owner"] == before["tell_owner"]
    explained = json.loads(aftersun("explain", company, first, "--stored-only", "--json").out)
    assert (explained["call"]["position"], explained["call"]["excluded_reason"]) == (None, OBJECTED)
    assert explained["safety_note"]
    assert "The owner may not be called about offers" in aftersun("ask", company, first).out
    assert first in json.loads(aftersun("ask", company, "--json").out)["may_not_be_called"]
    assert aftersun("inventory", "export", company, "--to", tmp_path / "out").code == 0
    with (tmp_path / "out" / "call.csv").open() as file:
        exported = list(csv.DictReader(file))
    assert sorted(int(row["position"]) for row in exported if row["position"]) == list(range(1, len(others) + 1))
    assert OBJECTED in {row["excluded_reason"] for row in exported if not row["position"]}


@pytest.mark.slow
def test_what_if_says_at_its_head_that_the_owner_may_not_be_called(aftersun, company):
    first = called(company)[0]
    what_if = ("what-if", company, "--if", "money.real_discount_rate=0.05", "--site", first, "--workers", 1)
    object_to(company, first)
    after = aftersun(*what_if).out
    assert 0 < after.index("The owner may not be called about offers") < after.index("retrofit")


@pytest.mark.slow
def test_the_call_sheet_leaves_out_the_customer_and_keeps_the_danger(company, tmp_path):
    first, second, *_ = called(company)
    object_to(company, first)
    with Inventory.open(company, read_only=True) as inventory:
        book = written(RunView(inventory), tmp_path / "out")
        owner = RunView(inventory).call_of(first)["customer_id"]
        assert owner not in set(RunView(inventory).contacts()["customer_id"])
    listed = [row["site"] for row in rows(book["Details"])]
    assert listed[0] == second
    assert first not in listed
    sites = {sheet.title: {row.get("site") for row in rows(sheet)} for sheet in book if sheet.auto_filter.ref}
    assert first in sites["Hazard register"]
    assert first in sites["Not called"]


def test_other_reasons_stay_as_the_run_stored_them(company):
    with Inventory.open(company, read_only=True) as inventory:
        stored = inventory.connection.execute("SELECT site_id, excluded_reason FROM call").fetchall()
        view = RunView(inventory).table("call")
    assert dict(zip(view["site_id"], view["excluded_reason"].fillna(""), strict=True)) == {
        site: reason or "" for site, reason in stored
    }
    assert {reason for _, reason in stored} & set(NotCalled)
    assert {reason for _, reason in stored} & set(ContactRule)
