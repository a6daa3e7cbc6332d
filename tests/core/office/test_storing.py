"""What the office's page stores goes through the functions of the command line, by somebody, and nothing is lost."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date, timedelta
from html import unescape
from pathlib import Path

import pytest
from office_page_support import browser_of, page_of, send, text_of
from starlette.testclient import TestClient

from aftersun.inventory.log import call_log
from aftersun.inventory.store import trail
from aftersun.inventory.store.file import Inventory
from aftersun.scoring.run.demo import Demo

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("page") / "demo"


@pytest.fixture(scope="module")
def client(demo: Demo, folder: Path) -> Iterator[TestClient]:
    with page_of(demo, folder) as client:
        yield client


@pytest.fixture
def inventory(client: TestClient, folder: Path) -> Iterator[Inventory]:
    """A further handle of this process, as the page holds the file."""
    with Inventory.open(folder / "demo.duckdb", read_only=True) as inventory:
        yield inventory


def called(client: TestClient, place: int) -> str:
    """The site of a call on the list."""
    page = client.get("/").text.split('id="calls"')[1]
    return re.findall(r'<td data-of="Site"><a href="/site\?site=(\w+)"', page)[place]


def test_nobody_stores_without_a_name_and_it_is_asked_once(client: TestClient, inventory: Inventory) -> None:
    site = called(client, 0)
    other = browser_of(client.app)
    code, page = send(other, "/call", f"/site?site={site}", who="", site=site, outcome="unreached")
    assert (code, "Say who you are first" in page) == (422, True)
    assert send(other, "/name", who="Jo Ä")[0] == 200
    assert "You are Jo Ä" in other.get("/").text
    code, page = send(other, "/call", f"/site?site={site}", who="", site=site, outcome="unreached")
    assert code == 200
    log = call_log.entries(inventory, site)
    assert list(log["outcome"]) == ["unreached"]
    added = trail.changes(inventory, site).query("table_name == 'call_log'")
    assert list(added["changed_by"]) == ["Jo Ä"]
    assert f"Recorded as entry {log['entry'].iloc[0]}" in page
    assert "Recorded as entry" not in other.get(f"/site?site={site}").text  # said once


def test_a_call_with_facts_is_logged_and_taken_back(client: TestClient, inventory: Inventory) -> None:
    site = called(client, 1)
    before = inventory.connection.execute("SELECT storeys FROM site WHERE site_id = ?", [site]).fetchall()
    answers = {"fact.storeys": "7", "remark": "<b>rang back</b>"}
    code, page = send(client, "/call", f"/site?site={site}", site=site, outcome="yes", retrofit="bird_mesh", **answers)
    assert code == 200
    assert "1 facts learnt" in page
    assert "&lt;b&gt;rang back&lt;/b&gt;" in page
    assert inventory.connection.execute("SELECT storeys FROM site WHERE site_id = ?", [site]).fetchall() == [(7,)]
    entry = str(call_log.entries(inventory, site)["entry"].iloc[-1])
    assert send(client, "/withdraw", "/journal", entry=entry, why="")[0] == 422
    assert send(client, "/withdraw", "/journal", entry=entry, why="wrong house")[0] == 200
    assert inventory.connection.execute("SELECT storeys FROM site WHERE site_id = ?", [site]).fetchall() == before
    assert call_log.entries(inventory, site).empty


def test_what_cannot_be_right_is_said_and_changes_nothing(client: TestClient, inventory: Inventory) -> None:
    site, before = called(client, 2), trail.newest(inventory)
    at = f"/site?site={site}"
    for address, fields, said in [
        ("/call", {"outcome": "later"}, "leave_until"),
        ("/call", {"outcome": "perhaps"}, "outcome"),
        ("/fact", {"column": "storeys", "value": "400"}, "storeys"),
        ("/fact", {"column": "customer_id", "value": "C1"}, "customer_id"),
        ("/withdraw", {"entry": "x", "why": "y"}, "no number"),
    ]:
        code, page = send(client, address, at, site=site, **fields)
        assert code == 422
        assert said in text_of(page)
    assert trail.newest(inventory) == before


def test_a_fact_is_answered_in_place_and_taken_back_by_its_number(client: TestClient, inventory: Inventory) -> None:
    site = called(client, 2)
    code, page = send(
        client, "/fact", f"/site?site={site}", site=site, column="module_gap_mm", value="77", origin="visit"
    )
    assert code == 200
    assert "module gap mm 77 mm visit" in text_of(page)
    number = inventory.connection.execute("SELECT max(fact) FROM fact_origin").fetchall()[0][0]
    assert send(client, "/take-back", "/journal", fact=str(number), why="other roof")[0] == 200
    assert "77" not in text_of(client.get(f"/site?site={site}").text).partition("What is known")[2]


def test_the_later_of_two_who_edit_a_site_is_told_and_may_go_on(client: TestClient, inventory: Inventory) -> None:
    site = called(client, 3)
    at, other = f"/site?site={site}", browser_of(client.app)
    token, seen = (re.search(rf'name="{name}" value="(\w+)"', other.get(at).text) for name in ("token", "seen"))
    assert token is not None
    assert seen is not None
    late = {"token": token[1], "seen": seen[1], "who": "Second", "site": site, "column": "storeys", "value": "29"}
    assert send(client, "/fact", at, who="First", site=site, column="storeys", value="28")[0] == 200
    answer = other.post("/fact", data=late)
    assert answer.status_code == 409
    assert "First" in answer.text
    assert inventory.connection.execute("SELECT storeys FROM site WHERE site_id = ?", [site]).fetchall() == [(28,)]
    again = dict(re.findall(r'name="(\w+)" value="([^"]*)"', answer.text.partition("What you sent")[2]))
    assert other.post("/fact", data=again).status_code == 200
    assert inventory.connection.execute("SELECT storeys FROM site WHERE site_id = ?", [site]).fetchall() == [(29,)]
    told = trail.changes(inventory, site).query("column_name == 'storeys'")
    assert list(told["changed_by"].tail(2)) == ["First", "Second"]


def test_an_objection_counts_at_once_everywhere(client: TestClient, inventory: Inventory) -> None:
    site = called(client, 0)
    phones = "SELECT phone FROM contact JOIN site USING (customer_id) WHERE site_id = ?"
    phone = inventory.connection.execute(phones, [site]).fetchall()[0][0]
    code, page = send(client, "/call", f"/site?site={site}", site=site, outcome="objection")
    assert code == 200
    assert "may not be called any more" in page
    assert called(client, 0) != site
    assert phone is None or phone not in page
    code, page = send(client, "/letter", f"/site?site={site}", site=site, **{"as": "issue"})
    assert code == 422
    assert inventory.connection.execute("SELECT count(*) FROM letter WHERE site_id = ?", [site]).fetchall() == [(0,)]


def test_who_asked_for_a_call_is_on_the_list_from_that_day_until_spoken_to(
    client: TestClient, inventory: Inventory
) -> None:
    site = called(client, 4)
    day = date.today() - timedelta(days=20)
    later = {"outcome": "later", "called_on": str(day), "leave_until": str(date.today())}
    assert send(client, "/call", f"/site?site={site}", site=site, **later)[0] == 200
    due = client.get("/").text.split('id="due"')[1].split('id="calls"')[0]
    assert f"site={site}" in due
    assert send(client, "/call", f"/site?site={site}", site=site, outcome="unreached")[0] == 200
    assert f"site={site}" in client.get("/").text.split('id="due"')[1].split('id="calls"')[0]
    assert send(client, "/call", f"/site?site={site}", site=site, outcome="no", retrofit="bird_mesh")[0] == 200
    assert f"site={site}" not in client.get("/").text.split('id="due"')[1].split('id="calls"')[0]


def test_a_notice_and_a_letter_are_looked_at_numbered_and_kept(
    client: TestClient, inventory: Inventory, folder: Path
) -> None:
    hazards = client.get("/").text.split('id="hazards"')[1].split('id="due"')[0]
    site = re.findall(r"site=(\w+)\"", hazards)[0]
    code, page = send(client, "/notice", site=site)
    assert code == 200
    assert f"{date.today().year}-000001, version 1" in page
    assert "-000001 of" in client.get("/").text.split('id="due"')[0]
    token = re.search(r'name="token" value="(\w+)"', client.get("/").text)
    assert token is not None
    for place in range(5):  # some calls are there to ask first, and have no letter yet
        site = called(client, place)
        draft = client.post("/letter", data={"token": token[1], "site": site, "as": "draft"})
        if draft.content.startswith(b"%PDF"):
            break
        assert "before the customer is asked" in draft.text
    assert draft.content.startswith(b"%PDF")
    issued = inventory.connection.execute("SELECT DISTINCT number FROM letter").fetchall()
    assert len(issued) == 1  # the draft is none
    code, page = send(client, "/letter", f"/site?site={site}", site=site, **{"as": "issue"})
    assert code == 200
    link = re.search(r'href="(/file\?number=[^"]*)"', page)
    assert link is not None
    assert client.get(unescape(link[1])).content.startswith(b"%PDF")
    by_day = {path.name for path in (folder / "letters").glob("*.pdf")}
    assert any(site in name for name in by_day)
