"""The six lines: figures as stored, each fits a terminal, hazards are never left out."""

from __future__ import annotations

import shutil
from pathlib import Path

from aftersun.documents.run_view import RunView
from aftersun.documents.summary import summary
from aftersun.inventory.store.file import Inventory
from aftersun.scoring.run.demo import Demo


def test_six_lines_as_wide_as_the_terminal_with_the_stored_figures(demo: Demo) -> None:
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        view = RunView(inventory)
        lines, narrow = summary(view, 100), summary(view, 60)
        (total,) = view.table("run_value").query("retrofit == ''").to_dict("records")
        told = view.to_tell()["site_id"].nunique()
        called = len(view.calls())
        by_notice, passing = ((view.table("call")["kind"] == kind).sum() for kind in ("notice", "in_passing"))
    assert 5 <= len(lines) <= 6
    assert max(map(len, lines)) <= 100
    assert max(map(len, narrow)) <= 60
    found = {line[:13].strip(): line[13:] for line in lines}
    assert found["hazards"].startswith(f"at {told} sites: notify these owners; {by_notice} by letter")
    assert (f"{passing} in passing" in found["recommended"]) == (passing > 0)
    assert found["net benefit"].startswith(f"{total['npv']:,.0f} EUR for all owners together; 80 % range")
    assert found["net benefit"].endswith(f"{total['npv_p90']:,.0f} to {total['npv_p10']:,.0f}")
    assert found["calls"].startswith(f"{called} customers")
    assert "of 44 sites" in found["recommended"]  # of the 45 one has no tariff


def test_sites_that_only_the_drive_limit_rules_out_are_counted(demo: Demo, tmp_path: Path) -> None:
    copy = tmp_path / "demo.duckdb"
    shutil.copy(demo.inventory, copy)
    with Inventory.open(copy) as inventory:
        told = "UPDATE call SET excluded_reason = 'too_far', excluded_detail = '93' WHERE excluded_reason = 'no_offer'"
        inventory.connection.execute(told)
        view = RunView(inventory)
        far = int((view.table("call")["excluded_reason"] == "too_far").sum())
        assert far
        assert any(f"{far} too far" in line for line in summary(view, 100))
        assert view.excluded()["too far (93 km)"] == far


def test_what_is_worth_it_only_if_the_answers_allow_it_is_counted_apart(demo: Demo) -> None:
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        view = RunView(inventory)
        lines, offers, found = summary(view, 100), view.table("offer").query("npv > 0"), view.worth_it()
    sure = set(offers.query("chance_allowed == 1")["site_id"])
    asked = set(offers["site_id"]) - sure
    assert asked
    assert found == (len(sure), len(asked))
    (told,) = (line for line in lines if line.startswith("recommended"))
    assert f"at {len(sure)} of 44 sites; {len(asked)} more if asked first" in told
