"""Screens of the office's page show what the views say, to the office's browsers alone."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from demo_support import NOT_CALLED
from office_page_support import HOST, browser_of, page_of, text_of
from starlette.testclient import TestClient

from aftersun.documents.run_view import RunView
from aftersun.inventory.store.file import Inventory
from aftersun.office.guard import SESSION
from aftersun.scoring.run.demo import Demo

SCREENS = (
    "/",
    "/people",
    "/people?q=a",
    "/found?q=a",
    "/list",
    "/what-if",
    "/letters",
    "/company",
    "/journal",
    "/run",
    "/run-state",
)


@pytest.fixture(scope="module")
def client(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with page_of(demo, tmp_path_factory.mktemp("page") / "demo") as client:
        yield client


@pytest.fixture(scope="module")
def view(demo: Demo) -> Iterator[RunView]:
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        yield RunView(inventory)


@pytest.mark.parametrize("address", SCREENS)
def test_every_screen_answers(client: TestClient, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code == 200
    assert "<script>" not in answer.text
    assert "style=" not in answer.text


def test_today_has_every_hazard_first_and_the_calls_in_order(client: TestClient, view: RunView) -> None:
    page = client.get("/").text
    hazards, rest = page.split('id="due"')
    linked = re.findall(r"site=(\w+)\"", hazards.split('id="hazards"')[1])
    assert linked == list(view.hazards()["site_id"])
    calls = view.calls()
    wanted = list(calls.loc[calls["kind"].isin(["offer", "service"]), "site_id"])
    assert re.findall(r'<td data-of="Site"><a href="/site\?site=(\w+)"', rest.split('id="calls"')[1]) == wanted


def test_no_safety_note_of_a_site_is_lost(client: TestClient, view: RunView) -> None:
    notes = view.table("safety_note")
    site = notes.groupby("site_id")["note_id"].nunique().idxmax()
    shown = text_of(client.get(f"/site?site={site}").text)
    for note in notes[notes["site_id"] == site].drop_duplicates("note_id").itertuples():
        assert f"[{note.note_id}] {' '.join(note.text.split())}" in shown
    told = view.to_tell()
    for note in told[told["site_id"] == site].itertuples():
        assert f"Known hazard, notify the owner. {note.text}" in shown


def test_a_site_shows_its_verdicts_facts_with_origin_and_what_to_ask(client: TestClient, view: RunView) -> None:
    questions = view.questions()
    site = questions["site_id"].iloc[0]
    page = client.get(f"/site?site={site}").text
    shown = text_of(page)
    assert page.index('id="verdicts"') < page.index('id="notes"') < page.index('id="facts"')
    for title in (view.titles()[name] for name in view.table("ranking", site)["retrofit"]):
        assert title in shown
    assert questions["question"].iloc[0] in shown
    assert re.search(r"site\.csv, \d{4}-\d\d-\d\d", shown)  # where its facts are from


def test_a_site_shows_its_newest_readings(client: TestClient, view: RunView) -> None:
    query = "SELECT count(*), max(starts_at) FROM reading WHERE site_id = 'S0070'"
    count, newest = view.inventory.connection.execute(query).fetchall()[0]
    shown = text_of(client.get("/site?site=S0070").text).partition("Readings ")[2]
    assert count > 0
    assert shown.startswith(f"{count} Meter From Until")
    assert f"{newest:%Y-%m-%d}" in shown[:150]


def test_people_are_found_by_name_street_number_and_phone(client: TestClient, view: RunView) -> None:
    called = view.contacts().dropna(subset=["name", "phone", "street"]).iloc[0]
    sites = view.sites().set_index("customer_id")["site_id"]
    site = sites.loc[[called["customer_id"]]].iloc[0]
    for text in (called["name"].upper()[:6], called["street"][:6], site, called["customer_id"], called["phone"][-6:]):
        assert f"site={site}" in client.get("/found", params={"q": text}).text, text
    assert called["phone"] in client.get("/found", params={"q": site}).text
    assert "Nobody is found" in client.get("/found", params={"q": "no such person"}).text


def test_who_may_not_be_called_has_no_phone_number_on_any_screen(client: TestClient, view: RunView) -> None:
    rules, sites = view.contact_rules(), view.sites()
    closed = sites[sites["customer_id"].map(rules) != ""]
    assert len(closed) > len(NOT_CALLED) / 2
    numbers = dict(view.inventory.connection.execute("SELECT customer_id, phone FROM contact").fetchall())
    phones = {numbers[customer] for customer in closed["customer_id"] if numbers.get(customer)}
    pages = [client.get(address).text for address in SCREENS]
    pages += [client.get(f"/site?site={site}").text for site in closed["site_id"].head(5)]
    pages += [client.get("/found", params={"q": phone}).text.partition("<tbody>")[2] for phone in sorted(phones)[:3]]
    for phone in phones:
        assert not any(phone in page for page in pages)


def test_an_unknown_site_and_address_are_said(client: TestClient) -> None:
    answer = client.get("/site?site=../../etc/passwd")
    assert answer.status_code == 422
    assert "There is no such site" in answer.text
    assert client.get("/no-such-screen").status_code == 404
    assert client.get("/static/../guard.py").status_code == 404


def test_a_text_that_is_markup_stays_a_text(client: TestClient) -> None:
    answer = client.get("/people", params={"q": "<script>alert(1)</script>\"'"})
    assert "<script>alert" not in answer.text
    assert "&lt;script&gt;" in answer.text


def test_another_host_or_origin_is_not_let_in(client: TestClient) -> None:
    assert client.get("/", headers={"host": "evil.example"}).status_code == 403
    assert client.get("/", headers={"host": f"{HOST}.evil.example"}).status_code == 403
    assert client.post("/call", headers={"origin": "http://evil.example"}).status_code == 403
    assert client.post("/call", headers={"origin": "null"}).status_code == 403
    assert client.put("/call").status_code == 403


def test_every_form_needs_the_token_of_its_session(client: TestClient) -> None:
    paths = [route.path for route in client.app._app.routes if "POST" in (getattr(route, "methods", None) or ())]
    assert len(paths) > 8
    stranger = browser_of(client.app)
    token = re.search(r'name="token" value="(\w+)"', client.get("/").text)
    assert token is not None
    for path in paths:
        for given in ({}, {"token": "x"}, {"token": token[1]}):
            assert stranger.post(path, data={**given, "who": "Kim"}).status_code == 403, path


def test_headers_shut_the_page_in(client: TestClient) -> None:
    for address in (*SCREENS, "/static/htmx.min.js", "/no-such-screen"):
        headers = client.get(address).headers
        assert headers["content-security-policy"].startswith("default-src 'none'; script-src 'self'; style-src 'self'")
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["cache-control"] == "no-store"
    cookie = browser_of(client.app).get("/").headers["set-cookie"]
    assert cookie.startswith(f"{SESSION}=")
    assert "HttpOnly; SameSite=Strict" in cookie


def test_what_is_too_large_is_not_read(client: TestClient) -> None:
    assert client.post("/call", content=b"x" * 300_000).status_code == 403


def test_a_mistake_of_the_program_names_no_customer_in_the_log(
    client: TestClient, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object) -> None:
        raise ValueError("Erika Mustermann")

    monkeypatch.setattr("aftersun.office.screens.today", broken)
    with caplog.at_level(logging.DEBUG):
        answer = client.get("/")
    assert answer.status_code == 500
    assert "ValueError (test_screens.py, line" in caplog.text
    assert "Mustermann" not in caplog.text + answer.text


def test_what_the_page_makes_beside_the_inventory_is_private_and_goes_with_it(demo: Demo, tmp_path: Path) -> None:
    with page_of(demo, tmp_path / "demo"):
        there = {path for path in (tmp_path / "demo").rglob("*.*") if "demo.duckdb." in path.name}
        assert {path.name for path in there} == {".demo.duckdb.held", ".demo.duckdb.office"}
        assert all(path.stat().st_mode & 0o077 == 0 for path in there)
    assert not list((tmp_path / "demo").glob(".*"))
