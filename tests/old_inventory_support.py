"""Inventories that older versions of the program wrote, and columns that are added after them."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from aftersun.inventory.log import learnt_facts
from aftersun.inventory.store import dictionary
from aftersun.inventory.store.dictionary import Column
from aftersun.inventory.store.tables import RUN_TABLES

OLD_FILES = Path(__file__).parent / "core" / "inventory" / "store" / "old_files"
ADDED = (
    ("customer", "shoe_size", "number", True),
    ("site", "roof_colour", "choice", False),
    ("array", "fence_m", "number", False),
    ("tariff", "standing_charge", "number", False),
)
"""Table, name and type of columns that no version has, and whether they are personal."""


def unpacked(name: str, folder: Path) -> Path:
    """Return a copy of the old file of that name."""
    path = folder / f"{name}.duckdb"
    path.write_bytes(gzip.decompress((OLD_FILES / f"{name}.duckdb.gz").read_bytes()))
    path.chmod(0o600)
    return path


def add_columns(patch: pytest.MonkeyPatch) -> None:
    """Add the columns ``ADDED`` to the dictionary and one to the ranking, until the patch is undone."""
    entries = {table: dictionary.columns(table) for table in dictionary.tables()}
    for table, name, kind, personal in ADDED:
        choices = ("red", "grey") if kind == "choice" else ()
        least = 0.0 if kind == "number" else None
        entries[table] += (
            Column(table, name, kind, "", least, None, choices, "", False, False, personal, "Added by a test"),
        )
    patch.setattr(dictionary, "_dictionary", lambda: entries)
    patch.setattr(learnt_facts, "fact_columns", learnt_facts.fact_columns.__wrapped__)  # not what was kept before
    ranking = RUN_TABLES["ranking"]
    patch.setitem(ranking.columns, "added_measure", "DOUBLE")  # type: ignore[arg-type]
