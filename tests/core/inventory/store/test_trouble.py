"""Files that may not be used, that are damaged or in use, and files that hold something planted."""

from __future__ import annotations

import os
import random
import shutil
import stat
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest

from aftersun.inventory.store import read
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import EXIT_BAD_INPUT, EXIT_IN_USE, AftersunError, InUse

NOBODY = 65534


@pytest.fixture
def ordinary(loaded_file: Path) -> Iterator[Path]:
    """An inventory in a folder of its own, for a user whose rights count: root is nobody for the while."""
    folder = Path(tempfile.mkdtemp())
    path = Path(shutil.copy(loaded_file, folder / "a.duckdb"))
    root = os.geteuid() == 0
    if root:
        for name in (folder, path):
            os.chown(name, NOBODY, NOBODY)
        os.seteuid(NOBODY)
    try:
        yield path
    finally:
        if root:
            os.seteuid(0)
        folder.chmod(0o700)
        shutil.rmtree(folder)


def test_read_only_file_and_folder(ordinary: Path) -> None:
    before = ordinary.read_bytes()
    for read_only, folder in ((0o400, 0o700), (0o600, 0o500)):
        ordinary.chmod(read_only)
        ordinary.parent.chmod(folder)
        with pytest.raises(AftersunError, match="may not be written") as refused:
            Inventory.open(ordinary)
        assert refused.value.exit_code == EXIT_BAD_INPUT
        with Inventory.open(ordinary, read_only=True) as inventory:
            assert len(read.sites(inventory)) == 2
        assert ordinary.read_bytes() == before
    with pytest.raises(AftersunError, match=r"could not be|cannot be"):
        Inventory.create(ordinary.with_name("new.duckdb"))
    assert [name.name for name in ordinary.parent.iterdir()] == ["a.duckdb"]
    ordinary.chmod(0o000)
    with pytest.raises(AftersunError, match="may not be read"):
        Inventory.open(ordinary, read_only=True)


@pytest.mark.parametrize("read_only", [True, False])
@pytest.mark.slow
def test_truncated_files_are_refused_and_left_alone(loaded_file: Path, tmp_path: Path, read_only: bool) -> None:
    """DuckDB itself opens a file whose last blocks are missing, and the next load would grow over the gap."""
    whole, path = loaded_file.read_bytes(), tmp_path / "a.duckdb"
    some = random.Random(3)
    for length in (0, 1, 4096, 12288, len(whole) - 1, *(some.randrange(len(whole)) for _ in range(6))):
        path.write_bytes(whole[:length])
        with pytest.raises(AftersunError, match="cannot be opened as an inventory") as refused:
            Inventory.open(path, read_only)
        assert refused.value.exit_code == EXIT_BAD_INPUT
        assert path.read_bytes() == whole[:length]


@pytest.mark.slow
def test_a_damaged_block_is_told_in_one_sentence(loaded_file: Path, tmp_path: Path) -> None:
    """At least one of these spots is used by a table; the others lie in blocks that nothing uses."""
    whole, path = loaded_file.read_bytes(), tmp_path / "a.duckdb"
    some, told = random.Random(5), set()
    for _ in range(12):
        damaged = bytearray(whole)
        at = some.randrange(12288, len(whole) - 64)
        damaged[at : at + 64] = some.randbytes(64)
        path.write_bytes(bytes(damaged))
        told.add(_error_of_reading_all(path))
    assert told - {None} == {EXIT_BAD_INPUT}


def _error_of_reading_all(path: Path) -> int | None:
    try:
        with Inventory.open(path, read_only=True) as inventory:
            for (table,) in inventory.connection.execute("SELECT table_name FROM duckdb_tables()").fetchall():
                inventory.connection.execute(f'SELECT * FROM "{table}"').fetchall()
    except AftersunError as error:
        return error.exit_code
    return None


