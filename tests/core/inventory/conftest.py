"""An open inventory, and a way to write small files to load. All people and places are invented."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from aftersun.inventory.loading.load import load_file
from aftersun.inventory.store.file import Inventory

Write = Callable[[str, str], Path]
Contents = Callable[[Inventory], dict[str, tuple[list[str], list[tuple[object, ...]]]]]

LOADED = {
    "customer": "customer_id,name,phone,contact_allowed\nC1,Household A,555-0101,yes\nC2,Household B,555-0102,no\n",
    "tariff": "tariff_id,valid_from,import_price,export_price\nT1,2024-01-01,0.30,0.08\nT1,2025-01-01,0.34,\n",
    "site": (
        "site_id,customer_id,latitude,longitude,tariff_id,birds_seen\n"
        "S1,C1,40.0,-3.5,T1,yes\nS2,C2,-33.9,18.4,,unknown\n"
    ),
    "array": "array_id,site_id,tilt_deg,azimuth_deg,dc_rating_kw\nA1,S1,30,180,4.2\n",
}


@pytest.fixture(scope="session")
def empty_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty inventory, made once; tests open copies of it."""
    path = tmp_path_factory.mktemp("inventory") / "empty.duckdb"
    Inventory.create(path).close()
    return path


@pytest.fixture(scope="session")
def loaded_file(empty_file: Path) -> Path:
    """Two customers, one tariff with two price dates, two sites, one array."""
    path = Path(shutil.copy(empty_file, empty_file.with_name("loaded.duckdb")))
    with Inventory.open(path) as opened:
        for table, text in LOADED.items():
            source = path.with_name(f"{table}.csv")
            source.write_text(text, encoding="utf-8")
            report = load_file(opened, table, source)
            assert report.rejected == 0, report.problems
    return path


@pytest.fixture
def inventory(tmp_path: Path, empty_file: Path) -> Iterator[Inventory]:
    with Inventory.open(shutil.copy(empty_file, tmp_path / "company.duckdb"), may_use=[tmp_path]) as opened:
        yield opened


@pytest.fixture
def loaded(tmp_path: Path, loaded_file: Path) -> Iterator[Inventory]:
    with Inventory.open(shutil.copy(loaded_file, tmp_path / "loaded.duckdb")) as opened:
        yield opened


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Write a text file as it is and return its path."""

    def _write(name: str, text: str) -> Path:
        path = tmp_path / name
        path.write_bytes(text.encode("utf-8"))
        return path

    return _write


@pytest.fixture
def contents() -> Contents:
    """Return everything in an inventory, names of columns and rows by table, to compare before and after."""

    def _contents(inventory: Inventory) -> dict[str, tuple[list[str], list[tuple[object, ...]]]]:
        names = inventory.connection.execute(
            "SELECT table_name FROM information_schema.tables WHERE table_type = 'BASE TABLE' ORDER BY table_name"
        ).fetchall()
        found = {}
        for (name,) in names:
            result = inventory.connection.execute(f'SELECT * FROM "{name}" ORDER BY ALL')
            found[name] = ([column[0] for column in result.description], result.fetchall())
        return found

    return _contents
