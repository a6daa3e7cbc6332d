"""A system that stands still, followed from its readings to list, site report, sheet, page and summary."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import duckdb
import openpyxl
import pytest
from call_sheet_support import rows
from readings_support import grid, readings
from run_support import small

from aftersun.cli.call_list import calls_as_data, show_calls
from aftersun.cli.site_report import show_report
from aftersun.documents.run_view import RunView
from aftersun.documents.summary import summary
from aftersun.inventory.store.file import Inventory
from aftersun.model.codes import TO_WARN, CallKind
from aftersun.scoring.run.demo import AS_OF
from aftersun.scoring.run.rank import rank
from aftersun_reports.call_sheet import CallSheet
from aftersun_reports.portfolio_page import PortfolioPage

pytestmark = pytest.mark.slow  # a run of its own

SAID = "by its meter the system has stood still since"
SPOKEN = "By your meter your solar system has stood still since"


@pytest.fixture(scope="module")
def view(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunView]:
    """Twelve sites of the demo of which all but the last have meters that show nothing from March on."""
    made = small(tmp_path_factory.mktemp("standing"), 12)
    starts, ends = grid("MS", "2025-03-01", str(AS_OF.replace(day=1)))
    with duckdb.connect(str(made.inventory)) as connection:
        sites = [site for (site,) in connection.execute("SELECT site_id FROM site ORDER BY site_id").fetchall()]
        connection.execute("DELETE FROM reading")
        for site in sites[:-1]:
            connection.register("zeros", readings(site, "production", starts, ends, [0.0] * len(starts)))
            connection.execute("INSERT INTO reading BY NAME SELECT * FROM zeros")
    rank(made.inventory, made.settings())
    with Inventory.open(made.inventory, read_only=True) as inventory:
        yield RunView(inventory)


def test_they_are_called_after_the_dangers_or_told_by_notice_and_nothing_is_sold_there(view: RunView) -> None:
    calls = view.table("call").set_index("site_id")
    still = view.table("site_evidence").query("idle_since.notna()")["site_id"]
    assert len(still) == 11
    allowed = still[~still.isin(view.may_not_be_called())]
    assert calls.loc[allowed, "position"].notna().all()
    served = calls[calls["kind"] == CallKind.SERVICE]
    assert len(served) >= 2
    assert served["retrofit"].isna().all()
    assert set(calls.loc[still, "kind"]) <= {*TO_WARN, CallKind.SERVICE}
    assert calls.loc[calls["kind"].isin(TO_WARN), "position"].max() < served["position"].min()
    cost = view.table("site_evidence").set_index("site_id")["idle_cost_a_month"]
    assert cost[served.sort_values("position").index].is_monotonic_decreasing
    assert (cost[still] > 0).all()


def test_every_way_to_look_says_so(
    view: RunView, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "140")
    served = view.calls().query("kind == 'service'")
    site, row = str(served["site_id"].iloc[0]), view.table("site_evidence").set_index("site_id")
    month = f"{row.loc[site, 'idle_cost_a_month']:,.0f}"
    assert SPOKEN in view.call_texts()[site]
    assert f"you lose about {month} {view.currency} a month" in view.call_texts()[site]
    show_calls(view, 10)
    printed = " ".join(capsys.readouterr().out.split())
    assert printed.count("system has stopped: service") == len(served)
    assert "Stopped systems whose owners may not be called about offers" in printed
    show_calls(view, 10, in_full=True)
    printed = " ".join(capsys.readouterr().out.split())
    assert printed.count(SPOKEN) == view.calls()["site_id"].isin(row.index).sum()
    show_report(view, site, None, ())
    assert SAID in " ".join(capsys.readouterr().out.split())
    assert [call["site_id"] for call in calls_as_data(view, 10)["to_serve"]] == list(served["site_id"])
    assert any(f"{len(served)} stopped systems" in line for line in summary(view, 100))
    (sheet,) = CallSheet().write(view, tmp_path, {})
    book = openpyxl.load_workbook(sheet)
    mine = next(line for line in rows(book["Details"]) if line["site"] == site)
    assert mine["kind of call"] == "service: system has stopped"
    call = next(line for line in rows(book["Calls"]) if line["call"] == mine["call"])
    assert SPOKEN in call["what to say"]
    assert call["offer, price with tax"] == "service: system has stopped"
    assert PortfolioPage().write(view, tmp_path, {})
