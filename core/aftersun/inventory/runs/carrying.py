"""Carries a stored run from one inventory into another, through files: its tables are never in memory as a whole."""

from __future__ import annotations

from pathlib import Path

from aftersun.inventory.runs.stored_runs import stored_run, write_run
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.sql import literal, quoted
from aftersun.inventory.store.tables import RUN_TABLES


def write_out(inventory: Inventory, run_id: str, folder: Path) -> None:
    """Write the tables of a run into a folder that the inventory was opened to use, those with rows a file each."""
    for name in RUN_TABLES:
        rows = f"FROM {quoted(name)} WHERE run_id = {literal(run_id)}"
        if inventory.connection.execute(f"SELECT count(*) {rows}").fetchall()[0][0]:
            inventory.connection.execute(f"COPY ({rows}) TO {literal(str(folder / name))} (FORMAT parquet)")


def take_run(source: Inventory, target: Inventory, run_id: str, folder: Path) -> None:
    """Store a run of ``source`` in ``target``, with tables that were written out of it, in one transaction."""
    record = stored_run(source, run_id)
    assert record is not None
    write_run(target, record, {name: [folder / name] for name in RUN_TABLES if (folder / name).exists()})
