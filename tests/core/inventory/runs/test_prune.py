"""Old runs are deleted with all their rows, and the space they took comes back."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from aftersun.inventory.log import call_log
from aftersun.inventory.runs.prune import prune
from aftersun.inventory.runs.stored_runs import RunRecord, read_run_table, stored_run, write_run
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.tables import RUN_TABLES
from aftersun.model.errors import AftersunError

START = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
RUN = RunRecord("r0", START, START, "0.1.0", date(2026, 3, 1), 2, 0)


@pytest.fixture
def path(tmp_path: Path, loaded_file: Path) -> Path:
    return Path(shutil.copy(loaded_file, tmp_path / "company.duckdb"))


def _store_runs(path: Path, count: int, rows: int = 3000) -> None:
    some = np.random.default_rng(1)
    with Inventory.open(path) as inventory:
        for n in range(count):
            at = START + timedelta(days=n)
            flow = pd.DataFrame(
                {"site_id": "S1", "retrofit": "bird_mesh", "year": range(rows), "net": some.normal(size=rows)}
            )
            run = replace(RUN, run_id=f"r{n}", started_at=at, finished_at=at)
            write_run(inventory, run, {"cash_flow": flow, "run_value": pd.DataFrame({"retrofit": [""], "offers": [n]})})


@pytest.mark.slow
def test_pruned_runs_are_gone_from_every_table_and_give_their_space_back(path: Path) -> None:
    with_one = Path(shutil.copy(path, path.with_name("one.duckdb")))
    _store_runs(with_one, 1)
    _store_runs(path, 12)
    grown = path.stat().st_size
    done = prune(path, 1)
    assert done.deleted == tuple(f"r{n}" for n in reversed(range(11)))
    assert done.kept == {}
    assert (done.size_before, done.size_after) == (grown, path.stat().st_size)
    # Blocks have 256 KiB, so that a file of few rows is mostly empty; beyond that nothing of the old runs is left.
    assert done.size_after <= with_one.stat().st_size + 2 * 262144
    with Inventory.open(path) as inventory:
        run = stored_run(inventory)
        assert run is not None
        assert run.run_id == "r11"
        for table in ("run", *RUN_TABLES):
            assert inventory.connection.execute(f"SELECT count(*) FROM {table} WHERE run_id <> 'r11'").fetchall() == [
                (0,)
            ]
        assert len(read_run_table(inventory, "cash_flow", "r11")) == 3000
    assert prune(path, 1).deleted == ()


@pytest.mark.slow
def test_file_does_not_grow_when_runs_come_and_go(path: Path) -> None:
    sizes = []
    for _ in range(3):
        with Inventory.open(path) as inventory:
            inventory.connection.execute("UPDATE run SET run_id = 'before', finished_at = '2020-01-01'")
            inventory.connection.execute("UPDATE cash_flow SET run_id = 'before'")
            inventory.connection.execute("UPDATE run_value SET run_id = 'before'")
        _store_runs(path, 3)
        prune(path, 1)
        sizes.append(path.stat().st_size)
    assert max(sizes) <= 1.2 * sizes[0]


@pytest.mark.slow
def test_runs_that_calls_or_offers_name_are_kept_unless_told_otherwise(path: Path) -> None:
    _store_runs(path, 6)
    with Inventory.open(path) as inventory:
        entry = {"site_id": "S1", "called_on": "2026-03-02", "outcome": "no", "run_id": "r0", "retrofit": "bird_mesh"}
        inventory.connection.execute("INSERT INTO run_retrofit (run_id, retrofit) VALUES ('r0', 'bird_mesh')")
        call_log.record_call(inventory, entry, today=date(2026, 3, 9))
        call_log.make_offer(inventory, "S1", "bird_mesh", 100.0, "EUR", date(2026, 3, 3))
    done = prune(path, 2)
    assert set(done.deleted) == {"r1", "r3"}
    assert done.kept == {"r2": ("offer_made",), "r0": ("call_log",)}
    assert set(prune(path, 2, also_referenced=True).deleted) == {"r0", "r2"}
    with Inventory.open(path, read_only=True) as inventory:
        assert len(call_log.entries(inventory)) == 1
    with pytest.raises(AftersunError, match="newest run is kept"):
        prune(path, 0)
