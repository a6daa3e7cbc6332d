"""Copies made by the clock: dated, so many kept, none of another inventory touched, and a drill that leaves nothing."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb
import pytest

from aftersun.inventory.loading.load import load_file
from aftersun.inventory.log.call_log import record_call
from aftersun.inventory.store import copies, rewrite
from aftersun.inventory.store.copies import copy_is_due, drill, keep_copies, last_copy, note_copy
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError

DAY = date(2026, 3, 1)
PHONE = b"555-0101"


@pytest.fixture
def path(tmp_path: Path, loaded_file: Path) -> Path:
    return Path(shutil.copy(loaded_file, tmp_path / "company.duckdb"))


def _names(folder: Path) -> list[str]:
    return sorted(name.name for name in folder.iterdir())


@pytest.mark.slow
def test_so_many_copies_are_kept_each_with_its_day_in_the_name(path: Path) -> None:
    folder = path.with_name("copies")
    for number in range(4):
        done = keep_copies(path, folder, 2, DAY + timedelta(days=number))
    assert _names(folder) == ["company-2026-03-03.duckdb", "company-2026-03-04.duckdb"]
    assert [name.name for name in done.removed] == ["company-2026-03-02.duckdb"]
    with Inventory.open(path) as inventory:
        record_call(inventory, {"site_id": "S1", "called_on": "2026-03-01", "outcome": "no"}, today=DAY)
    again = keep_copies(path, folder, 2, DAY + timedelta(days=3))  # the same day once more: what it is now
    assert again.copied.tables["call_log"] == 1
    assert len(_names(folder)) == 2


@pytest.mark.slow
def test_other_files_and_copies_of_another_inventory_are_never_touched(path: Path) -> None:
    folder = path.with_name("copies")
    folder.mkdir()
    (folder / "company-notes.txt").write_text("mine")
    other = path.with_name("other") / "company.duckdb"
    other.parent.mkdir()
    Inventory.create(other).close()
    keep_copies(other, folder, 9, DAY)
    before = (folder / "company-2026-03-01.duckdb").read_bytes()
    with pytest.raises(AftersunError, match="a copy of another inventory"):
        keep_copies(path, folder, 1, DAY)
    done = keep_copies(path, folder, 1, DAY + timedelta(days=1))
    assert (done.removed, [name.name for name in done.foreign]) == ((), ["company-2026-03-01.duckdb"])
    assert (folder / "company-2026-03-01.duckdb").read_bytes() == before
    assert _names(folder) == ["company-2026-03-01.duckdb", "company-2026-03-02.duckdb", "company-notes.txt"]


@pytest.mark.slow
def test_no_copy_goes_when_the_new_one_fails(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = path.with_name("copies")
    keep_copies(path, folder, 1, DAY)
    monkeypatch.setattr(rewrite, "_digest", lambda *given: (0, len(given)))
    with pytest.raises(AftersunError, match="does not hold what it should"):
        keep_copies(path, folder, 1, DAY + timedelta(days=1))
    assert _names(folder) == ["company-2026-03-01.duckdb"]


def test_when_the_last_checked_copy_was_made_is_kept_and_asked_for(path: Path) -> None:
    with Inventory.open(path) as inventory:
        assert (last_copy(inventory), copy_is_due(inventory)) == (None, True)
    assert note_copy(path)
    with Inventory.open(path) as inventory:
        assert datetime.now(UTC).replace(tzinfo=None) - last_copy(inventory) < timedelta(minutes=5)
        assert not copy_is_due(inventory)
        inventory.connection.execute("UPDATE checked_copy SET copied_at = copied_at - INTERVAL 8 DAY")
        assert copy_is_due(inventory)


def test_invented_customers_need_no_copy_and_one_real_one_does(inventory: Inventory, write) -> None:
    assert not copy_is_due(inventory)
    demo = copies.aftersun_datasets.path("demo/customer.csv")
    load_file(inventory, "customer", demo)
    assert not copy_is_due(inventory)
    load_file(inventory, "customer", write("customer.csv", "customer_id,name\nC0001,Household Z\n"))
    assert copy_is_due(inventory)


def test_a_copy_of_a_file_in_use_is_made_and_not_noted(path: Path) -> None:
    with Inventory.open(path, read_only=True):
        assert not note_copy(path)


@pytest.mark.slow
def test_the_drill_says_what_differs_and_leaves_nothing(path: Path) -> None:
    folder = path.with_name("copies")
    keep_copies(path, folder, 9, DAY)
    note_copy(path)
    assert drill(path, folder).differences == {}
    with Inventory.open(path) as inventory:
        record_call(inventory, {"site_id": "S1", "called_on": "2026-03-01", "outcome": "no"}, today=DAY)
        inventory.connection.execute("UPDATE site SET storeys = 3 WHERE site_id = 'S1'")
    before = _names(path.parent)
    done = drill(path, folder)
    assert done.differences == {"call_log": (0, 1), "change": (7, 8), "site": (2, 2)}
    assert done.copied.tables["site"] == 2
    assert _names(path.parent) == before
    keep_copies(path, folder, 9, DAY + timedelta(days=1))
    assert drill(path, folder).copy.name == "company-2026-03-02.duckdb"
    assert drill(path, folder).differences == {}


@pytest.mark.slow
def test_a_drill_of_a_damaged_copy_or_none_is_a_sentence(path: Path) -> None:
    folder = path.with_name("copies")
    with pytest.raises(AftersunError, match="no copy"):
        drill(path, folder)
    keep_copies(path, folder, 9, DAY)
    copy = folder / "company-2026-03-01.duckdb"
    copy.write_bytes(copy.read_bytes()[:-300_000])
    with pytest.raises(AftersunError, match="cannot be opened as an inventory"):
        drill(path, folder)
    assert _names(path.parent) == ["company.duckdb", "copies"]


@pytest.mark.skipif(os.name != "posix", reason="elsewhere nobody can ask whether a process is there")
@pytest.mark.slow
def test_what_a_killed_backup_and_a_killed_drill_left_goes_with_the_next_command(path: Path) -> None:
    folder = path.with_name("copies")
    code = """
import os, sys
from datetime import date
from pathlib import Path
from aftersun.inventory.store import backup, copies
backup.put_in_place = lambda *given: os.kill(os.getpid(), 9)
path, folder = Path(sys.argv[1]), Path(sys.argv[2])
copies.{}
"""
    for call in ("keep_copies(path, folder, 2, date(2026, 3, 1))", "drill(path, path)"):
        subprocess.run([sys.executable, "-c", code.format(call), path, folder], check=False, timeout=60)
    left = [name for place in (folder, path.parent) for name in place.iterdir() if ".making-" in name.name]
    assert len(left) == 2
    assert all(PHONE in name.read_bytes() for name in left)
    Inventory.open(path, read_only=True).close()
    keep_copies(path, folder, 2, DAY)
    assert _names(path.parent) == ["company.duckdb", "copies"]
    assert _names(folder) == ["company-2026-03-01.duckdb"]


def test_the_time_of_the_copy_reaches_a_file_that_lacks_it(path: Path) -> None:
    with duckdb.connect(str(path)) as connection:
        connection.execute("DROP TABLE checked_copy")
    assert not note_copy(path)  # an older file is copied as it is
    Inventory.open(path).close()
    assert note_copy(path)
