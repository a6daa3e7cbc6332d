"""The commands for what leaves the office, as the shell sees them."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest
from office_support import write_plugins

from aftersun.documents.run_view import RunView
from aftersun.inventory.store.file import Inventory


@pytest.fixture
def folder(demo_folder, tmp_path):
    """A copy of the demo with plugins whose outputs are invented."""
    shutil.copytree(demo_folder, tmp_path / "demo")
    write_plugins(tmp_path / "plugins")
    return tmp_path


@pytest.fixture
def company(folder):
    return ("--company", folder / "demo" / "company.toml", "--plugins-from", folder / "plugins")


@pytest.fixture
def inventory(folder):
    return folder / "demo" / "demo.duckdb"


@pytest.fixture
def site(inventory):
    with Inventory.open(inventory, read_only=True) as opened:
        calls = RunView(opened).calls()
        return str(calls.loc[calls["retrofit"] == "bird_mesh", "site_id"].iloc[0])


@pytest.mark.parametrize(
    "words",
    [("outputs",), ("write",), ("letter", "make"), ("letter", "notice"), ("letter", "list"), ("letter", "reprint")],
)
def test_help_has_an_example(aftersun, words):
    ran = aftersun(*words, "--help")
    assert ran.code == 0
    assert "Example: aftersun" in ran.out


def test_outputs_are_listed_with_what_they_write(aftersun, folder):
    ran = aftersun("outputs", "--plugins-from", folder / "plugins", "--json")
    rows = {row["id"]: row for row in json.loads(ran.out)["outputs"]}
    assert rows["note"] == {
        "id": "note",
        "writes": "One text a letter.",
        "of": "letter",
        "personal": True,
        "origin": "file",
    }
    ran = aftersun("outputs", "--plugins-from", folder / "plugins")
    assert (ran.code, ran.err) == (0, "")
    assert "note  one for each letter, needs names  (file)\n    One text a letter.\n" in ran.out
    assert max(map(len, ran.out.splitlines())) <= 100


def test_an_output_that_cannot_be_loaded_is_named_with_code_3(aftersun, folder):
    (folder / "plugins" / "broken.py").write_text("import nothing_of_that_name", encoding="utf-8")
    ran = aftersun("outputs", "--plugins-from", folder / "plugins")
    assert ran.code == 3
    assert ran.err.startswith("plugin broken failed during load: ModuleNotFoundError")


@pytest.mark.slow
def test_letters_are_made_listed_and_written_again(aftersun, folder, inventory, company, site):
    made = ("letter", "make", inventory, site, "--only", "note", *company, "--option", "bird_mesh")
    ran = aftersun(*made, "--price", "bird_mesh=1500.50", "--remark", "As we said", "--valid-until", "2099-01-01")
    year = re.search(r"_(\d{4})-000001-v1.txt", ran.out)[1]
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.splitlines()[1] == f"  {site}_{year}-000001-v1.txt"
    written = folder / "demo" / "letters" / f"{site}_{year}-000001-v1.txt"
    assert "bird_mesh=1500.50" in written.read_text(encoding="utf-8")
    again = aftersun(*made, "--price", "bird_mesh=1500.50", "--remark", "As we said")
    assert "The same as issued before, byte for byte: 1 of 1." in again.out
    table = aftersun("letter", "list", inventory).out.splitlines()
    assert table[0].split() == ["number", "version", "site_id", "made_on", "valid_until", "output", "file_name"]
    assert table[2].split()[:3] == [f"{year}-000001", "1", site]
    (row,) = json.loads(aftersun("letter", "list", inventory, site, "--json").out)
    assert (row["number"], row["valid_until"]) == (f"{year}-000001", "2099-01-01")
    ran = aftersun("letter", "reprint", inventory, f"{year}-000001", "--to", folder / "copy")
    assert ran.code == 0
    assert (folder / "copy" / written.name).read_bytes() == written.read_bytes()
    shown = aftersun("log", "show", inventory, site).out
    assert "1500.5" in shown
    assert "open" in shown


@pytest.mark.slow
def test_a_notice_to_all_is_written_whoever_may_be_contacted(aftersun, folder, inventory, company, site):
    with Inventory.open(inventory, read_only=True) as opened:
        dangers = sorted(set(RunView(opened).to_tell()["site_id"]))
    words = ("letter", "notice", inventory, "--only", "note", *company, "--to", folder / "notices")
    ran = aftersun(*words, "--all", "--json")
    told = json.loads(ran.out)
    assert (ran.code, ran.err) == (0, "")
    assert sorted(one["site_id"] for one in told["letters"]) == dangers
    assert all(file["path"].endswith("-v1_safety-notice.txt") for file in told["files"])
    assert site not in dangers
    ran = aftersun(*words, site)
    assert ran.code == 2
    assert "the run knows of no hazard there" in ran.err
    assert aftersun(*words).code == 2


def test_no_letter_yet_is_said(aftersun, inventory):
    assert aftersun("letter", "list", inventory).out == "No letter has been issued.\n"
    ran = aftersun("letter", "reprint", inventory, "2026-000001", "--to", inventory.parent / "x")
    assert (ran.code, ran.out) == (2, "")
    assert not (inventory.parent / "x").exists()


@pytest.mark.slow
def test_a_price_below_cost_is_told_on_stderr(aftersun, folder, inventory, company, site):
    ran = aftersun(
        "letter", "make", inventory, site, "--only", "note", *company, "--option", "bird_mesh", "--price", "bird_mesh=1"
    )
    assert ran.code == 0
    assert "less than the work costs the company" in ran.err


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (("--price", "bird_mesh"), "Price 1 is not written as OFFER=AMOUNT."),
        (("--price", "bird_mesh=1,5"), "Price 1 is not written as OFFER=AMOUNT."),
        (("--price", "bird_mesh=1", "--price", "bird_mesh=2"), "bird_mesh is given twice."),
        (("--price", "bird_mesh=-1"), "The price of bird_mesh is not a number of at least 0."),
        (("--discount", "15"), "The discount is not a share between 0 and 1."),
        (("--option", "nonsense"), "has no offer 'nonsense'"),
        (("--only", "nonsense"), "There is no output 'nonsense'."),
        (("--first", "3"), "It is not clear whom to write to."),
    ],
)
@pytest.mark.slow
def test_what_cannot_be_is_a_sentence_and_code_2(aftersun, inventory, company, site, words, what):
    ran = aftersun("letter", "make", inventory, site, "--only", "note", *company, *words)
    assert (ran.code, ran.out) == (2, "")
    assert what in ran.err
    assert "Traceback" not in ran.err
    assert not (inventory.parent / "letters").exists()


@pytest.mark.slow
def test_the_folder_of_a_run(aftersun, folder, inventory, company):
    words = ("write", inventory, "--to", folder / "june", *company, "--only", "sheet", "--only", "note")
    ran = aftersun(*words, "--letters", "2", "--json")
    assert (ran.code, ran.err) == (0, "")
    told = json.loads(ran.out)
    assert [file["path"] for file in told["files"]][-1] == "manifest.json"
    letters, notices = ([one for one in told["letters"] if one["notice"] is kind] for kind in (False, True))
    with Inventory.open(inventory, read_only=True) as opened:
        assert {one["site_id"] for one in notices} == set(RunView(opened).to_tell()["site_id"])
        assert opened.connection.execute("SELECT count(*) FROM letter").fetchone() == (0,)
    assert [(one["number"], one["version"]) for one in letters] == [("", 0)] * 2  # drafts
    assert all((folder / "june" / file["path"]).is_file() for file in told["files"])
    ran = aftersun(*words)
    assert ran.code == 2
    assert "exists already" in ran.err
    issued = json.loads(aftersun(*words, "--replace", "--letters", "2", "--issue", "--json").out)["letters"]
    assert len({one["number"] for one in issued}) == len(letters) + len(notices)
    ran = aftersun(*words, "--replace", "--letters", "0")
    assert ran.code == 0
    assert sorted(path.name for path in (folder / "june").iterdir()) == ["manifest.json", "sheet.txt"]


@pytest.mark.slow
def test_without_names_says_what_it_left_out(aftersun, folder, inventory, company):
    ran = aftersun(
        "write", inventory, "--to", folder / "x", *company, "--only", "sheet", "--only", "note", "--without-names"
    )
    assert ran.code == 0
    assert ran.err == "note was left out: it can do nothing without names.\n"


@pytest.mark.slow
def test_an_output_that_fails_is_code_3_and_the_others_are_written(aftersun, folder, inventory, company):
    ran = aftersun(
        "write", inventory, "--to", folder / "x", *company, "--only", "sheet", "--only", "note", "--set", "note.fail=1"
    )
    assert ran.code == 3
    assert ran.err.startswith("plugin note failed during write: RuntimeError (fakes.py, line ")
    assert (folder / "x" / "sheet.txt").is_file()


@pytest.mark.slow
def test_an_output_that_ends_its_process_is_code_3_and_the_others_are_written(aftersun, folder, inventory):
    plugins = write_plugins(folder / "more", "import os; os._exit(0)")
    company = ("--company", folder / "demo" / "company.toml", "--plugins-from", plugins)
    ran = aftersun("write", inventory, "--to", folder / "x", *company, "--only", "sheet", "--only", "bad")
    assert ran.code == 3
    assert ran.err.startswith("plugin bad failed during write: ended the process that it ran in (exit code 0)")
    assert "Traceback" not in ran.err
    assert (folder / "x" / "sheet.txt").is_file()


@pytest.mark.slow
def test_a_missing_logo_is_one_sentence_that_leaves_nothing(aftersun, folder, inventory, company, site):
    (folder / "demo" / "logo.svg").unlink()
    for words in (("letter", "make", inventory, site), ("write", inventory, "--to", folder / "june")):
        ran = aftersun(*words, "--only", "note", *company)
        assert (ran.code, ran.out) == (2, "")
        first = ran.err.splitlines()[0]
        assert "logo in section [letter] of" in first
        assert "logo.svg cannot be read" in first
    assert not (folder / "june").exists()
    assert not (folder / "demo" / "letters").exists()


@pytest.mark.slow
def test_the_output_that_the_guide_shows_does_what_it_says(aftersun, demo_folder, tmp_path):
    guide = (Path(__file__).parents[3] / "reports" / "README.md").read_text(encoding="utf-8")
    code = re.search(r"```python\n(.*?)```", guide, re.DOTALL).group(1)
    (tmp_path / "tally.py").write_text(code, encoding="utf-8")
    inventory = demo_folder / "demo.duckdb"
    words = ("write", inventory, "--to", tmp_path / "try", "--only", "tally", "--plugins-from", tmp_path / "tally.py")
    assert aftersun(*words).code == 0
    with Inventory.open(inventory, read_only=True) as opened:
        (count,) = opened.connection.execute(
            "SELECT count(*) FROM ranking WHERE status = 'not_cost_effective'"
        ).fetchone()
    assert re.search(rf"not_cost_effective +{count}\b", (tmp_path / "try" / "tally.txt").read_text(encoding="utf-8"))
