"""The office's page in a real browser: a day of an office, two browsers at once, on a desk and on a phone."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from demo_support import CALLED_TO_OFFER
from office_page_support import served
from playwright.sync_api import Page, expect
from reports.portfolio_page_browser import browser

from aftersun.scoring.run.demo import Demo

pytestmark = [pytest.mark.slow, pytest.mark.browser]
DESK = {"width": 1400, "height": 900}
PHONE = {"width": 390, "height": 844}
SITE = f"S{CALLED_TO_OFFER[0]:04d}"
WIDER = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"


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
        # while somebody is on the phone
        first.get_by_role("link", name="People").click()
        first.get_by_label("Name, street, town, phone or number").press_sequentially(SITE.lower())
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
        }.items():
            phone.goto(office.address + address)
            phone.screenshot(path=tmp_path / f"{name}-390.png", full_page=True)
            assert phone.evaluate(WIDER) <= 0, name
        # by keyboard alone: past the head, then to the first thing in it
        phone.goto(office.address)
        phone.keyboard.press("Tab")
        assert phone.evaluate("() => document.activeElement.textContent") == "To the content"
