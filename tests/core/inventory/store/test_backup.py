"""Backup and restore: a checked copy that overwrites nothing unasked."""

from __future__ import annotations

import shutil
import stat
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

import duckdb
import pandas as pd
import pytest

from aftersun.inventory.runs.prune import prune
from aftersun.inventory.runs.stored_runs import RunRecord, read_run_table, write_run
from aftersun.inventory.store import backup, rewrite
from aftersun.inventory.store.backup import copy_inventory
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError, InUse

Contents = Callable[[Inventory], dict[str, pd.DataFrame]]

START = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
RUN = RunRecord("r0", START, START, "0.1.0", date(2026, 3, 1), 2, 0)


@pytest.fixture
def path(tmp_path: Path, loaded_file: Path) -> Path:
    return Path(shutil.copy(loaded_file, tmp_path / "company.duckdb"))


def _same(one: Path, other: Path, contents: Contents) -> bool:
    found = []
    for path in (one, other):
        with Inventory.open(path, read_only=True) as inventory:
            found.append(contents(inventory))
    return found[0] == found[1]


@pytest.mark.slow
def test_backup_and_restore_bring_everything_back(path: Path, contents: Contents) -> None:
    copy, again = path.with_name("backup.duckdb"), path.with_name("again.duckdb")
    done = copy_inventory(path, copy)
    assert done.rows > 10
    assert done.size == copy.stat().st_size
    assert _same(path, copy, contents)
    with Inventory.open(path) as inventory:
        inventory.connection.execute("DELETE FROM contact")
    copy_inventory(copy, path, replace=True)
    copy_inventory(copy, again)
    assert _same(copy, path, contents)
    assert _same(copy, again, contents)
    assert {name.name for name in path.parent.iterdir()} == {"company.duckdb", "backup.duckdb", "again.duckdb"}
    assert {stat.S_IMODE(name.stat().st_mode) for name in (copy, again, path)} == {0o600}


@pytest.mark.slow
def test_rows_keep_their_order_and_tables_of_others_come_along(path: Path) -> None:
    """Some result tables are read back in the order in which their rows were written."""
    with Inventory.open(path) as inventory:
        notes = pd.DataFrame(
            {"site_id": "S1", "retrofit": "bird_mesh", "note_id": [f"n{n * 7 % 5000}" for n in range(5000)]}
        )
        write_run(inventory, RUN, {"safety_note": notes.assign(severity="danger", text="x")})
        inventory.connection.execute("CREATE TABLE my_notes AS SELECT 'keep me' AS note")
    copy_inventory(path, path.with_name("backup.duckdb"))
    with Inventory.open(path.with_name("backup.duckdb"), read_only=True) as inventory:
        assert list(read_run_table(inventory, "safety_note", "r0")["note_id"]) == list(notes["note_id"])
        assert inventory.connection.execute("SELECT note FROM my_notes").fetchall() == [("keep me",)]


def test_nothing_is_overwritten_unless_told(path: Path) -> None:
    mine = path.with_name("mine.txt")
    mine.write_text("mine")
    with pytest.raises(AftersunError, match="exists already"):
        copy_inventory(path, mine)
    assert mine.read_text() == "mine"
    with pytest.raises(AftersunError, match="onto itself"):
        copy_inventory(path, path, replace=True)
    with pytest.raises(AftersunError, match="no folder"):
        copy_inventory(path, path.parent / "nowhere" / "b.duckdb")
    with pytest.raises(AftersunError, match="no inventory file"):
        copy_inventory(path.with_name("absent.duckdb"), path.with_name("b.duckdb"))
    foreign = path.with_name("foreign.duckdb")
    duckdb.connect(str(foreign)).close()
    before = path.read_bytes()
    with pytest.raises(AftersunError, match="not an inventory"):
        copy_inventory(foreign, path, replace=True)
    assert path.read_bytes() == before


@pytest.mark.slow
def test_a_damaged_inventory_can_be_replaced_by_its_backup(path: Path, contents: Contents) -> None:
    copy = path.with_name("backup.duckdb")
    copy_inventory(path, copy)
    code = (
        "import duckdb, os, sys\nc = duckdb.connect(sys.argv[1])\n"
        "c.execute(\"INSERT INTO customer (customer_id) VALUES ('C99')\")\nos._exit(0)\n"
    )
    subprocess.run([sys.executable, "-c", code, str(path)], check=True)
    assert path.with_name("company.duckdb.wal").exists()  # not to be read into what is restored
    path.write_bytes(path.read_bytes()[:100_000])
    copy_inventory(copy, path, replace=True)
    assert not path.with_name("company.duckdb.wal").exists()
    assert _same(copy, path, contents)


def test_a_log_left_over_is_not_read_into_another_file(path: Path) -> None:
    left = path.with_name("new.duckdb.wal")
    left.write_bytes(b"left over")
    for make in (
        lambda: Inventory.create(path.with_name("new.duckdb")),
        lambda: copy_inventory(path, left.with_suffix("")),
    ):
        with pytest.raises(AftersunError, match=r"new\.duckdb\.wal exists already"):
            make()


@pytest.mark.parametrize("read_only", [True, False])
@pytest.mark.slow
def test_a_backup_is_made_beside_readers_but_not_beside_a_writer(
    path: Path, monkeypatch: pytest.MonkeyPatch, read_only: bool
) -> None:
    monkeypatch.setattr("aftersun.inventory.store.file._LOCK_WAIT_S", 0)
    code = (
        "import duckdb, sys\nc = duckdb.connect(sys.argv[1], read_only=bool(int(sys.argv[2])))\n"
        "print('open', flush=True)\nsys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path), str(int(read_only))], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"open\n"
        if read_only:
            copy_inventory(path, path.with_name("backup.duckdb"))
            with pytest.raises(InUse, match=f"PID {other.pid}"):
                prune(path, 1)
        else:
            with pytest.raises(InUse, match=f"PID {other.pid}"):
                copy_inventory(path, path.with_name("backup.duckdb"))
        other.communicate()
    assert path.with_name("backup.duckdb").exists() == read_only


def test_a_copy_that_differs_is_never_put_in_place(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def loses_a_row(connection: duckdb.DuckDBPyConnection, *rest: object) -> dict[str, int]:
        monkeypatch.undo()
        connection.execute("DETACH aftersun_copy")
        connection.execute(f"ATTACH '{rest[-1]}' AS aftersun_copy (READ_WRITE)")
        connection.execute("UPDATE aftersun_copy.contact SET name = 'Another' WHERE customer_id = 'C2'")
        return rewrite._compare(connection, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(rewrite, "_compare", loses_a_row)
    with pytest.raises(AftersunError, match="does not hold what it should"):
        backup.copy_inventory(path, path.with_name("backup.duckdb"))
    assert [name.name for name in path.parent.iterdir()] == ["company.duckdb"]
