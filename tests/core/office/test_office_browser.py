"""The office's page in a real browser: a day of an office, two browsers at once, on a desk and on a phone."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from demo_support import CALLED_TO_OFFER
from list_in_support import LIST, office_without_customers
from office_page_support import served
from playwright.sync_api import Page, Route, expect
from reports.portfolio_page_browser import browser

from aftersun.scoring.run.demo import Demo

pytestmark = [pytest.mark.slow, pytest.mark.browser]
DESK = {"width": 1400, "height": 900}
PHONE = {"width": 390, "height": 844}
SITE = f"S{CALLED_TO_OFFER[0]:04d}"
WIDER = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"


def picture(page: Page, name: str) -> None:
    """Take the picture that the README shows, into the folder that AFTERSUN_PICTURES names, if any."""
    if folder := os.environ.get("AFTERSUN_PICTURES"):
        page.screenshot(path=Path(folder) / f"{name}.png")


def listening(page: Page) -> list[str]:
    """Keep what the console says."""
    complaints: list[str] = []
    page.on("console", lambda line: complaints.append(line.text) if line.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    return complaints


def test_a_day_of_an_office(demo: Demo, tmp_path: Path) -> None:
    shutil.copytree(demo.inventory.parent, tmp_path / "demo")
    with served(tmp_path / "demo" / demo.inventory.name) as office, browser() as started:
        first, second = (started.new_context(viewport=DESK).new_page() for _ in range(2))
        for page in (first, second):
            page.set_default_timeout(120_000)
        expect.set_options(timeout=120_000)
        complaints = listening(first)
        first.goto(office.address)
        first.get_by_label("Your name").first.fill("Kim")
        first.get_by_role("button", name="That is me").click()
        expect(first.get_by_text("You are Kim")).to_be_visible()
        first.screenshot(path=tmp_path / "today.png", full_page=True)
        picture(first, "office-today")
        # while somebody is on the phone, typed before the page's script has come
        held: list[Route] = []
        first.route("**/htmx.min.js", lambda route: held.append(route))
        first.get_by_role("link", name="People").click()
        first.get_by_label("Name, street, town, phone or number").press_sequentially(SITE.lower())
        held[0].continue_()
        first.unroute("**/htmx.min.js")
        first.locator("#found").get_by_role("link", name=SITE).click()
        expect(first.get_by_role("heading", level=1)).to_contain_text(SITE)
        first.screenshot(path=tmp_path / "site.png", full_page=True)
        second.goto(f"{office.address}/site?site={SITE}")  # and a colleague has the same site open
        form = first.locator("section", has=first.get_by_role("heading", name="Log a call"))
        form.get_by_label("What came of it").select_option("unreached")
        form.get_by_label("Remark").fill("<i>rings again</i>")
        form.get_by_role("button", name="Log the call").click()
        expect(first.get_by_role("status")).to_contain_text("Recorded as entry 1")
        expect(first.get_by_text("<i>rings again</i>")).to_be_visible()
        other = second.locator("section", has=second.get_by_role("heading", name="Log a call"))
        other.get_by_label("Your name").fill("Lee")
        other.get_by_label("What came of it").select_option("no")
        other.get_by_role("button", name="Log the call").click()
        expect(second.get_by_role("heading", level=1)).to_have_text("Somebody else was at this site meanwhile")
        expect(second.locator("main table")).to_contain_text("Kim")
        second.screenshot(path=tmp_path / "overtaken.png", full_page=True)
        second.get_by_role("button", name="Store it all the same").click()
        expect(second.get_by_role("status")).to_contain_text("Recorded as entry 2")
        first.get_by_role("link", name="Journal").click()
        first.screenshot(path=tmp_path / "journal.png", full_page=True)
        for name in ("Letters", "Company", "Ranking"):
            first.get_by_role("navigation").get_by_role("link", name=name).click()
            first.screenshot(path=tmp_path / f"{name.lower()}.png", full_page=True)
        assert complaints == []
        phone = started.new_context(viewport=PHONE).new_page()
        phone.set_default_timeout(120_000)
        for name, address in {
            "today": "/",
            "site": f"/site?site={SITE}",
            "people": "/people?q=a",
            "company": "/company",
            "what-if": "/what-if",
            "list": "/list",
        }.items():
            phone.goto(office.address + address)
            phone.screenshot(path=tmp_path / f"{name}-390.png", full_page=True)
            assert phone.evaluate(WIDER) <= 0, name
        # by keyboard alone: past the head, then to the first thing in it
        phone.goto(office.address)
        phone.keyboard.press("Tab")
        assert phone.evaluate("() => document.activeElement.textContent") == "To the content"


def test_a_messy_list_becomes_calls_then_a_logged_call_then_a_letter(tmp_path: Path) -> None:
    """As a new office does it on its first day, with nothing but its list, a company file and the weather."""
    office = office_without_customers(tmp_path / "demo")
    (tmp_path / "our roofs.csv").write_text(LIST, encoding="utf-8")
    with served(office.inventory) as served_at, browser() as started:
        page = started.new_context(viewport=DESK).new_page()
        page.set_default_timeout(120_000)
        expect.set_options(timeout=120_000)
        complaints = listening(page)
        page.goto(served_at.address)
        expect(page.get_by_text("Nothing has been ranked yet")).to_be_visible()
        page.get_by_role("link", name="a list of customers").click()
        page.locator("main").get_by_label("Your name").fill("Kim")
        page.get_by_label("List", exact=True).set_input_files(tmp_path / "our roofs.csv")
        page.get_by_role("button", name="Look at it").click()
        expect(page.get_by_text("our-roofs.csv: 5 rows. Nothing is stored yet.")).to_be_visible()
        expect(page.get_by_label("What Size (kWp) is")).to_have_value("array.dc_rating_kw")
        page.screenshot(path=tmp_path / "list.png", full_page=True)
        picture(page, "office-list")
        page.get_by_label("Pitch of line 5").fill("22")
        page.get_by_label("On what does that rest").fill("agreement in the service contract")
        page.get_by_role("button", name="Yes, store it").click()
        expect(page.get_by_role("status")).to_contain_text("What you changed was read first")
        expect(page.get_by_role("heading", name="Doubtful cells")).to_have_count(0)
        page.get_by_role("button", name="Yes, store it").click()
        expect(page.get_by_text("customer: 5 rows, 5 added, 0 changed, 0 unchanged, 0 rejected.")).to_be_visible()
        page.get_by_role("button", name="Rank now").click()
        expect(page.get_by_text("stored as run")).to_be_visible()
        page.get_by_role("link", name="Today").click()
        calls = page.locator("section", has=page.get_by_role("heading", name="Calls to make"))
        expect(calls.get_by_text("Home 901")).to_be_visible()
        assert "904" not in calls.inner_text()  # who may not be called
        calls.locator("tr", has_text="Home 901").get_by_role("link").first.click()
        form = page.locator("section", has=page.get_by_role("heading", name="Log a call"))
        form.get_by_label("What came of it").select_option("yes")
        form.get_by_label("About nothing in particular").select_option("bird_mesh")
        form.get_by_role("button", name="Log the call").click()
        expect(page.get_by_role("status").first).to_contain_text("Recorded as entry 1")
        page.get_by_role("button", name="Number and keep it").click()
        expect(page.get_by_role("status").first).to_contain_text("-000001, version 1, is written and kept.")
        page.screenshot(path=tmp_path / "letter.png", full_page=True)
        link = page.locator("section", has=page.get_by_role("heading", name="Letters")).get_by_role("link").first
        letter = page.request.get(served_at.address + str(link.get_attribute("href")))
        assert letter.body().startswith(b"%PDF")
        assert complaints == []
