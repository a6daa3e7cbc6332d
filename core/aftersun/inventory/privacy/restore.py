"""Makes an inventory of a backup; what must not be forgotten since comes along from the one whose place it takes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import duckdb
import pandas as pd

from aftersun.inventory.loading import erased
from aftersun.inventory.log.call_log import NO, OBJECTION
from aftersun.inventory.log.letters import given_numbers, note_given
from aftersun.inventory.privacy.customer_rows import erase
from aftersun.inventory.store.backup import Copied, copy_inventory
from aftersun.inventory.store.dictionary import BOOLEAN, columns, dangers, key_columns
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.pseudonyms import stored_key
from aftersun.inventory.store.sql import literal, quoted, scalar
from aftersun.inventory.store.tables import OTHER_TABLES, insert_frame, next_number
from aftersun.inventory.store.trail import CHANGE, Source
from aftersun.inventory.store.upsert import upsert

_KEPT_ENTRY = ["customer_id", "site_id", "called_on", "outcome", "retrofit"]  # what tells entries of the log apart


@dataclass(frozen=True)
class Restored:
    """What a backup held, and how many customers were erased in it once more.

    ``carried_over`` is false where something was replaced that could not be read.
    """

    copied: Copied
    erased: int
    carried_over: bool


def restore(backup: Path | str, target: Path | str, replace: bool = False) -> Restored:
    """Make an inventory of a backup.

    Of an inventory that it replaces come along: erasures, objections and refusals, permissions withdrawn, known
    dangers, the last letter numbers and the trail of changes.

    Raises
    ------
    InUse, AftersunError
        As :func:`aftersun.inventory.store.backup.copy_inventory`.
    """
    gone: list[str] = []
    read: list[Path] = []

    def carry_over(replaced: Inventory, made: Path) -> None:
        gone.extend(_erase_again(replaced.connection, made))
        with Inventory.open(made) as copy:
            with copy.transaction() as connection:
                _carry(replaced.connection, connection, Source("inventory restore", Path(backup).name))
            copy.connection.execute("CHECKPOINT")
        read.append(made)

    there = Path(target).exists()
    copied = copy_inventory(backup, target, replace, carry_over)
    return Restored(copied, len(gone), bool(read) or not there)


def _erase_again(replaced: duckdb.DuckDBPyConnection, made: Path) -> list[str]:
    """Erase in the copy whom the replaced inventory has marked as erased; return their numbers."""
    meets = erased.marked(replaced)
    with Inventory.open(made) as copy:
        owners = copy.connection.execute("SELECT customer_id, site_id FROM customer LEFT JOIN site USING (customer_id)")
        gone = sorted(
            {
                customer
                for customer, site in owners.fetchall()
                if meets(erased.CUSTOMER, customer) or (site and meets(erased.SITE, site))
            }
        )
    for customer in gone:
        erase(made, customer)
    return gone


def _carry(replaced: duckdb.DuckDBPyConnection, copy: duckdb.DuckDBPyConnection, source: Source) -> None:
    if stored_key(replaced) == stored_key(copy):  # a backup of the very inventory
        for mark in replaced.execute("SELECT kind, hash, erased_on FROM erased").fetchall():
            copy.execute("INSERT OR IGNORE INTO erased (kind, hash, erased_on) VALUES (?, ?, ?)", mark)
        _carry_trail(replaced, copy)
    given = given_numbers(copy)
    note_given(copy, {n: max(version, given.get(n, 0)) for n, version in given_numbers(replaced).items()})
    _carry_refusals(replaced, copy)
    withdrawn = replaced.execute(
        "SELECT customer_id, contact_allowed, contact_basis, on_register FROM customer "
        "JOIN contact USING (customer_id) WHERE contact_allowed IS FALSE OR on_register"
    ).df()
    held = copy.execute("SELECT customer_id FROM customer").df()["customer_id"]
    for name in ("contact_allowed", "on_register"):
        told = withdrawn[withdrawn["customer_id"].isin(held) & (withdrawn[name] == (name == "on_register"))]
        taken = ["customer_id", name, *(["contact_basis"] if name == "contact_allowed" else [])]
        upsert(copy, "customer", told[taken], source)
    for (table, name), value in dangers().items():
        _carry_danger(replaced, copy, table, name, value, source)


def _carry_refusals(replaced: duckdb.DuckDBPyConnection, copy: duckdb.DuckDBPyConnection) -> None:
    """Add the objections and refusals that the copy's log lacks."""
    log = OTHER_TABLES["call_log"]
    refusals = replaced.execute(
        f"SELECT * FROM call_log WHERE outcome IN ({literal(NO)}, {literal(OBJECTION)}) ORDER BY entry"
    ).df()
    known = set(copy.execute(f"SELECT {', '.join(_KEPT_ENTRY)} FROM call_log").df().itertuples(index=False, name=None))
    sites = set(copy.execute("SELECT site_id FROM site").df()["site_id"])
    new = [
        row.site_id in sites and tuple(getattr(row, name) for name in _KEPT_ENTRY) not in known
        for row in refusals.itertuples()
    ]
    rows = refusals[pd.Series(new, index=refusals.index, dtype=bool)].reset_index(drop=True)
    first = next_number(copy, "call_log", "entry")
    insert_frame(copy, log, rows.assign(entry=first + rows.index, run_id=None))


def _carry_danger(
    replaced: duckdb.DuckDBPyConnection,
    copy: duckdb.DuckDBPyConnection,
    table: str,
    name: str,
    value: str,
    source: Source,
) -> None:
    """Put a danger that the replaced inventory knows of into the copy, where the same row is."""
    keys = list(key_columns(table))
    column = next(column for column in columns(table) if column.name == name)
    stored: object = value == "yes" if column.type == BOOLEAN else value
    listed = ", ".join(map(quoted, keys))
    known = replaced.execute(f"SELECT {listed} FROM {quoted(table)} WHERE {quoted(name)} = ?", [stored]).df()
    held = copy.execute(f"SELECT {listed} FROM {quoted(table)}").df()
    rows = known.merge(held, on=keys)
    rows[name] = pd.Series(stored, rows.index, dtype=column.dtype)
    upsert(copy, table, rows, source)


def _carry_trail(replaced: duckdb.DuckDBPyConnection, copy: duckdb.DuckDBPyConnection) -> None:
    """Add the changes made since the backup to the copy's trail, which was the same until then."""
    last = int(scalar(copy, "SELECT coalesce(max(change), 0) FROM change"))
    insert_frame(copy, CHANGE, replaced.execute("SELECT * FROM change WHERE change > ?", [last]).df())
