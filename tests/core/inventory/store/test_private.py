"""Killed at any moment, a command leaves no half file under its name, and the next one clears away the rest."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from aftersun.inventory.loading.bad_rows import write_rows
from aftersun.inventory.privacy.export import export
from aftersun.inventory.store import private
from aftersun.inventory.store.file import Inventory

PHONE = b"555-0101"
KILLED = -9
START = """
import os, sys
from pathlib import Path
path, folder = Path(sys.argv[1]), Path(sys.argv[2])
def kill(*given, **more): os.kill(os.getpid(), 9)
"""
COPY = """
from aftersun.inventory.store import rewrite
from aftersun.inventory.store.backup import copy_inventory
rewrite.tables_of = lambda connection: (yield from ["customer", "contact"]) or kill()
copy_inventory(path, folder / "copy.duckdb")
"""
ROWS = """
from aftersun.inventory.loading.bad_rows import write_rows
def rows():
    yield from [["555-0101"]] * 9999
    kill()
write_rows(folder / "rows.csv", ["phone"], rows())
"""
EXPORT = """
from aftersun.inventory.privacy import export
from aftersun.inventory.store import private
from aftersun.inventory.store.file import Inventory
private.put_in_place = kill
with Inventory.open(path) as inventory:
    export.export(inventory, folder)
"""
SCRATCH = """
from aftersun.inventory.store.private import scratch
with scratch() as made:
    (made / "part").write_bytes(b"555-0101")
    kill()
"""

pytestmark = pytest.mark.skipif(os.name != "posix", reason="elsewhere nobody can ask whether a process is there")


@pytest.fixture
def path(loaded: Inventory) -> Path:
    loaded.close()
    return loaded.path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "out"
    made.mkdir()
    return made


def _killed(code: str, path: Path, folder: Path) -> list[str]:
    """Run a program that kills itself; return what it left in the folder."""
    environment = {**os.environ, "TMPDIR": str(folder)}
    ended = subprocess.run([sys.executable, "-c", START + code, path, folder], env=environment, check=False, timeout=60)
    assert ended.returncode == KILLED
    return sorted(name.name for name in folder.iterdir())


@pytest.mark.slow
def test_a_killed_copy_leaves_neither_its_file_nor_the_log_of_it(path: Path) -> None:
    left = _killed(COPY, path, path.parent)
    logs = [name for name in left if name.endswith(".wal")]
    assert len(logs) == 1
    assert PHONE in path.with_name(logs[0]).read_bytes()
    Inventory.open(path, read_only=True).close()
    assert not [name.name for name in path.parent.iterdir() if ".making-" in name.name]


@pytest.mark.slow
def test_killed_rows_are_no_file_that_is_taken_for_whole(path: Path, folder: Path) -> None:
    (left,) = _killed(ROWS, path, folder)
    assert ".making-" in left
    assert PHONE in (folder / left).read_bytes()
    write_rows(folder / "rows.csv", ["phone"], [["1"]])
    assert [name.name for name in folder.iterdir()] == ["rows.csv"]
    assert (folder / "rows.csv").stat().st_mode & 0o777 == 0o600


@pytest.mark.slow
def test_a_killed_export_leaves_no_table_that_is_taken_for_whole(path: Path, folder: Path) -> None:
    (left,) = _killed(EXPORT, path, folder)
    assert ".making-" in left
    with Inventory.open(path) as inventory:
        written = export(inventory, folder)
    assert sorted(folder.iterdir()) == sorted(written)
    assert {name.stat().st_mode & 0o777 for name in written} == {0o600}


@pytest.mark.slow
def test_what_a_killed_what_if_had_computed_goes_with_the_next_command(
    path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert len(_killed(SCRATCH, path, folder)) == 1
    monkeypatch.setattr("aftersun.inventory.store.file.gettempdir", lambda: str(folder))
    Inventory.open(path, read_only=True).close()
    assert not list(folder.iterdir())


@pytest.mark.parametrize(
    ("handle", "error", "code", "runs"), [(7, 0, 259, True), (7, 0, 0, False), (0, 87, 0, False), (0, 5, 0, True)]
)
def test_windows_is_asked_whether_a_process_is_there(
    monkeypatch: pytest.MonkeyPatch, handle: int, error: int, code: int, runs: bool
) -> None:
    """As its manual has it: no handle and error 87 for a number that nobody has, exit code 259 while it runs."""

    class Kernel:
        OpenProcess = staticmethod(lambda *_: handle)
        CloseHandle = staticmethod(lambda _: 1)

        @staticmethod
        def GetExitCodeProcess(_: int, found: object) -> None:
            found._obj.value = code  # type: ignore[attr-defined]

    monkeypatch.setattr("sys.platform", "win32")
    monkeypatch.setattr("ctypes.WinDLL", lambda *_, **__: Kernel, raising=False)
    monkeypatch.setattr("ctypes.get_last_error", lambda: error, raising=False)
    assert private._runs(os.getpid()) is runs
