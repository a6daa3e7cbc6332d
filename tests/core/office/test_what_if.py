"""What-if on the page says what the command line says, is computed beside the page, and stores nothing."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator

import pytest
from office_page_support import page_of, send, text_of
from starlette.testclient import TestClient

from aftersun.documents.run_view import RunView
from aftersun.inventory.store.file import Inventory
from aftersun.model.shown import amount, money
from aftersun.scoring.run.demo import Demo
from aftersun.scoring.run.what_if import Comparison, suppose
from aftersun.wording import status_text

pytestmark = pytest.mark.slow
HIGHER = {"tariff.export_price": "0.3", "money.real_discount_rate": "0.01"}


@pytest.fixture(scope="module")
def client(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with page_of(demo, tmp_path_factory.mktemp("supposing") / "demo") as client:
        yield client


def asked(client: TestClient, **fields: str) -> str:
    """Ask, wait until it is computed, and return the page."""
    code, page = send(client, "/what-if", "/what-if", **fields)
    assert code == 200
    number = re.search(r"number=(\w+)", page)
    assert number is not None, text_of(page)
    for _ in range(2000):
        page = client.get(f"/what-if?number={number[1]}").text
        if "Asked by" not in page:
            return text_of(page)
        threading.Event().wait(0.1)
    raise AssertionError("it never ended")


def supposed(demo: Demo, site: str | None = None) -> tuple[RunView, Comparison]:
    changes = [f"{place}={value}" for place, value in HIGHER.items()]
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        view = RunView(inventory)
        return view, suppose(inventory, view.run, view.table("ranking", site), changes, site)


def test_of_one_site_it_says_what_the_command_says_and_no_safety_note_is_lost(client: TestClient, demo: Demo) -> None:
    site = "S0010"
    page = asked(client, site=site, **HIGHER)
    _, compared = supposed(demo, site)
    assert len(compared.rows) > 3
    for row in compared.rows.to_dict("records"):
        for which in ("stored", "supposed"):
            assert f"{money(row[f'npv_{which}'])} {status_text(row[f'status_{which}'])}" in page
    assert len(compared.notes) > 0
    for note in compared.notes["text"]:
        assert " ".join(note.split()) in page


def test_of_all_sites_it_counts_what_is_offered_and_what_turns(client: TestClient, demo: Demo) -> None:
    before = client.get("/").text
    page = asked(client, site="", **HIGHER)
    _, compared = supposed(demo)
    for name, (count, worth) in compared.offered("supposed").items():
        stored = compared.offered("stored")[name]
        assert f"{stored[0]} {amount(stored[1])} {count} {amount(worth)}" in page, name
    assert f"The advice turns {len(compared.turned())}" in page
    for note in compared.notes["text"]:
        assert " ".join(note.split()) in page
    assert client.get("/").text == before


def test_nothing_different_and_what_cannot_be_are_said(client: TestClient) -> None:
    code, page = send(client, "/what-if", "/what-if", site="")
    assert (code, "Move a slider first" in page) == (422, True)
    code, page = send(client, "/what-if", "/what-if", site="S9999", **HIGHER)
    assert (code, "no such site" in page) == (422, True)
    assert "needs a number" in asked(client, site="", **{"money.real_discount_rate": "cheap"})
    code, page = send(client, "/what-if-state?number=../x", "/what-if", site="")
    assert code == 405
