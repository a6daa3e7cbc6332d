"""Makes an inventory of a backup; what must not be forgotten since comes along from the one whose place it takes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import duckdb
import pandas as pd

from aftersun.inventory.loading import erased
from aftersun.inventory.log.call_log import LATER, NO, OBJECTION
from aftersun.inventory.log.letters import given_numbers, note_given
from aftersun.inventory.privacy.customer_rows import erase_marked
from aftersun.inventory.store.backup import Copied, copy_inventory
from aftersun.inventory.store.dictionary import BOOLEAN, columns, dangers, key_columns
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.private import real_file
from aftersun.inventory.store.pseudonyms import add_keys, stored_key, stored_keys
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.sql import of_the_file, quoted
from aftersun.inventory.store.tables import OTHER_TABLES, STANDING_CALLS, insert_frame, next_number
from aftersun.inventory.store.trail import CHANGE, Source
from aftersun.inventory.store.upsert import upsert

_HOLDING = [NO, LATER, OBJECTION]  # outcomes that forbid or put off a call
_TELLING = ["customer_id", "site_id", "called_on", "outcome", "retrofit"]  # what tells entries of the log apart


@dataclass(frozen=True)
class Restored:
    """What a backup held, and how many customers were erased in it once more.

    ``carried_over`` is false where something was replaced that could not be read.
    """

    copied: Copied
    erased: int
    carried_over: bool


def restore(backup: Path | str, target: Path | str, replace: bool = False, although_unread: bool = False) -> Restored:
    """Make an inventory of a backup.

    Of an inventory that it replaces come along: erasures, what forbids or puts off a call, permissions withdrawn, known
    dangers, numbers given to letters and the trail of changes. One that cannot be read is replaced only
    ``although_unread``.

    Raises
    ------
    InUse, AftersunError
        As :func:`aftersun.inventory.store.backup.copy_inventory`, and if what is replaced cannot be read.
    """
    target = real_file(target)
    there, known, gone = target.exists(), None, 0

    def carry_over(replaced: Inventory | None, made: Path) -> None:
        nonlocal known, gone
        known = None if replaced is None else _known_to(replaced.connection)
        if known is None:
            if not although_unread:
                raise refusal("unread_replaced", path=target)
            return
        Inventory.open(made).close()  # in today's layout
        gone = erase_marked(made, known.meets)
        with Inventory.open(made) as copy:
            with copy.transaction() as connection:
                _carry(known, connection, Source("inventory restore", Path(backup).name))
            copy.connection.execute("CHECKPOINT")

    copied = copy_inventory(backup, target, replace, carry_over)
    return Restored(copied, gone, known is not None or not there)


@dataclass(frozen=True, eq=False)
class _Known:
    """What an inventory knows that must not be forgotten. Frames are as stored."""

    meets: Callable[[str, object], bool]
    marks: list[tuple[str, str, date]]
    keys: list[bytes]
    letters: Mapping[str, int]
    calls: pd.DataFrame
    withdrawn: pd.DataFrame
    dangers: Mapping[tuple[str, str], pd.DataFrame]
    changes: pd.DataFrame


def _known_to(replaced: duckdb.DuckDBPyConnection) -> _Known | None:
    """Return what an inventory knows, None if it is too damaged to say."""
    try:
        return _Known(
            erased.marked(replaced),
            replaced.execute("SELECT kind, hash, erased_on FROM erased").fetchall(),
            stored_keys(replaced),
            given_numbers(replaced),
            replaced.execute(f"FROM {STANDING_CALLS} AND list_contains(?, outcome) ORDER BY entry", [_HOLDING]).df(),
            replaced.execute(
                "SELECT customer_id, contact_allowed, contact_basis, on_register FROM customer "
                "JOIN contact USING (customer_id) WHERE contact_allowed IS FALSE OR on_register"
            ).df(),
            {place: _endangered(replaced, *place, value) for place, value in dangers().items()},
            replaced.execute("FROM change ORDER BY change").df(),
        )
    except duckdb.Error as error:
        if of_the_file(error):
            return None
        raise


def _endangered(replaced: duckdb.DuckDBPyConnection, table: str, name: str, value: str) -> pd.DataFrame:
    """Return the rows, by key, that a danger is known of, with the column that tells it."""
    column = next(column for column in columns(table) if column.name == name)
    stored: object = value == "yes" if column.type == BOOLEAN else value
    listed = ", ".join(map(quoted, key_columns(table)))
    query = f"SELECT {listed}, {quoted(name)} FROM {quoted(table)} WHERE {quoted(name)} = ?"
    return replaced.execute(query, [stored]).df()


def _carry(known: _Known, copy: duckdb.DuckDBPyConnection, source: Source) -> None:
    if known.keys[0] == stored_key(copy):  # a backup of the very inventory: its trail was the same until then
        last = next_number(copy, CHANGE.name, "change")
        insert_frame(copy, CHANGE, known.changes[known.changes["change"] >= last])
    add_keys(copy, known.keys)
    for mark in known.marks:
        copy.execute("INSERT OR IGNORE INTO erased (kind, hash, erased_on) VALUES (?, ?, ?)", mark)
    given = given_numbers(copy)
    note_given(copy, {number: max(version, given.get(number, 0)) for number, version in known.letters.items()})
    _carry_calls(known.calls, copy)
    for name, forbidding in (("contact_allowed", False), ("on_register", True)):
        told = known.withdrawn[known.withdrawn[name] == forbidding]
        taken = ["customer_id", name, *(["contact_basis"] if name == "contact_allowed" else [])]
        _state(copy, "customer", told[taken], source)
    for (table, _), rows in known.dangers.items():
        _state(copy, table, rows, source)


def _carry_calls(calls: pd.DataFrame, copy: duckdb.DuckDBPyConnection) -> None:
    """Add the entries that the copy's log lacks, also of sites and customers that it has not: they may come back."""
    known = set(
        copy.execute(f"SELECT {', '.join(_TELLING)} FROM {STANDING_CALLS}").df().itertuples(index=False, name=None)
    )
    new = [row not in known for row in calls[_TELLING].itertuples(index=False, name=None)]
    rows = calls[pd.Series(new, index=calls.index, dtype=bool)].reset_index(drop=True)
    first = next_number(copy, "call_log", "entry")
    insert_frame(copy, OTHER_TABLES["call_log"], rows.assign(entry=first + rows.index, run_id=None))


def _state(copy: duckdb.DuckDBPyConnection, table: str, rows: pd.DataFrame, source: Source) -> None:
    """Put the values of rows into those rows of a table that the copy has."""
    keys = list(key_columns(table))
    held = copy.execute(f"SELECT {', '.join(map(quoted, keys))} FROM {quoted(table)}").df()
    upsert(copy, table, rows.merge(held, on=keys), source)
