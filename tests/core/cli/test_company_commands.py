"""The company file against the retrofits of a folder: what it lacks, what nobody would hear, what is unusual."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

FIRST = '''
import numpy as np
from aftersun import api

NOTE = api.Note("n", api.DANGER, "A fall kills.", "trained people", "assumption")
SHARE = api.Range(0.02, 0.01, 0.05, "share", "assumption")


class Wash:
    """Written for the first interface: it looks up what screens it in its own ranges, and says no prices."""

    about = api.About(
        "wash", "Wash", "Washes", "1", api.Range(1, 1, 1, "years", "assumption"), (), ("assumption",),
        price_items=("survey_visit", "wash_fluid"), api_version=1,
    )
    assumptions = {"least": SHARE, "unheard": SHARE}
    facts = {}
    claims = ()
    def screen(self, cohort):
        return api.Screening.of(cohort).reject(np.full(len(cohort), self.assumptions["least"].mode > 0.04), "too clean")
    def change(self, cohort, plant, assume):
        ones = np.ones(len(cohort))
        return api.Change(plant, [
            api.CostLine(api.INSPECTION, "survey_visit", ones, "visit"),
            api.CostLine(api.MATERIAL, "wash_fluid", ones, "l"),
            api.CostLine(api.LABOUR, "diver", ones, "h"),
        ])
    def safety(self, cohort): return api.Notes.of(cohort).add(NOTE)


@api.hookimpl
def aftersun_retrofits(): return [Wash(), Rope()]


class Rope(Wash):
    """Of the second: it says its prices, and takes the values in force where it screens."""

    about = api.About(
        "rope", "Rope", "Ropes", "1", api.Range(1, 1, 1, "years", "assumption"), (), ("assumption",),
        prices=(api.PriceItem("rope_day", api.STANDING, api.Range(90, 60, 120, "per day", "assumption")),),
    )
    assumptions = {"least": SHARE}
    def screen(self, cohort, assume):
        return api.Screening.of(cohort).reject(np.full(len(cohort), assume["least"] > 0.04), "too clean")
    def change(self, cohort, plant, assume):
        return api.Change(plant, [], [api.CostLine(api.STANDING, "rope_day", np.ones(len(cohort)), "day")])
'''


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "plugins").mkdir()
    (tmp_path / "plugins" / "wash.py").write_text(FIRST)
    return tmp_path / "plugins"


@pytest.fixture
def filled(aftersun, tmp_path: Path) -> Path:
    """Return a company file that lacks nothing for what is installed."""
    path = tmp_path / "company.toml"
    assert aftersun("company", "new", path).code == 0
    text = path.read_text()
    for key, value in (("name", '"A"'), ("currency", '"EUR"'), ("base_latitude", "40.0"), ("base_longitude", "0.0")):
        text = re.sub(rf"^{key} = .*$", f"{key} = {value}", text, flags=re.MULTILINE)
    path.write_text(text)
    return path


def test_all_that_is_missing_is_named_at_once_with_the_line_to_add(aftersun, filled, folder):
    assert aftersun("company", "check", filled).code == 0
    ran = aftersun("company", "check", filled, "--plugins-from", folder)
    assert ran.code == 2
    told = " ".join(ran.err.split())
    assert "lacks 3 prices" in told
    assert "Add 'wash_fluid = ...' below [materials], with your own figure per l" in told
    assert "Add 'diver = ...' below [work], with your own figure per h" in told
    assert "Add 'rope_day = ...' below [yearly], with your own figure per day for the dots. Usual are 60 to 120" in told


def test_overrides_of_a_file_are_taken_an_unusual_one_is_said_and_one_that_nobody_hears_is_refused(
    aftersun, filled, folder
):
    text = filled.read_text()
    for section, line in (("materials", "wash_fluid = 3"), ("work", "diver = 90"), ("yearly", "rope_day = 80")):
        text = text.replace(f"[{section}]\n", f"[{section}]\n{line}\n", 1)
    filled.write_text(text + "\n[assumptions.wash]\nleast = 0.06\n\n[assumptions.rope]\nleast = 0.03\n")
    ran = aftersun("company", "check", filled, "--plugins-from", folder)
    assert ran.code == 0, ran.err
    assert "'wash': least = 0.06 share is outside 0.01 to 0.05" in " ".join((ran.out + ran.err).split())
    assert "'rope'" not in ran.out + ran.err
    filled.write_text(filled.read_text().replace("least = 0.06", "unheard = 0.03"))
    refused = aftersun("company", "check", filled, "--plugins-from", folder)
    assert refused.code == 2
    assert "sets unheard for 'wash', which never looks at it" in " ".join(refused.err.split())


def test_a_new_file_has_the_prices_that_a_retrofit_says(aftersun, folder, tmp_path):
    path = tmp_path / "own.toml"
    assert aftersun("company", "new", path, "--plugins-from", folder).code == 0
    assert re.search(r"# per day; usually 60 to 120; assumption\nrope_day = 90\n", path.read_text())
