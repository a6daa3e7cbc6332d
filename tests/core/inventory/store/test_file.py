"""Making, opening, locking and bringing up to date."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest
from run_support import write_elsewhere

from aftersun.inventory.store import file, migrations, private
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import EXIT_BAD_INPUT, EXIT_IN_USE, AftersunError, InUse


def test_create_refuses_to_overwrite(tmp_path: Path) -> None:
    path = tmp_path / "a.duckdb"
    path.write_text("something of mine")
    with pytest.raises(AftersunError, match="exists already"):
        Inventory.create(path)
    assert path.read_text() == "something of mine"


def test_missing_folder_missing_file_and_foreign_files(tmp_path: Path) -> None:
    with pytest.raises(AftersunError, match="no folder"):
        Inventory.create(tmp_path / "nowhere" / "a.duckdb")
    with pytest.raises(AftersunError, match="no inventory file") as missing:
        Inventory.open(tmp_path / "a.duckdb")
    assert missing.value.exit_code == EXIT_BAD_INPUT
    assert not (tmp_path / "a.duckdb").exists()
    text = tmp_path / "set lock" / "text.duckdb"  # these words in a path are no lock
    text.parent.mkdir()
    text.write_text("not a database")
    with pytest.raises(AftersunError, match="cannot be opened"):
        Inventory.open(text)
    other = tmp_path / "other.duckdb"
    duckdb.connect(str(other)).close()
    with pytest.raises(AftersunError, match="not an inventory"):
        Inventory.open(other)


def test_files_are_for_their_owner_only(tmp_path: Path) -> None:
    before = os.umask(0o022)
    try:
        with Inventory.create(tmp_path / "a.duckdb") as inventory:
            with inventory.transaction() as connection:
                connection.execute("INSERT INTO customer (customer_id) VALUES ('C')")
            modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in tmp_path.iterdir()}
    finally:
        os.umask(before)
    assert "a.duckdb" in modes
    assert set(modes.values()) == {0o600}  # the log beside it too


def test_transaction_keeps_all_or_nothing(inventory: Inventory) -> None:
    def fail_midway() -> None:
        with inventory.transaction() as connection:
            connection.execute("INSERT INTO customer (customer_id) VALUES ('C1')")
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"):
        fail_midway()
    assert inventory.connection.execute("SELECT count(*) FROM customer").fetchall() == [(0,)]


def test_python_variables_are_not_read_by_accident(inventory: Inventory) -> None:
    secret = __import__("pandas").DataFrame({"a": [1]})
    assert len(secret) == 1
    with pytest.raises(duckdb.CatalogException):
        inventory.connection.execute("SELECT * FROM secret")


@pytest.mark.parametrize("read_only", [False, True])
@pytest.mark.slow
def test_file_held_by_another_process(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, read_only: bool) -> None:
    path = tmp_path / "a.duckdb"
    Inventory.create(path).close()
    before = path.read_bytes()
    monkeypatch.setattr(file, "_LOCK_WAIT_S", 0)
    code = (
        "import sys\nfrom aftersun.inventory.store.file import Inventory\n"
        "with Inventory.open(sys.argv[1]):\n    print('open', flush=True)\n    sys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "open\n"
        with pytest.raises(InUse) as held:
            Inventory.open(path, read_only=read_only)
        holder.communicate("")
    assert held.value.exit_code == EXIT_IN_USE == 4
    assert str(path) in str(held.value)
    assert f"PID {holder.pid}" in str(held.value)
    assert "nothing was changed" in held.value.hint
    assert path.read_bytes() == before
    Inventory.open(path, read_only=read_only).close()  # free again


def test_short_wait_for_a_holder_about_to_leave(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.duckdb"
    Inventory.create(path).close()
    real = duckdb.connect
    calls = []

    def busy_once(*args: object, **kwargs: object) -> duckdb.DuckDBPyConnection:
        calls.append(1)
        if len(calls) == 1:
            raise duckdb.IOException("Could not set lock on file: Conflicting lock is held in x (PID 7)")
        return real(*args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(duckdb, "connect", busy_once)
    monkeypatch.setattr(file, "_LOCK_PAUSE_S", 0.0)
    Inventory.open(path).close()
    assert len(calls) == 2


def test_the_wait_for_a_holder_is_ten_seconds_and_says_for_whom(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    path, now = tmp_path / "a.duckdb", [100.0]
    Inventory.create(path).close()

    def busy(*_args: object, **_kwargs: object) -> None:
        raise duckdb.IOException("Could not set lock on file: Conflicting lock is held in /bin/x (PID 7) by user Ann")

    def sleep(seconds: float) -> None:
        now[0] += seconds

    monkeypatch.setattr(duckdb, "connect", busy)
    monkeypatch.setattr(file.time, "monotonic", lambda: now[0])
    monkeypatch.setattr(file.time, "sleep", sleep)
    with pytest.raises(InUse) as refused:
        Inventory.open(path)
    assert 110 <= now[0] < 110.2
    holder = "the process with PID 7 (x) on this machine"
    assert str(refused.value) == f"The inventory {path} is in use by {holder}."
    assert caplog.messages == [f"waiting for {holder}, which uses the inventory {path}"]


@pytest.mark.slow
def test_a_copy_is_read_while_others_write_and_nothing_of_it_is_left(tmp_path: Path) -> None:
    path = tmp_path / "a.duckdb"
    Inventory.create(path).close()
    killed = (
        "import duckdb, os, sys\nc = duckdb.connect(sys.argv[1])\n"
        "c.execute(\"INSERT INTO customer (customer_id) VALUES ('C1')\")\nos._exit(0)\n"
    )
    subprocess.run([sys.executable, "-c", killed, str(path)], check=True)
    assert path.with_name("a.duckdb.wal").exists()  # what it wrote stands there alone
    left = tmp_path / f"a.duckdb{private._MAKING}{private._HERE}-4000000-00000000.wal"
    left.write_text("of a copy whose maker was killed")
    with Inventory.copied(path) as (copy, source):
        write_elsewhere(path)
        assert copy.connection.execute("FROM customer SELECT customer_id").fetchall() == [("C1",)]
        assert {stat.S_IMODE(name.stat().st_mode) for name in tmp_path.iterdir()} == {0o600}
        assert file.is_still(source, path)
        path.replace(tmp_path / "b.duckdb")
        Inventory.create(path).close()
        assert not file.is_still(source, path)
    assert {name.name for name in tmp_path.iterdir()} == {"a.duckdb", "b.duckdb"}


def test_failed_creation_leaves_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(_: duckdb.DuckDBPyConnection) -> None:
        raise RuntimeError("broken step")

    monkeypatch.setattr(migrations, "make_key", broken)
    with pytest.raises(RuntimeError, match="broken step"):
        Inventory.create(tmp_path / "new.duckdb")
    assert list(tmp_path.iterdir()) == []


def test_newer_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "new.duckdb"
    with Inventory.create(path) as inventory:
        inventory.connection.execute("INSERT INTO schema_version VALUES (99, NULL)")
    with pytest.raises(AftersunError, match="newer program"):
        Inventory.open(path)
