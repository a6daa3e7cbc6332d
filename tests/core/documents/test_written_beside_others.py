"""What leaves the office is written while others use the inventory, and leaves as they have it then."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from office_support import write_plugins
from run_support import write_elsewhere

from aftersun.documents.letters.compose import Choices
from aftersun.documents.output_folder import Order, Report, make_letters, write_folder
from aftersun.documents.run_view import RunView
from aftersun.documents.writing import Job
from aftersun.inventory.log.call_log import offers, record_call
from aftersun.inventory.log.letters import files_of, listing
from aftersun.inventory.runs.prune import prune
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import EXIT_IN_USE, AftersunError
from aftersun.scoring.run.demo import Demo

DAY = date(2026, 6, 2)


@pytest.fixture
def inventory(demo: Demo, tmp_path: Path) -> Path:
    folder = tmp_path / "demo"
    shutil.copytree(demo.inventory.parent, folder)
    write_plugins(tmp_path / "plugins")
    return folder / "demo.duckdb"


@pytest.fixture
def order(inventory: Path, tmp_path: Path) -> Order:
    return Order(("note", "sheet"), (), inventory.with_name("company.toml"), tmp_path / "plugins")


@pytest.fixture
def sites(inventory: Path) -> list[str]:
    """The call list."""
    with Inventory.open(inventory, read_only=True) as opened:
        return list(RunView(opened).calls()["site_id"])


@pytest.fixture
def meanwhile(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Have others do things while outputs write: one after the other, one each time that letters are written."""

    def plan(*others: Callable[[], object]) -> None:
        write, left = Job.write, list(others)

        def written(job: Job, output: object, letters: object = (), **kept: object) -> object:
            if letters and left:
                left.pop(0)()
            return write(job, output, letters, **kept)  # type: ignore[arg-type]

        monkeypatch.setattr(Job, "write", written)

    return plan


def letter(inventory: Path, order: Order, folder: Path, site: str, price: float = 900.0) -> Report:
    choices = Choices(prices={"bird_mesh": price}, options=("bird_mesh",))
    return make_letters(inventory, [site], choices, order, folder, DAY)


def with_mesh(inventory: Path) -> str:
    with Inventory.open(inventory, read_only=True) as opened:
        calls = RunView(opened).calls()
        return str(calls.loc[calls["retrofit"] == "bird_mesh", "site_id"].iloc[0])


def log(inventory: Path, site: str, outcome: str = "no") -> None:
    with Inventory.open(inventory) as opened:
        record_call(opened, {"site_id": site, "called_on": "2026-06-01", "outcome": outcome})


def issued(inventory: Path) -> list[tuple[str, int]]:
    with Inventory.open(inventory, read_only=True) as opened:
        table = listing(opened)
        return list(zip(table["number"], table["version"], strict=True))


def files(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.rglob("*") if path.is_file())


@pytest.mark.slow
def test_another_process_writes_while_outputs_do(inventory, order, tmp_path, meanwhile):
    before, done = files(inventory.parent), []
    meanwhile(lambda: done.append(write_elsewhere(inventory)))
    report = write_folder(inventory, tmp_path / "out", 1, order, DAY)
    assert report.failures == ()
    assert len(report.letters.new_letters) == len(done) == 1
    assert files(inventory.parent) == before  # and no copy is left


@pytest.mark.slow
def test_a_folder_without_letters_is_written_beside_a_reader(inventory, order, tmp_path):
    with Inventory.open(inventory, read_only=True):
        report = write_folder(inventory, tmp_path / "out", 0, order, DAY)
    assert [output for output, _ in report.files] == ["sheet", ""]


@pytest.mark.slow
def test_an_objection_keeps_back_the_letter_being_written(inventory, order, tmp_path, meanwhile):
    site = with_mesh(inventory)
    meanwhile(lambda: log(inventory, site, "objection"))
    with pytest.raises(AftersunError, match=f"Site {site}: "):
        letter(inventory, order, tmp_path / "out", site)
    assert files(tmp_path / "out") == []
    assert issued(inventory) == []


@pytest.mark.slow
def test_of_a_folder_only_who_objected_is_left_out(inventory, order, tmp_path, sites, meanwhile):
    meanwhile(lambda: log(inventory, sites[0], "objection"))
    report = write_folder(inventory, tmp_path / "out", 2, order, DAY)
    assert [one.site_id for one in report.letters.letters] == sites[1:3]
    assert sites[0] not in (tmp_path / "out" / "sheet.txt").read_text(encoding="utf-8")
    assert issued(inventory) == [("2026-000003", 1), ("2026-000004", 1)]  # of the first two, nothing left the office


@pytest.mark.slow
def test_two_letters_to_a_site_at_once_are_versions_of_one(inventory, order, tmp_path, meanwhile):
    site = with_mesh(inventory)
    meanwhile(lambda: letter(inventory, order, tmp_path / "theirs", site, 800.0))
    ours = letter(inventory, order, tmp_path / "ours", site, 900.0)
    (mine,) = ours.letters.letters
    assert issued(inventory) == [("2026-000002", 1), ("2026-000002", 2)]  # the first number is a gap
    assert (mine.number, mine.version) == ("2026-000002", 2)
    with Inventory.open(inventory, read_only=True) as opened:
        made = offers(opened, site)
    assert list(zip(made["price"], made["state"], strict=True)) == [(800.0, "withdrawn"), (900.0, "open")]


