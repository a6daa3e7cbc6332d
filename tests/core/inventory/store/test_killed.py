"""Killed at any moment, or out of room, an inventory holds the state before or the state after, never one between."""

from __future__ import annotations

import gzip
import math
import os
import random
import shutil
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import IO

import duckdb
import pytest
from old_inventory_support import unpacked

from aftersun.inventory.loading.load import load_file
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import EXIT_BAD_INPUT

HERE = Path(__file__).parent
OLD = HERE / "old_files" / "layout-1.duckdb.gz"
# What differs between two runs of the same operation: moments, and the random key that a new file gets.
_MASKED = {"loaded_at", "changed_at", "recorded_at", "corrected_at", "done_at", "made_at", "secret"}
_SEED = int(os.environ.get("AFTERSUN_FUZZ_SEED", "0"))

# How often each is killed by the long test.
OPERATIONS = {
    **dict.fromkeys(("load", "rank", "log", "migrate"), 32),
    **dict.fromkeys(("restore", "prune", "erase", "create", "backup", "correct", "convert", "letter"), 15),
}

State = dict[str, tuple[object, ...]] | None


class Killer:
    """Starts operations in a process of their own and kills them after a while."""

    def __init__(self) -> None:
        self._parent = subprocess.Popen(
            [sys.executable, str(HERE / "killed_child.py")], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def run(
        self, operation: str, path: Path, needs: Path, after: float | None = None, limit: int | None = None
    ) -> tuple[int, float]:
        """Return how it ended (0, an exit code, or minus the signal) and how long it took.

        Without ``after`` it runs to its end; ``limit`` is how many bytes a file may have.
        """
        told, heard = self._pipes()
        print(operation, path, needs, after or "", limit or "", sep="\t", file=told, flush=True)
        status, seconds = heard.readline().split()
        return os.waitstatus_to_exitcode(int(status)), float(seconds)

    def close(self) -> None:
        told, heard = self._pipes()
        told.close()
        self._parent.wait(10)
        heard.close()

    def _pipes(self) -> tuple[IO[str], IO[str]]:
        assert self._parent.stdin is not None
        assert self._parent.stdout is not None
        return self._parent.stdin, self._parent.stdout


@pytest.fixture(scope="module")
def killer() -> Iterator[Killer]:
    made = Killer()
    yield made
    made.close()


@pytest.fixture(scope="module")
def starts(tmp_path_factory: pytest.TempPathFactory, loaded_file: Path, killer: Killer) -> dict[str, Path | None]:
    """What each operation begins with, by its name; None = there is no file yet."""
    folder = tmp_path_factory.mktemp("starts")
    (folder / "customer.csv").write_text(
        "customer_id,name,phone,contact_allowed\nC2,Another name,555-0199,no\n"
        + "".join(f"K{n},Household {n},555-{n:06d},yes\n" for n in range(1500))
        + "K1,Twice,,\n"
    )
    old = folder / "old.duckdb"
    old.write_bytes(gzip.decompress(OLD.read_bytes()))
    ranked = Path(shutil.copy(loaded_file, folder / "source.duckdb"))
    killer.run("rank", ranked, folder)
    with Inventory.open(ranked) as inventory, inventory.transaction() as connection:
        connection.execute("UPDATE ranking SET run_id = 'older'")
        connection.execute("UPDATE cash_flow SET run_id = 'older'")
        connection.execute("UPDATE run SET run_id = 'older', finished_at = finished_at - INTERVAL 1 DAY")
        newer = "SELECT * REPLACE ('newer' AS run_id, now() AS finished_at) FROM run"
        connection.execute(f"INSERT INTO run BY NAME {newer}")
    with Inventory.open(ranked) as inventory:
        load_file(inventory, "customer", folder / "customer.csv")
    logged = Path(shutil.copy(loaded_file, folder / "logged.duckdb"))
    assert killer.run("log", logged, folder)[0] == 0
    offered = unpacked("demo-layout-29", folder)
    return {
        **dict.fromkeys(("load", "rank", "log", "restore"), loaded_file),
        **dict.fromkeys(("prune", "erase"), ranked),
        **dict.fromkeys(("create", "backup"), None),
        "migrate": old,
        "correct": logged,
        **dict.fromkeys(("convert", "letter"), offered),
    }


def _state(connection: duckdb.DuckDBPyConnection) -> State:
    """Return columns, number of rows and content of every table."""
    columns: dict[str, list[str]] = {}
    query = "SELECT table_name, column_name FROM duckdb_columns() SEMI JOIN duckdb_tables() USING (table_name)"
    for table, name in connection.execute(f"{query} ORDER BY ALL").fetchall():
        columns.setdefault(table, []).append(name)
    digests = [
        f"SELECT '{table}', count(*), sum(hash(w)) FROM (SELECT "
        + ", ".join(f'"{name}"' for name in names if name not in _MASKED)
        + f' FROM "{table}") AS w'
        for table, names in columns.items()
    ]
    found = connection.execute(" UNION ALL ".join(digests)).fetchall()
    # A number is given before its letter is written; a gap does no harm.
    return {table: (*columns[table], *digest) for table, *digest in found if table != "letter_number"}


def _as_it_is(path: Path) -> State:
    """Return what is in a file without bringing it up to date; None if there is no file."""
    if not path.exists():
        return None
    with duckdb.connect() as connection:  # as the first file it would not be opened with any log
        connection.execute(f"ATTACH '{path}' AS looked_at (READ_ONLY)")
        connection.execute("USE looked_at")
        return _state(connection)


def _opened(path: Path) -> State:
    """Return what the program finds when it opens an inventory for writing; None if there is no file."""
    if not path.exists():
        return None
    with Inventory.open(path) as inventory:
        return _state(inventory.connection)


def _kill_often(
    operation: str, times: int, killer: Killer, starts: dict[str, Path | None], folder: Path, seed: int
) -> Counter[str]:
    """Kill an operation so many times, at random moments, and return how often which state was found."""
    start = starts[operation]
    needs = next(path for path in starts.values() if path and path.name == "source.duckdb").parent
    look = _as_it_is if operation == "migrate" else _opened

    def fresh() -> Path:
        place = folder / f"{operation}-{sum(found.values())}"
        place.mkdir()
        return Path(shutil.copy(start, place / "a.duckdb")) if start else place / "a.duckdb"

    moments, found = random.Random(seed), Counter[str]()
    path = fresh()
    before = look(path)
    _, seconds = killer.run(operation, path, needs)
    after = look(path)
    assert before != after, "the operation does nothing that could be seen"
    while found["killed"] < times:
        shutil.rmtree(path.parent)
        path = fresh()
        code, taken = killer.run(operation, path, needs, moments.uniform(0.0, seconds))
        assert code in (0, -signal.SIGKILL), "the operation failed by itself"
        if code == 0:  # it was faster than before
            seconds = min(seconds, taken)
        state = look(path)
        assert state in (before, after), f"{operation}: neither the state before nor that after"
        found["before" if state == before else "after"] += 1
        found["killed" if code else "ended first"] += 1
    _done_again(operation, killer, path, needs, after)
    return found


def _done_again(operation: str, killer: Killer, path: Path, needs: Path, after: State) -> None:
    """What was killed is simply done again, and leaves nothing lying about."""
    if operation in ("load", "migrate", "prune", "restore") or not path.exists():
        assert killer.run(operation, path, needs)[0] == 0
        assert _opened(path) == after if operation != "migrate" else _as_it_is(path) == after
    if operation in ("load", "migrate", "prune"):
        assert [name.name for name in path.parent.iterdir()] == ["a.duckdb"]


@pytest.mark.parametrize("operation", ["load", "rank", "log", "migrate", "erase"])
@pytest.mark.slow
def test_a_few_kills_leave_the_state_before_or_after(
    operation: str, killer: Killer, starts: dict[str, Path | None], tmp_path: Path
) -> None:
    _kill_often(operation, 2, killer, starts, tmp_path, seed=7)


@pytest.mark.parametrize("number", range(len(OPERATIONS)), ids=OPERATIONS)
@pytest.mark.long
@pytest.mark.slow
def test_many_kills_leave_the_state_before_or_after(
    number: int, killer: Killer, starts: dict[str, Path | None], tmp_path: Path
) -> None:
    """248 kills over all operations that write, at moments that follow from AFTERSUN_FUZZ_SEED."""
    operation, times = list(OPERATIONS.items())[number]
    found = _kill_often(operation, times, killer, starts, tmp_path, seed=number + 100 * _SEED)
    print(operation, dict(found))
    if times > 15:
        assert found["before"], "the moments of the kills are not spread over the operation"


def _run_out_of_room(
    operation: str, limits: Sequence[int], killer: Killer, starts: dict[str, Path | None], folder: Path
) -> Counter[str]:
    """Do an operation with files of so many bytes at most; return how often it failed and how often that was enough."""
    start, found = starts[operation], Counter[str]()
    needs = next(path for path in starts.values() if path and path.name == "source.duckdb").parent
    look = _as_it_is if operation == "migrate" else _opened
    for limit in limits:
        place = folder / f"{operation}-{limit}"
        place.mkdir()
        path = Path(shutil.copy(start, place / "a.duckdb")) if start else place / "a.duckdb"
        before = look(path)
        code, _ = killer.run(operation, path, needs, limit=limit)
        assert code in (EXIT_BAD_INPUT, 0), f"{operation} within {limit} bytes"
        if code:
            assert look(path) == before, f"{operation} within {limit} bytes"
            assert {name.name for name in place.iterdir()} <= {"a.duckdb", "a.duckdb.wal"}
        found["failed" if code else "enough"] += 1
        shutil.rmtree(place)
    return found


@pytest.mark.parametrize("operation", ["load", "rank", "migrate", "prune", "erase", "create", "backup", "restore"])
@pytest.mark.slow
def test_out_of_room_nothing_is_changed(
    operation: str, killer: Killer, starts: dict[str, Path | None], tmp_path: Path
) -> None:
    """A limit to the size of files stands for the full disk: some operations fail at their log, some at their end."""
    assert _run_out_of_room(operation, (2_000, 1_000_000), killer, starts, tmp_path)["failed"]


@pytest.mark.long
@pytest.mark.slow
def test_out_of_room_at_any_size_nothing_is_changed(
    killer: Killer, starts: dict[str, Path | None], tmp_path: Path
) -> None:
    """Sixty full disks over all operations, of sizes that follow from AFTERSUN_FUZZ_SEED."""
    sizes, found = random.Random(_SEED), Counter[str]()
    for name, start in starts.items():
        most = start.stat().st_size if start else 2e6  # small ones as often as large ones: most logs are small
        limits = [int(10 ** sizes.uniform(3, math.log10(most))) for _ in range(5)]
        found += _run_out_of_room(name, limits, killer, starts, tmp_path)
    print(dict(found))
    assert found["failed"] >= 30
