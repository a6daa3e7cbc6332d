"""One inventory that many damaged files are tried on, each held against what must be true whatever the file.

What a load changes is looked at inside its transaction, which is then taken back, so that every file meets the same
inventory; one load in twenty is committed and cleared away afterwards.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import duckdb
from fuzz.damage import MARKER, Case, write_csv

from aftersun.inventory.loading.load import LoadReport, load_file
from aftersun.inventory.log.call_table import CallsReport, load_calls
from aftersun.inventory.store.dictionary import stored_tables, tables
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.sql import quoted
from aftersun.model.errors import AftersunError

_WATCHED = (*(stored for table in tables() for stored in stored_tables(table)), "reject", "load", "weather_station")
_REALLY = 20

State = dict[str, tuple[int, int]]


class _Held:
    """A connection that takes back what it is told to commit, once its state has been noted."""

    def __init__(self, connection: duckdb.DuckDBPyConnection) -> None:
        self._connection = connection
        self.inside: State | None = None
        self.really = False

    def __getattr__(self, name: str) -> Any:
        return getattr(self._connection, name)

    def execute(self, query: str, parameters: Sequence[Any] | None = None) -> Any:
        if query == "COMMIT":
            self.inside = state_of(self._connection)
            if not self.really:
                query = "ROLLBACK"
        return self._connection.execute(query, parameters)


def state_of(connection: Any) -> State:
    """Rows and a hash of each table that a load could touch."""
    parts = [f"SELECT '{name}', count(*), coalesce(bit_xor(hash(t)), 0) FROM {quoted(name)} t" for name in _WATCHED]
    return {name: (rows, found) for name, rows, found in connection.execute(" UNION ALL ".join(parts)).fetchall()}


def check_words(error: AftersunError) -> None:
    """What is said on a refused file is whole, short and fit for a terminal, and holds no customer's data."""
    told = f"{error}\n{error.hint}"
    assert str(error).strip()
    assert error.hint.strip()
    assert error.exit_code in (2, 3)
    assert MARKER.casefold() not in told.casefold(), "a message holds customers' data"
    assert all(letter.isprintable() or letter == "\n" for letter in told)
    assert len(told) < 2_000


class FuzzedInventory:
    """An inventory with a good table of every kind, in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._made = Inventory.create(folder / "company.duckdb")
        for table in tables():
            path = folder / f"{table}.csv"
            write_csv(Case(table, [], (0, 19, 0, 0), []), path)
            report = load_file(self._made, table, path)
            assert (report.rejected, report.added) == (0, report.rows_read), (table, report.problems)
        self._held = _Held(self._made.connection)
        self.inventory = Inventory(self._made.path, self._held, ExitStack())  # type: ignore[arg-type]
        self.before = state_of(self._held)
        self._tried = 0
        for name in _WATCHED:
            self._held.execute(f"CREATE TEMP TABLE {quoted(f'good {name}')} AS FROM {quoted(name)}")

    def close(self) -> None:
        """Close the inventory."""
        self._made.close()

    def try_table(self, table: str, path: Path, rows: int | None = None) -> LoadReport | None:
        """Load a file, and check all that holds for any file; ``rows`` is how many it has, if that is known."""
        self._tried += 1
        self._held.inside = None
        self._held.really = self._tried % _REALLY == 0
        try:
            report = load_file(self.inventory, table, path)
        except AftersunError as error:
            self._check_refusal(error)
            return None
        told = "\n".join(report.problems)
        assert MARKER.casefold() not in told.casefold(), "a message holds customers' data"
        assert report.accepted + report.rejected == report.rows_read
        assert rows is None or report.rows_read == rows
        assert self._held.inside is not None
        self._check_rows(table, report, self._held.inside)
        if self._held.really:
            self._clear(self._held.inside)
        return report

    def try_calls(self, path: Path, rejects: Path) -> CallsReport | None:
        """Record the calls of a file, and check all that holds for any file."""
        self._held.really = False
        try:
            report = load_calls(self.inventory, path, rejects)
        except AftersunError as error:
            self._check_refusal(error)
            return None
        assert MARKER.casefold() not in "\n".join(report.problems).casefold(), "a message holds customers' data"
        assert report.recorded + report.known + report.rejected == report.rows_read
        assert rejects.exists() == bool(report.rejected)
        return report

    def _check_rows(self, table: str, report: LoadReport, inside: State) -> None:
        for name, (rows, found) in inside.items():
            rows_before, found_before = self.before[name]
            if name in stored_tables(table):
                assert rows - rows_before == report.added
            elif name == "reject":
                assert (rows > rows_before) == (report.rejected > 0)
            elif name == "load":
                assert rows - rows_before == (report.load_id is not None)
            else:
                assert (rows, found) == (rows_before, found_before)

    def _check_refusal(self, error: AftersunError) -> None:
        check_words(error)
        assert state_of(self._held) == self.before, "a refused file has changed the inventory"

    def _clear(self, inside: State) -> None:
        assert state_of(self._made.connection) == inside, "what was committed is not what was there"
        for name in reversed(_WATCHED):
            if inside[name] != self.before[name]:
                self._made.connection.execute(f"DELETE FROM {quoted(name)}")
        for name in _WATCHED:
            if inside[name] != self.before[name]:
                self._made.connection.execute(f"INSERT INTO {quoted(name)} FROM {quoted(f'good {name}')}")
        assert state_of(self._held) == self.before