@pytest.mark.slow
def test_readers_work_together_and_a_writer_is_told_who_they_are(
    loaded_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = Path(shutil.copy(loaded_file, tmp_path / "a.duckdb"))
    monkeypatch.setattr("aftersun.inventory.store.file._LOCK_WAIT_S", 0)
    code = (
        "import sys\nfrom aftersun.inventory.store.file import Inventory\n"
        "with Inventory.open(sys.argv[1], read_only=True) as i:\n"
        "    print(i.connection.execute('SELECT count(*) FROM site').fetchall()[0][0], flush=True)\n"
        "    sys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as reader:
        assert reader.stdout is not None
        assert reader.stdout.readline() == "2\n"
        with Inventory.open(path, read_only=True) as inventory:
            assert len(read.sites(inventory)) == 2
        with pytest.raises(InUse, match=rf"in use by the process with PID {reader.pid} \(python") as refused:
            Inventory.open(path)
        reader.communicate("")
    assert refused.value.exit_code == EXIT_IN_USE


def test_a_view_in_the_place_of_a_table_is_one_sentence(loaded_file: Path, tmp_path: Path) -> None:
    path = Path(shutil.copy(loaded_file, tmp_path / "a.duckdb"))
    with duckdb.connect(str(path)) as connection:
        connection.execute("DROP TABLE horizon; CREATE VIEW horizon AS SELECT site_id FROM site")
    with pytest.raises(AftersunError, match="no version of this program made"):
        Inventory.open(path)


@pytest.mark.parametrize("read_only", [True, False])
def test_what_is_planted_in_an_inventory_reaches_no_other_file(
    loaded_file: Path, tmp_path: Path, read_only: bool
) -> None:
    path = Path(shutil.copy(loaded_file, tmp_path / "a.duckdb"))
    secret = tmp_path / "secret.csv"
    secret.write_text("site_id\nstolen\n")
    with duckdb.connect(str(path)) as connection:
        connection.execute("ALTER TABLE horizon RENAME TO horizon_before")
        connection.execute(
            f"CREATE VIEW horizon AS SELECT site_id, 0 AS azimuth_deg, 0 AS height_deg FROM read_csv('{secret}')"
        )
        connection.execute(f"CREATE MACRO steal() AS TABLE SELECT * FROM read_csv('{secret}')")
    with pytest.raises(AftersunError, match="reaches for another file"), Inventory.open(path, read_only) as inventory:
        read.horizons(inventory)
    with Inventory.open(path, read_only) as inventory:
        for query in (
            "FROM steal()",
            f"COPY (SELECT 1) TO '{tmp_path / 'out.csv'}'",
            f"ATTACH '{tmp_path / 'other.duckdb'}'",
            f"EXPORT DATABASE '{tmp_path / 'all'}'",
            "LOAD httpfs",
            "INSTALL httpfs",
            "SET enable_external_access = true",
            "SET lock_configuration = false",
            f"SET allowed_directories = ['{tmp_path}']",
        ):
            with pytest.raises(duckdb.Error):
                inventory.connection.execute(query)
    assert {name.name for name in tmp_path.iterdir()} == {"a.duckdb", "secret.csv"}


def test_only_what_is_named_may_be_used(loaded_file: Path, tmp_path: Path) -> None:
    path = Path(shutil.copy(loaded_file, tmp_path / "a.duckdb"))
    (tmp_path / "named").mkdir()
    for folder in ("named", "."):
        (tmp_path / folder / "x.csv").write_text("a\n1\n")
    with Inventory.open(path, may_use=[tmp_path / "named"]) as inventory:
        assert inventory.connection.execute(f"FROM '{tmp_path}/named/x.csv'").fetchall() == [(1,)]
        for other in (f"{tmp_path}/x.csv", f"{tmp_path}/named/../x.csv"):
            with pytest.raises(duckdb.PermissionException):
                inventory.connection.execute(f"FROM read_csv('{other}')")


def test_no_pickle_and_no_code_from_outside_in_the_room() -> None:
    folder = Path(read.__file__).parent
    for path in folder.glob("*.py"):
        words = path.read_text()
        assert "pickle" not in words
        assert "eval(" not in words
        assert "exec(" not in words


def test_all_that_is_made_is_for_its_owner_only(loaded_file: Path, tmp_path: Path) -> None:
    """Also what DuckDB puts beside the file when memory does not suffice, which it makes as it reads."""
    path = Path(shutil.copy(loaded_file, tmp_path / "a.duckdb"))
    before = os.umask(0o022)
    try:
        with Inventory.open(path, read_only=True):
            (tmp_path / "while-open").write_text("")
            with Inventory.open(path, read_only=True):
                pass
            (tmp_path / "still-open").write_text("")
        (tmp_path / "closed").write_text("")
    finally:
        os.umask(before)
    modes = {name.name: stat.S_IMODE(name.stat().st_mode) for name in tmp_path.iterdir()}
    assert modes["while-open"] == modes["still-open"] == 0o600
    assert modes["closed"] == 0o644


def test_leftovers_of_a_killed_process_go_when_a_writer_comes(loaded_file: Path, tmp_path: Path) -> None:
    path = Path(shutil.copy(loaded_file, tmp_path / "a.duckdb"))
    spilled = tmp_path / "a.duckdb.tmp"
    spilled.mkdir()
    (spilled / "duckdb_temp_1_0_storage_DEFAULT-0.tmp").write_text("somebody's data")
    with Inventory.open(path, read_only=True):
        assert spilled.exists()  # another reader may still need it
    with Inventory.open(path):
        assert not spilled.exists()


@pytest.mark.slow
def test_a_file_that_duckdb_cut_short_itself_is_whole(loaded_file: Path, tmp_path: Path) -> None:
    """Free blocks at the end go from the file, but not from its count of blocks."""
    path = Path(shutil.copy(loaded_file, tmp_path / "a.duckdb"))
    shorter = False
    for number in range(6):
        with Inventory.open(path) as inventory, inventory.transaction() as connection:
            connection.execute("DROP TABLE IF EXISTS coming_and_going")
            if number % 2 == 0:
                connection.execute("CREATE TABLE coming_and_going AS SELECT hash(range) AS a FROM range(400000)")
        with Inventory.open(path, read_only=True) as inventory:
            query = "SELECT total_blocks * block_size FROM pragma_database_size()"
            shorter |= inventory.connection.execute(query).fetchall()[0][0] + 12288 > path.stat().st_size
    assert shorter
