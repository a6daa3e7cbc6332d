"""The script that holds a refactoring to the results before it: equal files pass, whatever differs is named."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest
from same_results import differences, tables

from aftersun.scoring.run.demo import Demo

SCRIPT = Path(__file__).parent / "same_results.py"


def stored(path: Path, *changes: str) -> Path:
    """Return a file with a table like one of a run, changed by statements."""
    with duckdb.connect(str(path)) as connection:
        connection.execute("CREATE TABLE site_loss (run_id VARCHAR, site_id VARCHAR, step VARCHAR, kwh DOUBLE)")
        connection.execute("INSERT INTO site_loss VALUES ('r', 'S1', 'heat', 1.5), ('r', 'S2', 'heat', NULL)")
        for change in changes:
            connection.execute(change)
    return path


def test_files_that_differ_in_the_order_of_rows_the_run_and_the_last_bits_hold_the_same(tmp_path: Path) -> None:
    before = stored(tmp_path / "a.duckdb")
    after = stored(
        tmp_path / "b.duckdb",
        "DELETE FROM site_loss WHERE site_id = 'S1'",
        "INSERT INTO site_loss VALUES ('r', 'S1', 'heat', 1.5000000000000002)",
        "UPDATE site_loss SET run_id = 'another'",
        "CREATE TABLE is_new (anything INTEGER)",
    )
    assert differences(tables(str(before)), tables(str(after))) == []


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ("UPDATE site_loss SET kwh = 1.500001 WHERE site_id = 'S1'", "site_loss.kwh: 1 of 2 differ"),
        ("UPDATE site_loss SET kwh = 0 WHERE site_id = 'S2'", "site_loss.kwh: 1 of 2 differ"),
        ("UPDATE site_loss SET step = 'dirt' WHERE site_id = 'S2'", "site_loss.step: 1 of 2 differ"),
        ("DELETE FROM site_loss WHERE site_id = 'S2'", "site_loss: 2 rows before, 1 after"),
        ("ALTER TABLE site_loss DROP COLUMN kwh", "site_loss.kwh: the column is gone"),
        ("DROP TABLE site_loss", "site_loss: the table is gone"),
    ],
)
@pytest.mark.slow
def test_what_differs_is_named(tmp_path: Path, change: str, named: str) -> None:
    before, after = stored(tmp_path / "a.duckdb"), stored(tmp_path / "b.duckdb", change)
    (line,) = differences(tables(str(before)), tables(str(after)))
    assert line.startswith(named)


@pytest.mark.slow
def test_as_a_script_it_ends_with_1_where_something_differs(demo: Demo, tmp_path: Path) -> None:
    changed = Path(shutil.copy(demo.inventory, tmp_path / "changed.duckdb"))
    with duckdb.connect(str(changed)) as connection:
        connection.execute("UPDATE site_energy SET exported_kwh = exported_kwh + 1 WHERE site_id = 'S0127'")

    def ran(other: Path) -> tuple[int, str]:
        done = subprocess.run(
            [sys.executable, str(SCRIPT), str(demo.inventory), str(other)], capture_output=True, text=True, check=False
        )
        return done.returncode, done.stdout

    assert ran(demo.inventory) == (0, "the same results\n")
    code, out = ran(changed)
    assert code == 1
    assert out.startswith("site_energy.exported_kwh: 1 of 44 differ, first ")
    assert out.count("\n") == 1
