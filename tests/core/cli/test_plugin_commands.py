"""Commands for authors of plugins, and the list of retrofits with their state."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

GOOD = """
from aftersun import api

NOTE = api.Note("n", api.DANGER, "A fall kills.", "trained people", "assumption")

class Tiny:
    about = api.About(
        "tiny", "Tiny", "Does nothing", "1", api.Range(1, 1, 1, "years", "assumption"), {reads}, ("assumption",)
    )
    assumptions = {{}}
    facts = {{}}
    claims = ()
    def screen(self, cohort):
        high = cohort.sites["storeys"].gt(2).fillna(False).to_numpy(dtype=bool)
        return api.Screening.of(cohort).survey(high, "a high roof")
    def change(self, cohort, plant, assume): return api.Change(plant, [])
    def safety(self, cohort): return api.Notes.of(cohort).add(NOTE)

@api.hookimpl
def aftersun_retrofits(): return [Tiny()]
"""


@pytest.fixture
def tiny(tmp_path: Path) -> Path:
    path = tmp_path / "tiny.py"
    path.write_text(GOOD.format(reads='("storeys",)'))
    return path


def test_new_writes_a_project_and_says_what_next(aftersun, tmp_path):
    ran = aftersun("plugin", "new", "gutter_guard", "--to", tmp_path / "guard")
    assert ran.code == 0
    assert (tmp_path / "guard" / "aftersun_gutter_guard" / "retrofit.py").is_file()
    assert str(tmp_path / "guard" / "README.md") in ran.out
    again = aftersun("plugin", "new", "gutter_guard", "--to", tmp_path / "guard")
    assert again.code == 2
    assert "exists already" in again.err


def test_new_without_a_folder_is_named_after_the_retrofit(aftersun, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert aftersun("plugin", "new", "gutter_guard").code == 0
    assert (tmp_path / "aftersun-gutter-guard" / "pyproject.toml").is_file()


@pytest.fixture
def one_rule(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the other rules to the tests of the kit."""
    monkeypatch.setattr("aftersun.testing.conformance.RULES", ("test_it_says_who_it_is",))


@pytest.mark.slow
def test_check_prints_a_line_a_rule(aftersun, tiny):
    ran = aftersun("plugin", "check", tiny)
    assert ran.code == 0
    lines = ran.out.splitlines()
    assert lines[0] == "tiny 1"
    assert lines.count("  kept    it reads only what it declares") == 1
    assert "broken" not in ran.out
    assert "s per 1,000 sites" in lines[-1]


@pytest.mark.slow
def test_check_says_what_to_do_about_a_broken_rule(aftersun, tiny):
    tiny.write_text(GOOD.format(reads="()"))
    ran = aftersun("plugin", "check", tiny)
    assert ran.code == 3
    assert "  broken  it reads only what it declares\n" in ran.out
    assert "it reads the column 'storeys': add it to about.reads." in " ".join(ran.out.split())
    assert "  kept    it says who it is\n" in ran.out


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("return api.Change(plant, [])", "raise KeyboardInterrupt"),
        ("return api.Change(plant, [])", "raise SystemExit(0)"),
        ("NOTE = ", "raise KeyboardInterrupt\nNOTE = "),
    ],
)
@pytest.mark.slow
def test_check_of_one_that_would_end_the_program_goes_on_and_names_it(aftersun, tiny, old, new):
    tiny.write_text(GOOD.format(reads='("storeys",)').replace(old, new))
    ran = aftersun("plugin", "check", tiny)
    assert ran.code == 3
    assert new.split()[1].partition("(")[0] in ran.out + ran.err
    assert "Traceback" not in ran.err


@pytest.mark.parametrize(
    ("old", "how"),
    [
        ("high = ", "exit code 0"),
        ("return api.Change(plant, [])", "exit code 7"),
        ("return api.Notes.of(cohort).add(NOTE)", "SIGKILL"),
    ],
)
@pytest.mark.slow
def test_check_names_each_rule_at_which_the_process_ends(aftersun, tiny, monkeypatch, old, how):
    rules = ("test_it_says_who_it_is", "test_no_sites_give_no_answers")
    monkeypatch.setattr("aftersun.testing.conformance.RULES", rules)
    text = GOOD.format(reads='("storeys",)')
    assert old in text
    end = {"exit code 0": "os._exit(0)", "exit code 7": "os._exit(7)", "SIGKILL": "os.kill(os.getpid(), 9)"}[how]
    tiny.write_text(text.replace(old, f"import os; {end}  # {old}"))
    ran = aftersun("plugin", "check", tiny)
    assert ran.code == 3
    ended = f"it ended the process that it ran in ({how})"
    assert " ".join(ran.out.split()) == (
        f"tiny 1 kept it says who it is broken no sites give no answers {ended} {ended}"
    )


def test_check_of_a_file_that_cannot_be_loaded(aftersun, tiny):
    tiny.write_text("import no_such_module")
    ran = aftersun("plugin", "check", tiny)
    assert ran.code == 3
    assert "plugin tiny failed during load" in ran.err


def test_check_of_nothing_is_one_sentence(aftersun, tmp_path):
    ran = aftersun("plugin", "check", tmp_path / "nowhere.py")
    assert ran.code == 2
    assert "There is no file, folder or retrofit" in ran.err


@pytest.mark.slow
@pytest.mark.usefixtures("one_rule")
def test_check_of_an_installed_retrofit_by_its_id(aftersun):
    ran = aftersun("plugin", "check", "bird_mesh")
    assert ran.out.startswith("bird_mesh 1.1\n  kept    it says who it is\n")


@pytest.mark.usefixtures("one_rule")
@pytest.mark.slow
def test_check_of_a_folder_tries_every_file_and_no_installed_one(aftersun, tiny):
    (tiny.parent / "small.py").write_text(tiny.read_text().replace('"tiny"', '"small"'))
    ran = aftersun("plugin", "check", tiny.parent)
    assert ran.code == 0
    assert [line for line in ran.out.splitlines() if not line.startswith(" ")] == ["small 1", "tiny 1"]


def test_retrofits_says_which_are_off_and_which_failed(aftersun, demo_folder, tiny, tmp_path):
    company = tmp_path / "company.toml"
    text = (demo_folder / "company.toml").read_text(encoding="utf-8")
    company.write_text(text.replace("off = []", 'off = ["bird_mesh"]'), encoding="utf-8")
    (tmp_path / "broken.py").write_text("import no_such_module")
    words = ("retrofits", "--company", company, "--plugins-from", tmp_path)
    ran = aftersun(*words)
    assert ran.code == 3
    assert "\nbird_mesh  1.1  off  (" in ran.out
    assert "\ntilt_mount  1.1  on  (" in ran.out
    assert "\ntiny  1  on  (file)\n" in ran.out
    assert "\nbroken  failed\n" in ran.out
    assert "plugin broken failed during load" in ran.err
    states = {row["id"]: row["state"] for row in json.loads(aftersun(*words, "--json").out)["retrofits"]}
    assert states["bird_mesh"] == "off"
    assert states["tiny"] == "on"


@pytest.mark.parametrize("command", ["new", "check"])
def test_every_plugin_command_has_an_example(aftersun, command):
    ran = aftersun("plugin", command, "--help")
    assert ran.code == 0
    assert f"Example: aftersun plugin {command}" in " ".join(ran.out.split())
