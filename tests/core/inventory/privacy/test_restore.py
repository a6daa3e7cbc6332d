"""What must not be forgotten outlives a restore, a second name of the file, and another way to write a number."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from aftersun.inventory.loading.load import LoadReport, load_file
from aftersun.inventory.log import call_log
from aftersun.inventory.log.corrections import correct_call
from aftersun.inventory.log.letters import given_numbers, reserve
from aftersun.inventory.privacy.customer_rows import erase
from aftersun.inventory.privacy.restore import restore
from aftersun.inventory.runs.prune import prune
from aftersun.inventory.store import trail
from aftersun.inventory.store.backup import copy_inventory
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.private import sibling
from aftersun.inventory.store.pseudonyms import folded
from aftersun.model.errors import AftersunError
from aftersun.scoring.calls.contact_rules import contact_rule

DAY = date(2026, 3, 9)


@pytest.fixture
def path(loaded: Inventory) -> Path:
    loaded.close()
    return loaded.path


def _value(path: Path, query: str) -> object:
    with Inventory.open(path, read_only=True) as inventory:
        return inventory.connection.execute(query).fetchall()[0][0]


@pytest.mark.slow
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


@pytest.mark.slow
def test_a_restore_to_a_new_place_is_the_backup(path: Path) -> None:
    done = restore(path, path.with_name("new.duckdb"))
    assert (done.erased, done.carried_over) == (0, True)
    assert _value(path.with_name("new.duckdb"), "SELECT count(*) FROM customer") == 2


LATER_CUSTOMER = {
    "customer": "customer_id,name,contact_allowed,contact_basis\nC3,Household C,yes,asked for it\n",
    "site": "site_id,customer_id,latitude,longitude\nS3,C3,40,1\n",
}


def _load(path: Path, table: str, text: str) -> LoadReport:
    source = path.with_name(f"{table}.csv")
    source.write_text(text, encoding="utf-8")
    with Inventory.open(path) as inventory:
        report = load_file(inventory, table, source)
    source.unlink()
    return report


def _contact_rules(path: Path) -> dict[str, str]:
    with Inventory.open(path, read_only=True) as inventory:
        return dict(contact_rule(call_log.customers(inventory), call_log.entries(inventory), DAY, 90))


def _object(path: Path, site_id: str) -> None:
    with Inventory.open(path) as inventory:
        entry = {"site_id": site_id, "called_on": "2026-03-08", "outcome": "objection"}
        call_log.record_call(inventory, entry, today=DAY)


@pytest.mark.slow
def test_a_corrected_objection_is_not_carried_over_and_hides_none_that_stands(path: Path) -> None:
    _object(path, "S1")
    with Inventory.open(path) as inventory:
        correct_call(inventory, 1, "another house", {}, {}, withdraw=True, although_objection=True, today=DAY)
    backup = path.with_name("backup.duckdb")
    copy_inventory(path, backup)
    restore(backup, path, replace=True)
    assert _contact_rules(path)["C1"] != "objected"
    _object(path, "S1")
    restore(backup, path, replace=True)
    assert _contact_rules(path)["C1"] == "objected"


@pytest.mark.parametrize("loaded_before", [(), ("customer",)])
@pytest.mark.slow
def test_an_objection_outlives_a_restore_that_knows_no_such_customer_or_site(
    path: Path, loaded_before: tuple[str, ...]
) -> None:
    backup = path.with_name("backup.duckdb")
    for table in loaded_before:
        _load(path, table, LATER_CUSTOMER[table])
    copy_inventory(path, backup)
    for table, text in LATER_CUSTOMER.items():
        _load(path, table, text)
    _object(path, "S3")
    restore(backup, path, replace=True)
    for table, text in LATER_CUSTOMER.items():
        _load(path, table, text)
    assert _contact_rules(path)["C3"] == "objected"


@pytest.mark.slow
def test_who_was_erased_out_of_a_rejected_row_is_erased_again(path: Path) -> None:
    backup = path.with_name("backup.duckdb")
    assert _load(path, "customer", "customer_id,name,contact_allowed\nC9,Zq7rejectXk,perhaps\n").rejected == 1
    copy_inventory(path, backup)
    assert b"Zq7rejectXk" in backup.read_bytes()
    erase(path, "C9", DAY)
    restore(backup, path, replace=True)
    assert b"Zq7rejectXk" not in path.read_bytes()


@pytest.mark.slow
def test_a_site_erased_with_its_new_owner_goes_and_the_owner_before_stays(path: Path) -> None:
    backup = path.with_name("backup.duckdb")
    copy_inventory(path, backup)  # where S1 is C1's
    _load(path, "customer", LATER_CUSTOMER["customer"])
    _load(path, "site", "site_id,customer_id,latitude,longitude\nS1,C3,40,-3.5\n")
    erase(path, "C3", DAY)
    restore(backup, path, replace=True)
    assert _value(path, "SELECT string_agg(customer_id ORDER BY customer_id) FROM customer") == "C1,C2"
    assert _value(path, "SELECT string_agg(site_id) FROM site") == "S2"
    assert _value(path, 'SELECT count(*) FROM "array"') == 0


@pytest.mark.slow
def test_erasures_outlive_a_restore_from_a_backup_of_another_inventory(path: Path) -> None:
    """As every backup is that was made before there were keys: it gets a key of its own when it is opened."""
    erase(path, "C1", DAY)
    another = path.with_name("another.duckdb")
    Inventory.create(another).close()
    for _ in range(2):
        restore(another, path, replace=True)
        assert _load(path, "customer", "customer_id,name\nC1,Household A\n").erased == 1
    assert _value(path, "SELECT count(*) FROM pseudonym_key") == 2


def _cut_off(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:100_000])


def _damage_further_in(path: Path) -> None:
    whole = bytearray(path.read_bytes())
    for at in range(3 * 4096 + 262144, len(whole), 4096):  # the first block of 256 KiB and the headers stay
        whole[at : at + 64] = b"\xff" * 64
    path.write_bytes(whole)


def _of_a_newer_program(path: Path) -> None:
    with Inventory.open(path) as inventory:
        inventory.connection.execute("INSERT INTO schema_version VALUES (9999, now())")


@pytest.mark.parametrize("change", [_cut_off, _damage_further_in, _of_a_newer_program])
@pytest.mark.slow
def test_what_cannot_be_read_is_replaced_only_when_told_twice(path: Path, change: Callable[[Path], None]) -> None:
    backup = path.with_name("backup.duckdb")
    copy_inventory(path, backup)
    change(path)
    before = path.read_bytes()
    with pytest.raises(AftersunError, match="would be forgotten"):
        restore(backup, path, replace=True)
    assert path.read_bytes() == before
    assert not restore(backup, path, replace=True, although_unread=True).carried_over
    assert _value(path, "SELECT count(*) FROM customer") == 2


@pytest.mark.parametrize("change", [lambda link: erase(link, "C1", DAY), lambda link: prune(link, 1)])
@pytest.mark.slow
def test_through_a_link_the_real_file_is_changed(path: Path, change) -> None:
    link = path.with_name("link.duckdb")
    link.symlink_to(path)
    change(link)
    assert link.is_symlink()
    assert _value(link, "SELECT count(*) FROM customer") == _value(path, "SELECT count(*) FROM customer")


@pytest.mark.slow
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


@pytest.mark.slow
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


@pytest.mark.parametrize(
    "number",
    [
        *ALIKE,
        "C\u00ad1",
        "\u200eC1",
        "C\u034f1",
        "C1\ufe0f",
        "C\u31641",
        "C\u115f1",
        "C\u28001",
        "C\u0661",
        "\U0001d402\U0001d7cf",
    ],
    ids=ascii,
)
def test_a_number_is_the_same_however_it_is_written(number: str) -> None:
    """Also with signs that show nothing, in Arabic digits, and in the bold letters of mathematics."""
    assert folded(number) == folded("C1") == "c1"


@pytest.mark.parametrize("number", ["C10", "C01", "D1", "C-1", "\u00c71"])
def test_another_number_is_another(number: str) -> None:
    assert folded(number) != folded("C1")


@pytest.mark.slow
def test_a_rejected_row_of_a_number_that_only_looks_different_goes_with_an_erasure(path: Path) -> None:
    assert _load(path, "customer", "customer_id,name,phone\nc 1,Zq7twinXk,555-9\n").rejected == 1
    assert b"Zq7twinXk" in path.read_bytes()
    erase(path, "C1", DAY)
    assert b"Zq7twinXk" not in path.read_bytes()


@pytest.mark.slow
def test_an_objection_counts_for_a_number_that_only_looks_different_and_erasing_tells_of_it(path: Path) -> None:
    """Both are there from before such numbers were refused."""
    with Inventory.open(path) as inventory:
        inventory.connection.execute("INSERT INTO customer (customer_id, contact_allowed) VALUES ('c1', true)")
        inventory.connection.execute("INSERT INTO contact (customer_id, contact_basis) VALUES ('c1', 'asked')")
    assert _contact_rules(path)["c1"] == ""
    _object(path, "S1")
    assert _contact_rules(path)["c1"] == "objected"
    assert erase(path, "C1", DAY).look_alikes == ("c1",)


@pytest.mark.parametrize("number", ALIKE)
@pytest.mark.slow
def test_a_number_that_only_looks_different_brings_nobody_back(path: Path, number: str) -> None:
    erase(path, "C1", DAY)
    source = path.with_name("customer.csv")
    source.write_text(f"customer_id,name,contact_allowed\n{number},Household A,yes\n", encoding="utf-8")
    with Inventory.open(path) as inventory:
        report = load_file(inventory, "customer", source)
    assert (report.added, report.erased) == (0, 1)


@pytest.mark.parametrize("number", ALIKE)
@pytest.mark.slow
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
