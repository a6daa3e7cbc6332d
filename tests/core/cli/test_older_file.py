"""Inventories that older programs made, with their stored runs: every command works, also after columns were added."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from old_inventory_support import add_columns, unpacked

import aftersun_datasets

OLDER = {
    "run-layout-2": ("S0160", "melted or unequal plugs"),
    "run-layout-3": ("S0127", "hot, browned or melted plug"),
    "demo-0.1.0": ("S0127", "hot, browned or melted plug"),
    "demo-0.2.0": ("S0127", "hot, browned or melted plug"),
    "demo-layout-29": ("S0127", "hot, browned or melted plug"),
    "demo-layout-30": ("S0156", "hot, browned or melted plug"),
    "demo-layout-32": ("S0156", "hot, browned or melted plug"),
    "demo-layout-33": ("S0156", "hot, browned or melted DC connector"),
}
"""By name of the file: the first call of its run, and what it knows of ``SITE``."""
SITE = "S0156"  # on the call list where runs know must-call, for a danger that is known to stand


@pytest.fixture
def older(tmp_path: Path) -> Path:
    return unpacked("demo-0.1.0", tmp_path)


@pytest.mark.slow
def test_the_calls_of_a_run_from_before_there_were_offers(aftersun, tmp_path):
    listed = json.loads(aftersun("calls", unpacked("run-layout-2", tmp_path), "--json").out)["calls"]
    # as that program listed them, its second call of the demo's 250 sites being one of those kept here
    assert [(call["site_id"], call["retrofit"], round(call["npv"], 2)) for call in listed] == [
        ("S0160", "tilt_mount", 15720.91),
        ("S0127", "monitoring_add_on", 120.62),
    ]
    assert all(call["safety_notes"] for call in listed)


@pytest.mark.slow
@pytest.mark.parametrize("name", OLDER)
def test_every_command_works_on_an_older_file_with_its_run(aftersun, tmp_path, monkeypatch, name):
    older = unpacked(name, tmp_path)
    first, known = OLDER[name]
    add_columns(monkeypatch)
    assert aftersun("calls", older).code == 0  # which only reads
    assert aftersun("log", "fact", older, SITE, "roof_colour=grey", "--origin", "letter of the owner").code == 0

    def works(*words: object) -> str:
        ran = aftersun(*words)
        # A company file from before tilt mounts had a price for ballast is told of the line that it lacks.
        lacks_ballast = "plugin tilt_mount failed during price" in ran.err and ran.err.count(" failed during ") == 1
        assert ran.code == (3 if lacks_ballast else 0), ran.err
        return ran.out

    assert json.loads(works("calls", older, "--json"))["calls"][0]["site_id"] == first
    assert known in works("explain", older, SITE, "--all", "--stored-only")
    works("ask", older)
    works("what-if", older, "--site", SITE, "--if", "tariff.export_price=0.15", "--workers", "1")
    assert "roof_colour" in works("log", "show", older)
    for words in (("log", "chances"), ("inventory", "check"), ("inventory", "rejects"), ("weather", "list")):
        works(*words, older)
    works("letter", "list", older)
    works("customer", "show", older, "C0007")
    shutil.copytree(aftersun_datasets.path("demo"), tmp_path / "office")
    company = tmp_path / "office" / "company.toml"
    written = aftersun("write", older, "--to", tmp_path / "june", "--company", company, "--although-old")
    if name.startswith("demo"):
        assert written.code == 0, written.err
    else:  # which kept less than a letter needs
        assert written.code == 2
        assert "stored by an older program" in written.err
        assert "Rank again" in written.err
    works(
        "write", older, "--to", tmp_path / "sheet", "--only", "call_sheet", "--only", "portfolio_page", "--letters", "0"
    )
    works("inventory", "export", older, "--to", tmp_path / "export")
    works("rank", older, "--company", company, "--workers", "1", "--as-of", "2026-06-01")
    works("compare", older)
    works("write", older, "--to", tmp_path / "july", "--letters", "1")
    works("customer", "retention", older, "--years", "3")
    works("inventory", "prune", older, "--keep", "1")


@pytest.mark.slow
def test_a_closer_look_at_a_site_of_that_run(aftersun, older):
    assert aftersun("log", "fact", older, SITE, "storeys=2", "--origin", "letter of the owner").code == 0
    assert "hot, browned or melted plug" in aftersun("explain", older, SITE).out
