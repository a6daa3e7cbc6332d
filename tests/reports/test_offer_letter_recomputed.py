"""Price, saving, payback, net benefit and course of a letter, recomputed from the letter's own text alone."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from letter_support import HEAD, StoredRun
from pypdf import PdfReader

from aftersun import api
from aftersun.documents.letters.compose import Choices, compose
from aftersun.documents.run_view import RunView
from aftersun.inventory.store.file import Inventory
from aftersun.scoring.run.demo import Demo
from aftersun_reports.offer_letter import JobSheet, OfferLetter

pytestmark = pytest.mark.slow  # a dozen letters of the demo


@pytest.fixture(scope="module")
def letters(demo: Demo) -> Iterator[tuple[api.Letter, ...]]:
    """Letters to all of the demo's call list to whom something is sold or told."""
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        view = RunView(inventory)
        sites = list(view.calls_to_write()["site_id"])
        yield compose(inventory, view, sites, Choices(), date(2026, 6, 2), batch=True).letters


def number(text: str) -> float:
    return float(text.replace("\u2212", "-").replace(",", ""))


def unit(amount: float) -> float:
    """Half the unit that a computed amount is rounded to: hundreds from 10,000 on."""
    return 0.5 if abs(amount) < 9_950 else 50.0


NUMBER = r"(\u2212?[\d,]+(?:\.\d+)?)"


def test_every_figure_of_page_one_follows_from_the_others(letters: tuple[api.Letter, ...], tmp_path: Path) -> None:
    sold = [letter for letter in letters if letter.options[0].offer and not letter.options[0].safety_remedial]
    assert len(sold) >= 5
    needed = 0
    for path in OfferLetter().write(StoredRun(sold, HEAD), tmp_path, {}):
        pages = [" ".join(page.extract_text().split()) for page in PdfReader(path).pages]
        first, text = pages[0], " ".join(pages)
        parts = re.search(rf"If needed, plus {NUMBER} EUR: .+? count {NUMBER} EUR for it", first)
        counted = number(parts[2]) if parts else 0.0
        needed += bool(parts)
        said = re.search(
            rf"It costs {NUMBER} EUR(?: and then [\d.,]+ EUR a year\. With that charge taken off it| and) "
            rf"should save you about {NUMBER} EUR a year over (\d+) years",
            first,
        )
        if "It has no price: you pay" in first:
            continue
        net = re.search(rf"you should be left with about {NUMBER} EUR", first)
        rate = re.search(r"counts less, by ([\d.]+) % a year", text)
        assert said
        assert net
        assert rate
        price, yearly, years = number(said[1]), number(said[2]), int(said[3])
        net_benefit, r = number(net[1]), float(rate[1]) / 100
        annuity = (1 - (1 + r) ** -years) / r
        # one convention: what may be needed is not in the price, and all else counts it at its chance
        assert yearly * annuity - price - counted == pytest.approx(net_benefit, abs=0.5 * annuity + unit(net_benefit))
        # the same figures wherever they stand: key figures, choices to sign, and what the price consists of
        assert text.count(said[1]) >= 4
        assert len(set(re.findall(r"paid back after ([\d.]+) years", text))) <= 1
        assert text.count(f"{net[1]} EUR") >= 3
        course = added_up(path)
        assert list(course) == list(range(years + 1))
        assert course[0] == pytest.approx(-price - counted, abs=0.01 + unit(price))
        assert course[years] == pytest.approx(net_benefit, abs=0.01 + 2 * unit(net_benefit))
        payback = re.search(r"paid back after ([\d.]+) years", first)
        if payback is None:
            assert f"not paid back within {years} years" in first
            assert all(money < 1 for money in course.values())
            continue
        after = next(year for year, money in course.items() if money >= 0)
        before, reached = course[after - 1], course[after]
        assert float(payback[1]) == pytest.approx(after - 1 - before / (reached - before), abs=0.15)
    assert needed >= 3


