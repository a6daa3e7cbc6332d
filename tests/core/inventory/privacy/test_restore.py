"""What must not be forgotten outlives a restore, a second name of the file, and another way to write a number."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest

from aftersun.inventory.loading.load import load_file
from aftersun.inventory.log import call_log
from aftersun.inventory.log.letters import given_numbers, reserve
from aftersun.inventory.privacy.customer_rows import erase
from aftersun.inventory.privacy.restore import restore
from aftersun.inventory.runs.prune import prune
from aftersun.inventory.store import trail
from aftersun.inventory.store.backup import copy_inventory
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.private import sibling
from aftersun.model.errors import AftersunError

DAY = date(2026, 3, 9)


@pytest.fixture
def path(loaded: Inventory) -> Path:
    loaded.close()
    return loaded.path


def _value(path: Path, query: str) -> object:
    with Inventory.open(path, read_only=True) as inventory:
        return inventory.connection.execute(query).fetchall()[0][0]


def test_a_restore_keeps_what_was_said_and_seen_since_the_backup(path: Path) -> None:
    backup = path.with_name("backup.duckdb")
    with Inventory.open(path) as inventory:
        inventory.connection.execute("UPDATE customer SET contact_allowed = true")
    copy_inventory(path, backup)
    with Inventory.open(path) as inventory:
        call_log.record_call(inventory, {"site_id": "S1", "called_on": "2026-03-08", "outcome": "objection"}, today=DAY)
        call_log.learn(inventory, "S1", {"hot_connector": "yes"}, "visit", today=DAY)
        reserve(inventory, 2026, 3)
        reserve(inventory, 2026, 0, ["2026-000002"])
        changes = trail.newest(inventory)
    erase(path, "C2", DAY)
    done = restore(backup, path, replace=True)
    assert (done.erased, done.carried_over) == (1, True)
    assert _value(path, "SELECT count(*) FROM site WHERE customer_id = 'C2'") == 0
    assert _value(path, "SELECT outcome FROM call_log") == "objection"
    assert _value(path, "SELECT contact_allowed FROM customer WHERE customer_id = 'C1'") is False
    assert _value(path, "SELECT hot_connector FROM site WHERE site_id = 'S1'") is True
    assert _value(path, "SELECT birds_seen FROM site WHERE site_id = 'S1'") is True
    assert int(str(_value(path, "SELECT max(change) FROM change"))) > changes  # all of it, and what the restore did
    with Inventory.open(path) as inventory:
        assert reserve(inventory, 2026, 1, ["2026-000002"]) == (["2026-000004"], {"2026-000002": 3})
        source = path.with_name("customer.csv")
        source.write_text("customer_id,name\nC2,Household B\n")
        assert load_file(inventory, "customer", source).erased == 1
    restore(backup, path, replace=True)  # once more changes nothing
    assert _value(path, "SELECT count(*) FROM call_log") == 1


def test_a_restore_to_a_new_place_is_the_backup(path: Path) -> None:
    done = restore(path, path.with_name("new.duckdb"))
    assert (done.erased, done.carried_over) == (0, True)
    assert _value(path.with_name("new.duckdb"), "SELECT count(*) FROM customer") == 2


def test_a_file_that_cannot_be_read_is_replaced_and_it_is_said(path: Path) -> None:
    backup = path.with_name("backup.duckdb")
    copy_inventory(path, backup)
    path.write_bytes(path.read_bytes()[:100_000])
    assert not restore(backup, path, replace=True).carried_over
    assert _value(path, "SELECT count(*) FROM customer") == 2


@pytest.mark.parametrize("change", [lambda link: erase(link, "C1", DAY), lambda link: prune(link, 1)])
def test_through_a_link_the_real_file_is_changed(path: Path, change) -> None:
    link = path.with_name("link.duckdb")
    link.symlink_to(path)
    change(link)
    assert link.is_symlink()
    assert _value(link, "SELECT count(*) FROM customer") == _value(path, "SELECT count(*) FROM customer")


def test_erased_through_a_link_is_erased(path: Path) -> None:
    link = path.with_name("link.duckdb")
    link.symlink_to(path)
    erase(link, "C1", DAY)
    assert b"555-0101" not in path.read_bytes()


def test_a_second_name_of_the_file_is_refused(path: Path) -> None:
    other = path.with_name("other.duckdb")
    os.link(path, other)
    before = path.read_bytes()
    for change in (lambda: erase(path, "C1", DAY), lambda: prune(path, 1), lambda: restore(other, path, replace=True)):
        with pytest.raises(AftersunError, match="second name"):
            change()
    assert path.read_bytes() == before


def test_a_link_that_leads_nowhere_is_refused(path: Path) -> None:
    loop, dangling = path.with_name("loop.duckdb"), path.with_name("dangling.duckdb")
    loop.symlink_to(loop.name)
    dangling.symlink_to("elsewhere.duckdb")
    for link in (loop, dangling):
        with pytest.raises(AftersunError, match="no inventory file"):
            erase(link, "C1", DAY)
        with pytest.raises(AftersunError, match="exists already"):
            copy_inventory(path, link)
    assert not path.with_name("elsewhere.duckdb").exists()


def test_the_second_name_that_a_killed_process_left_goes(path: Path) -> None:
    code = "import os, sys; from pathlib import Path; from aftersun.inventory.store.private import sibling\n"
    code += "os.link(sys.argv[1], sibling(Path(sys.argv[1])))"
    subprocess.run([sys.executable, "-c", code, str(path)], check=True)
    assert path.stat().st_nlink == 2
    erase(path, "C1", DAY)
    assert path.stat().st_nlink == 1


def test_numbers_reserved_for_letters_are_never_given_again(path: Path) -> None:
    with Inventory.open(path) as inventory:
        reserve(inventory, 2026, 2)  # and then killed before any letter is kept
    with Inventory.open(path) as inventory:
        assert reserve(inventory, 2026, 1) == (["2026-000003"], {})
        assert reserve(inventory, 2027, 1) == (["2027-000001"], {})
        assert given_numbers(inventory.connection).keys() == {*(f"2026-00000{n}" for n in (1, 2, 3)), "2027-000001"}


ALIKE = ["c1", "C 1", "\uff23\uff11", "C\u200b1", "C1\u2060"]
"""C1 in small letters, with a blank, in full width, with a space of no width, with a word joiner."""


@pytest.mark.parametrize("number", ALIKE)
def test_a_number_that_only_looks_different_brings_nobody_back(path: Path, number: str) -> None:
    erase(path, "C1", DAY)
    source = path.with_name("customer.csv")
    source.write_text(f"customer_id,name,contact_allowed\n{number},Household A,yes\n", encoding="utf-8")
    with Inventory.open(path) as inventory:
        report = load_file(inventory, "customer", source)
    assert (report.added, report.erased) == (0, 1)


@pytest.mark.parametrize("number", ALIKE)
def test_a_number_that_only_looks_different_is_no_second_customer(path: Path, number: str) -> None:
    source = path.with_name("customer.csv")
    source.write_text(f"customer_id,name,contact_allowed\n{number},Household A,yes\nC10,New,yes\n", encoding="utf-8")
    with Inventory.open(path) as inventory:
        report = load_file(inventory, "customer", source)
    assert (report.added, report.rejected) == (1, 1)
    assert "looks like a number that is there" in report.problems[0]


def test_what_a_killed_process_was_making_goes_with_the_next_command(path: Path) -> None:
    code = "import sys; from pathlib import Path; from aftersun.inventory.store.private import sibling\n"
    code += "made = sibling(Path(sys.argv[1])); made.write_bytes(b'555-0101'); print(made)"
    made = subprocess.run([sys.executable, "-c", code, str(path)], check=True, capture_output=True, text=True).stdout
    mine = sibling(path)  # of a process that runs
    mine.mkdir()
    assert not Path(made.strip()).exists()
    Inventory.open(path, read_only=True).close()
    assert mine.exists()
    mine.rmdir()
