"""An inventory of version 0.1.0 with its stored run: every command works on it, also after columns were added."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from old_inventory_support import add_columns, unpacked

import aftersun_datasets

SITE = "S0156"  # on the call list, for a danger that is known to stand


@pytest.fixture
def older(tmp_path: Path) -> Path:
    return unpacked("demo-0.1.0", tmp_path)


def test_every_command_works_on_a_file_of_version_0_1_0(aftersun, older, tmp_path, monkeypatch):
    add_columns(monkeypatch)
    assert aftersun("calls", older).code == 0  # which only reads
    assert aftersun("log", "fact", older, SITE, "roof_colour=grey", "--origin", "letter of the owner").code == 0

    def works(*words: object) -> str:
        ran = aftersun(*words)
        assert ran.code == 0, ran.err
        return ran.out

    assert json.loads(works("calls", older, "--json"))["calls"][0]["site_id"] == "S0127"  # first call of that run
    assert "hot, browned or melted plug" in works("explain", older, SITE, "--stored-only")
    works("ask", older)
    works("what-if", older, "--site", SITE, "--if", "tariff.export_price=0.15", "--workers", "1")
    assert "roof_colour" in works("log", "show", older)
    for words in (("log", "chances"), ("inventory", "check"), ("inventory", "rejects"), ("weather", "list")):
        works(*words, older)
    works("letter", "list", older)
    works("customer", "show", older, "C0007")
    shutil.copytree(aftersun_datasets.path("demo"), tmp_path / "office")
    company = tmp_path / "office" / "company.toml"
    works("write", older, "--to", tmp_path / "june", "--company", company)
    works("inventory", "export", older, "--to", tmp_path / "export")
    works("rank", older, "--company", company, "--workers", "1", "--as-of", "2026-06-01", "--no-ranges")
    works("compare", older)
    works("customer", "retention", older, "--years", "3")
    works("inventory", "prune", older, "--keep", "1")


@pytest.mark.slow
def test_a_closer_look_at_a_site_of_that_run(aftersun, older):
    assert aftersun("log", "fact", older, SITE, "storeys=2", "--origin", "letter of the owner").code == 0
    assert "hot, browned or melted plug" in aftersun("explain", older, SITE).out