def test_the_headline_of_every_letter_is_that_of_the_run_and_lies_within_its_range(
    letters: tuple[api.Letter, ...], demo: Demo
) -> None:
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        stored = RunView(inventory).table("offer").set_index(["site_id", "offer"])["npv"]
    options = [(letter.site_id, one) for letter in letters for one in letter.options if one.offer]
    assert len(options) >= 15
    for site, one in options:  # remedies for safety too
        assert one.npv_p90 is not None
        assert one.npv_p10 is not None
        assert one.yearly_p90 is not None
        assert one.yearly_p10 is not None
        assert one.npv == pytest.approx(stored[site, one.offer], abs=0.005)
        assert one.npv_p90 <= one.npv <= one.npv_p10
        assert one.yearly_p90 <= one.yearly <= one.yearly_p10


def test_the_lines_of_a_price_add_up_to_it_without_what_comes_on_top_if_needed(
    letters: tuple[api.Letter, ...], tmp_path: Path
) -> None:
    """Quantities of the price are decided; what may be needed is a line of its own, "if needed, plus X"."""
    shares = 0
    alone = [letter for letter in letters if sum(bool(option.offer) for option in letter.options) == 1]
    for path in OfferLetter().write(StoredRun(alone, HEAD), tmp_path, {}):
        text = "\n".join(page.extract_text() for page in PdfReader(path).pages)
        price = re.search(rf"It costs\s+{NUMBER}\s+EUR", text)
        _, found, lines = text.partition("What the price is")
        if not price or not found:
            continue
        lines, _, more = re.split(r"Saving a year", lines)[0].partition("If needed, plus")
        lines = re.split(r"Paid besides|Gained once|Saving a year|To be looked at first", lines)[0]
        amounts = amounts_of(lines)
        assert "flat share" not in text
        if more:
            shares += 1
            *whole, counted = (number(amount) for amount in re.findall(r"(?m)([\d,]+\.\d\d)$", more))
            flat, top = " ".join(text.split()), f"{sum(whole):,.2f} EUR"
            assert 0 < counted < sum(whole)
            assert f"If needed, plus {top}: " in flat
            assert f"{sum(amounts_of(lines)):,.2f} EUR, if needed plus {top}" in flat
        if amounts:
            assert sum(amounts) == pytest.approx(number(price[1]), abs=0.005 * len(amounts) + 0.001), lines
    assert shares > 0


def amounts_of(lines: str) -> list[float]:
    """Return the amounts at the ends of lines."""
    return [number(amount) for amount in re.findall(r"(?m)([\d,]+\.\d\d)$", lines)]


def added_up(path: Path) -> dict[int, float]:
    """Return by year what the annex shows of the first choice."""
    for page in PdfReader(path).pages:
        _, found, table = page.extract_text().partition("Added up year by year, in today\u2019s money")
        if not found:
            _, found, table = page.extract_text().partition("Added up year by year, in today's money")
        if found:
            rows = re.findall(rf"(?m)^(\d+) ?\n?{NUMBER}\b", table)
            course: dict[int, float] = {}
            for year, money in rows:
                if int(year) == len(course):
                    course[int(year)] = number(money)
            return course
    return {}


def test_no_note_is_lost_between_letter_and_job_sheet_and_a_job_is_one_page(
    letters: tuple[api.Letter, ...], tmp_path: Path
) -> None:
    (tmp_path / "jobs").mkdir()
    (tmp_path / "letters").mkdir()
    sheets = JobSheet().write(StoredRun(letters, HEAD), tmp_path / "jobs", {})
    papers = OfferLetter().write(StoredRun(letters, HEAD), tmp_path / "letters", {})
    for letter, sheet, paper in zip(letters, sheets, papers, strict=True):
        jobs = [option for option in letter.options if option.offer]
        pages = [bare(page.extract_text()) for page in PdfReader(sheet).pages]
        assert len(pages) == len(jobs)
        for page, job in zip(pages, jobs, strict=True):
            for note in (*job.notes, *letter.dangers):
                assert bare(note.text) in page
                assert bare(note.who) in page
        text = "".join(page.extract_text() for page in PdfReader(paper).pages)
        assert all(bare(note.text) in bare(text) for note in letter.dangers)
        assert not re.search(r"(?m)(?:valve|element|pair|device|visit|module)s?, \d*\.\d", text)  # no piece in parts


def bare(text: str) -> str:
    return re.sub(r"[\s\u00a0\u200b\u00ad\u2010-]", "", text)