@pytest.mark.slow
def test_letters_to_other_sites_at_once_have_numbers_of_their_own(inventory, order, tmp_path, sites, meanwhile):
    def theirs() -> None:
        make_letters(inventory, [sites[1]], Choices(), order, tmp_path / "theirs", DAY)

    meanwhile(theirs)
    make_letters(inventory, [sites[0]], Choices(), order, tmp_path / "ours", DAY)
    assert issued(inventory) == [("2026-000001", 1), ("2026-000002", 1)]
    assert len(files(tmp_path / "ours")) == len(files(tmp_path / "theirs")) == 1


@pytest.mark.slow
def test_a_file_that_was_replaced_is_written_from_anew(inventory, order, tmp_path, meanwhile):
    site, replaced = with_mesh(inventory), []

    def rewritten() -> None:
        shutil.copy(inventory, tmp_path / "other")
        (tmp_path / "other").replace(inventory)
        replaced.append(prune(inventory, 1))

    meanwhile(rewritten)
    report = letter(inventory, order, tmp_path / "out", site)
    assert [(one.number, one.version) for one in report.letters.letters] == [("2026-000002", 1)]
    assert issued(inventory) == [("2026-000002", 1)]


@pytest.mark.slow
def test_who_is_overtaken_each_time_is_told_so_and_nothing_leaves(inventory, order, tmp_path, meanwhile):
    site, price = with_mesh(inventory), iter(range(800, 900))
    theirs = lambda: letter(inventory, order, tmp_path / "theirs", site, float(next(price)))  # noqa: E731
    meanwhile(theirs, lambda: None, theirs, lambda: None, theirs, lambda: None)
    with pytest.raises(AftersunError, match="Others changed what is written here") as refused:
        letter(inventory, order, tmp_path / "ours", site)
    assert refused.value.exit_code == EXIT_IN_USE
    assert files(tmp_path / "ours") == []
    assert len(issued(inventory)) == 3


def letters_of(inventory):
    with Inventory.open(inventory, read_only=True) as opened:
        return list(listing(opened)["number"])


KILLED = """
import os, sys
from pathlib import Path
from aftersun.documents import output_folder as module
from aftersun.documents.letters.compose import Choices
inventory, folder, plugins = map(Path, sys.argv[1:4])
owner, name = {place}
setattr(owner, name, lambda *_, **__: os.kill(os.getpid(), 9))
order = module.Order(("note",), (), inventory.with_name("company.toml"), plugins)
module.make_letters(inventory, [sys.argv[4]], Choices(options=("bird_mesh",)), order, folder, module.date.today())
"""


@pytest.mark.parametrize(
    ("place", "known"),
    [
        ("module, '_leaving'", 0),
        ("module.letter_store, 'keep'", 0),
        ("module.placing, 'put_in_place'", 1),  # the first thing after the inventory knows of the letter
    ],
)
@pytest.mark.slow
def test_what_a_killed_letter_left_goes_with_the_next_one(inventory, order, tmp_path, place, known):
    site, folder = with_mesh(inventory), tmp_path / "out"
    words = [sys.executable, "-c", KILLED.format(place=place), inventory, folder, order.plugin_folder, site]
    assert subprocess.run(list(map(str, words)), check=False, timeout=120).returncode == -9
    left = [path for path in tmp_path.rglob("*.making-*/**/*") if path.is_file()]
    assert any(b"|(" in path.read_bytes() for path in left)  # a customer's name and address
    assert not list(folder.glob("*.txt"))  # no letter that the inventory does not know
    year = date.today().year
    assert letters_of(inventory) == [f"{year}-000001"][:known]
    make_letters(inventory, [site], Choices(options=("bird_mesh",)), order, folder, date.today())
    assert not list(tmp_path.rglob("*.making-*"))
    (number,) = letters_of(inventory)
    assert number == (f"{year}-000001" if known else f"{year}-000002")  # none is given twice
    (written,) = folder.glob("*.txt")
    with Inventory.open(inventory, read_only=True) as opened:
        (kept,) = files_of(opened, number)
        assert list(offers(opened, site)["state"]) == ["open"]
    assert written.read_bytes() == kept.data


@pytest.mark.slow
def test_a_folder_killed_before_it_has_its_name_leaves_letters_that_the_next_one_holds(inventory, order, tmp_path):
    folder = tmp_path / "june"
    writing = "module.write_folder(inventory, folder, 2, order, module.date.today())"
    killed = KILLED[: KILLED.index("module.make_letters")] + writing
    words = [sys.executable, "-c", killed.format(place="module.placing, '_exchange'")]
    words += [inventory, folder, order.plugin_folder, "none"]
    assert subprocess.run(list(map(str, words)), check=False, timeout=120).returncode == -9
    known = letters_of(inventory)
    assert len(known) == 2
    assert not folder.exists()
    report = write_folder(inventory, folder, 2, order, date.today())
    assert letters_of(inventory) == known == sorted(one.number for one in report.letters.letters)
    assert not list(tmp_path.rglob("*.making-*"))
