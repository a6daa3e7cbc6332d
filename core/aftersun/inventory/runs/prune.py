"""Deletes old runs with all their rows, and gives the space back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import duckdb

from aftersun.inventory.store.private import put_in_place, real_file
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.rewrite import (
    Condition,
    columns_of,
    for_rewriting,
    tables_of,
    write_copy,
)
from aftersun.inventory.store.sql import quoted
from aftersun.inventory.store.tables import NEWEST_FIRST, RUN_TABLES


@dataclass(frozen=True)
class Pruned:
    """What became of the runs. ``kept`` gives for each older run that was kept the tables that name it."""

    deleted: tuple[str, ...]
    kept: Mapping[str, tuple[str, ...]]
    size_before: int
    size_after: int


def prune(path: Path | str, keep: int, also_referenced: bool = False) -> Pruned:
    """Keep the newest ``keep`` runs and, unless ``also_referenced``, older ones that calls, offers or letters name.

    Raises
    ------
    InUse
        If another process has the inventory open.
    AftersunError
        If fewer than one run is to be kept, or the inventory cannot be opened or written.
    """
    path = real_file(path)
    if keep < 1:
        raise refusal("keep_too_few")
    with for_rewriting(path) as (inventory, made):
        connection = inventory.connection
        before = path.stat().st_size
        old = connection.execute(f"SELECT run_id FROM run ORDER BY {NEWEST_FIRST} OFFSET ?", [keep]).fetchall()
        named = {} if also_referenced else _naming(connection)
        kept = {run_id: named[run_id] for (run_id,) in old if run_id in named}
        deleted = tuple(run_id for (run_id,) in old if run_id not in named)
        if deleted:
            gone = Condition("run_id IN (SELECT unnest(?::VARCHAR[]))", [list(deleted)])
            write_copy(inventory, made, dict.fromkeys(("run", *RUN_TABLES), gone))
            put_in_place(made, path, replace=True)
        return Pruned(deleted, kept, before, path.stat().st_size)


def _naming(connection: duckdb.DuckDBPyConnection) -> dict[str, tuple[str, ...]]:
    """Return by run the tables, other than its own, that name it."""
    naming: dict[str, tuple[str, ...]] = {}
    for table in tables_of(connection):
        if table not in ("run", *RUN_TABLES) and "run_id" in columns_of(connection, table):
            rows = connection.execute(f"SELECT DISTINCT run_id FROM {quoted(table)} WHERE run_id IS NOT NULL")
            for (run_id,) in rows.fetchall():
                naming[run_id] = (*naming.get(run_id, ()), table)
    return naming
