"""What done work delivered, as the workbook and the page show it: there where some was measured, and only there."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from delivered_support import measured_work
from reports.portfolio_page_browser import browser, open_page
from run_support import small

from aftersun.delivered.measure import store
from aftersun.documents.run_view import RunView
from aftersun.inventory.store.file import Inventory
from aftersun.scoring.run.rank import Settings, rank
from aftersun_reports.call_sheet import CallSheet
from aftersun_reports.portfolio_page import PortfolioPage

pytestmark = pytest.mark.slow
SHEET = "Promised and delivered"


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Folders with both outputs of one run: before anything was measured, and with two retrofits measured."""
    folder = tmp_path_factory.mktemp("delivered")
    made = small(folder / "made", 4)
    rank(made.inventory, Settings(made.company, date(2026, 6, 1)))
    few = measured_work(9, 0.6).assign(retrofit="monitoring_add_on", shared=False)
    few["site_id"] = "M" + few["site_id"].str.slice(1)
    without, with_work = folder / "without", folder / "with"
    for to in (without, with_work):
        to.mkdir()
        with Inventory.open(made.inventory, read_only=True) as inventory:
            view = RunView(inventory)
            CallSheet().write(view, to, {})
            PortfolioPage().write(view, to, {})
        with Inventory.open(made.inventory) as inventory:
            store(inventory, pd.concat([measured_work(), few], ignore_index=True))
    return without, with_work


def test_the_workbook_has_a_row_for_each_retrofit_that_was_measured(written: tuple[Path, Path]) -> None:
    without, with_work = (openpyxl.load_workbook(folder / "call_sheet.xlsx") for folder in written)
    assert SHEET not in without.sheetnames
    header, *rows = list(with_work[SHEET].iter_rows(min_row=3, values_only=True))
    found = {row[0]: dict(zip(header, row, strict=True)) for row in rows}
    assert set(found) == {"Bird mesh", "Monitoring with alerts"}
    mesh = found["Bird mesh"]
    # of 60 works one has no readings and two share their result with another retrofit; 80 % of promises came
    assert (mesh["works measured"], mesh["works not measured"]) == (57, 1)
    assert mesh["share that came, low"] < 0.8 < mesh["share that came, high"]
    bands = [mesh[name] for name in ("below P90", "P90 to promise", "promise to P10", "above P10")]
    assert sum(bands) == 57
    assert bands[0] > 57 * 0.3
    assert mesh["beyond the promise [kWh/a]"] == pytest.approx(-60.0, rel=0.25)
    assert found["Monitoring with alerts"]["share of all roofs"] == pytest.approx(0.6, abs=0.1)
    explained = {(row[0], row[1]) for row in with_work["How to read this"].iter_rows(values_only=True)}
    assert {(SHEET, name) for name in header} <= explained


@pytest.mark.browser
@pytest.mark.parametrize("width", [1400, 390])
def test_the_page_draws_both_pictures_and_fits_the_screen(written: tuple[Path, Path], width: int) -> None:
    without, with_work = written
    with browser() as started:
        opened = open_page(started, with_work / "portfolio.html", viewport={"width": width, "height": 900})
        part = opened.page.locator("#delivered-part")
        assert part.is_visible()
        assert "57" in part.inner_text()
        assert part.locator("#forest-chart .errorbars path, #forest-chart .errorbar").count() >= 4
        assert part.locator("#bands-chart .bars .point").count() >= 6  # an empty band has no bar everywhere
        assert opened.page.evaluate("document.documentElement.scrollWidth") <= width
        assert not opened.complaints
        empty = open_page(started, without / "portfolio.html", viewport={"width": width, "height": 900})
        assert not empty.page.locator("#delivered-part").is_visible()
        assert not empty.page.locator("#delivered-link").is_visible()
        assert not empty.complaints
