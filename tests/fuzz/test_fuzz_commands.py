"""Damaged workbooks, Parquet and weather files through the commands: refused in a sentence, soon, nothing lost."""

from __future__ import annotations

import resource
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fuzz.damage import MARKER, WRITERS, Case, cases, write_csv
from fuzz.fuzzed_inventory import State, state_of
from fuzz.skies import WEATHER, SkyCase, sky_cases
from hypothesis import HealthCheck, given, seed, settings

from aftersun.cli import main
from aftersun.inventory.loading.load import load_file
from aftersun.inventory.store.dictionary import tables
from aftersun.inventory.store.file import Inventory

SEED = 73  # other files than those that the readers themselves are tried with
SECONDS = 10  # of processor time: what else the machine does does not count
MEMORY_MB = 500


def _state(inventory: Path) -> State:
    with Inventory.open(inventory, read_only=True) as opened:
        return state_of(opened.connection)


@pytest.fixture
def inventory(tmp_path: Path) -> Path:
    """An inventory with a good table of every kind."""
    path = tmp_path / "company.duckdb"
    with Inventory.create(path) as made:
        for table in tables():
            good = tmp_path / f"{table}.csv"
            write_csv(Case(table, [], (0, 19, 0, 0), []), good)
            load_file(made, table, good)
    return path


def _table(kind: str) -> Callable[[Case, Path], list[str]]:
    def words(case: Case, folder: Path) -> list[str]:
        path = folder / f"damaged.{kind}"
        WRITERS[kind](case, path)
        return ["inventory", "load", str(folder / "company.duckdb"), str(path), "--table", case.table]

    return words


def _weather(case: SkyCase, folder: Path) -> list[str]:
    path = folder / "damaged.txt"
    path.write_bytes(case.content)
    return ["weather", "add", str(folder / "company.duckdb"), str(path)]


_KINDS: dict[str, tuple[Any, Callable[[Any, Path], list[str]]]] = {
    "xlsx": (cases(), _table("xlsx")),
    "parquet": (cases(), _table("parquet")),
    "weather": (sky_cases(WEATHER, short=False), _weather),
}


@pytest.mark.parametrize("files", [6, pytest.param(150, marks=pytest.mark.long)])
@pytest.mark.parametrize("kind", _KINDS)
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.slow
def test_damaged_files_through_the_command(inventory, monkeypatch, capsys, kind: str, files: int) -> None:
    strategy, words = _KINDS[kind]
    codes: Counter[int] = Counter()
    before = [_state(inventory)]
    most_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss

    @seed(SEED)
    @settings(max_examples=files, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(strategy)
    def tried(case: Any) -> None:
        monkeypatch.setattr(sys, "argv", ["aftersun", *words(case, inventory.parent)])
        began, code = time.process_time(), 0
        try:
            main()
        except SystemExit as stop:
            code = int(stop.code or 0)
        took = time.process_time() - began
        told = capsys.readouterr()
        codes[code] += 1
        assert code in (0, 2, 3), told.err
        assert took < SECONDS
        assert MARKER not in told.out + told.err
        after = _state(inventory)
        if code == 2:
            sentence, hint, *more = told.err.removeprefix("aftersun: ").splitlines()
            assert told.err.startswith("aftersun: ")
            assert sentence
            assert hint.startswith("  ")
            assert len(" ".join([sentence, hint, *more])) < 2_000
            assert after == before[0]
        else:
            assert all(rows >= before[0][name][0] for name, (rows, _) in after.items())
        before[0] = after

    tried()
    grown_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - most_kb) / 1000
    print(kind, dict(codes), f"{grown_mb:.0f} MB more")
    assert grown_mb < MEMORY_MB
    assert codes[2]
