"""Every older version's file, as the program of its day wrote it, becomes one of today with all that it held."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import duckdb
import pytest

from aftersun.inventory.loading.load import load_file
from aftersun.inventory.loading.rejects import open_rejects
from aftersun.inventory.runs.stored_runs import read_run_table, stored_run
from aftersun.inventory.store import migrations, read
from aftersun.inventory.store.backup import copy_inventory
from aftersun.inventory.store.file import Inventory, bring_up_to_date
from aftersun.inventory.store.migrations import newest_version, stored_version
from aftersun.model.errors import AftersunError

OLD_FILES = Path(__file__).parent / "old_files"
OLDER = range(1, newest_version())

Rows = dict[str, list[dict[str, object]]]


def _old(version: int, folder: Path) -> Path:
    path = folder / f"layout-{version}.duckdb"
    path.write_bytes(gzip.decompress((OLD_FILES / f"layout-{version}.duckdb.gz").read_bytes()))
    path.chmod(0o600)
    return path


def _rows(path: Path) -> Rows:
    with duckdb.connect(str(path), read_only=True) as connection:
        found: Rows = {}
        for (table,) in connection.execute("SELECT table_name FROM duckdb_tables() ORDER BY 1").fetchall():
            result = connection.execute(f'SELECT * FROM "{table}" ORDER BY ALL')
            names = [column[0] for column in result.description]
            found[table] = [dict(zip(names, row, strict=True)) for row in result.fetchall()]
        return found


def _layout(path: Path) -> dict[str, set[tuple[str, str]]]:
    with duckdb.connect(str(path), read_only=True) as connection:
        found: dict[str, set[tuple[str, str]]] = {}
        query = "SELECT table_name, column_name, data_type FROM duckdb_columns() WHERE NOT internal"
        for table, *column in connection.execute(query).fetchall():
            found.setdefault(table, set()).add((column[0], column[1]))
        return found


@pytest.mark.parametrize("version", OLDER)
def test_a_file_of_each_older_version_is_kept_here(version: int) -> None:
    """Make one with ``old_files/make.py`` and the program of that version, before a step is added."""
    assert (OLD_FILES / f"layout-{version}.duckdb.gz").stat().st_size < 1_000_000


@pytest.mark.parametrize("version", OLDER)
def test_an_older_file_gets_todays_layout_and_loses_nothing(version: int, tmp_path: Path, empty_file: Path) -> None:
    path = _old(version, tmp_path)
    before = _rows(path)
    assert before["schema_version"][-1]["version"] == version
    Inventory.open(path).close()
    after = _rows(path)
    assert _layout(path) == _layout(empty_file)
    for table, rows in before.items():
        if table != "schema_version":
            kept = [{name: row[name] for name in rows[0]} for row in after[table]] if rows else after[table]
            assert kept == rows, table
    assert [row["version"] for row in after["schema_version"]] == list(range(1, newest_version() + 1))


@pytest.mark.parametrize("version", OLDER)
def test_an_older_file_works_like_one_of_today(version: int, tmp_path: Path) -> None:
    source = tmp_path / "customer.csv"
    source.write_text("customer_id,name,on_register\nC1,Household A,no\nC4,Household D,\n")
    with Inventory.open(_old(version, tmp_path)) as inventory:
        assert list(read.sites(inventory)["site_id"]) == ["S1", "S2"]
        assert len(open_rejects(inventory)) == 2
        run = stored_run(inventory)
        assert run is not None
        assert len(read_run_table(inventory, "ranking", run.run_id)) == 2
        report = load_file(inventory, "customer", source)
        assert (report.added, report.changed, report.rejected) == (1, 1, 0)


@pytest.mark.parametrize("version", OLDER)
def test_a_step_that_fails_leaves_the_file_as_it_was(
    version: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = _old(version, tmp_path)
    before = _rows(path)

    def fails(connection: duckdb.DuckDBPyConnection) -> None:
        connection.execute("ALTER TABLE site ADD COLUMN half_done VARCHAR")
        connection.execute("DELETE FROM customer")
        raise RuntimeError("broken step")

    monkeypatch.setattr(migrations, "MIGRATIONS", [*migrations.MIGRATIONS, fails])
    with pytest.raises(RuntimeError, match="broken step"):
        Inventory.open(path)
    assert _rows(path) == before  # the steps before the broken one are taken back too


@pytest.mark.parametrize("version", OLDER)
def test_an_older_file_is_backed_up_as_it_is(version: int, tmp_path: Path) -> None:
    path = _old(version, tmp_path)
    with pytest.raises(AftersunError, match="older layout"):
        Inventory.open(path, read_only=True)
    done = copy_inventory(path, tmp_path / "backup.duckdb")
    assert done.layout == version
    assert _rows(tmp_path / "backup.duckdb") == _rows(path)


def test_old_files_hold_invented_people_only(tmp_path: Path) -> None:
    for version in OLDER:
        contact = _rows(_old(version, tmp_path))["contact"]
        assert {str(row["name"])[:9] for row in contact} == {"Household"}
        assert json.dumps(contact, default=str).count("@") == json.dumps(contact, default=str).count("@example.org")


def test_todays_file_says_so(empty_file: Path) -> None:
    with duckdb.connect(str(empty_file), read_only=True) as connection:
        assert stored_version(connection) == newest_version()


@pytest.mark.parametrize("version", OLDER)
def test_what_is_about_to_be_ranked_is_brought_up_to_date_first(version: int, tmp_path: Path) -> None:
    path = _old(version, tmp_path)
    with pytest.raises(AftersunError, match=rf"older layout \({version}\)") as told:
        Inventory.open(path, read_only=True)
    assert "Rank, or load a table" in told.value.hint
    bring_up_to_date(path)
    with Inventory.open(path, read_only=True) as inventory:
        assert stored_version(inventory.connection) == newest_version()


def test_one_of_today_is_not_written_to(empty_file: Path) -> None:
    before = empty_file.read_bytes()
    with Inventory.open(empty_file, read_only=True):  # another reader may be there
        bring_up_to_date(empty_file)
    assert empty_file.read_bytes() == before
