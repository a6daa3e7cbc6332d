"""Copies made by the clock: dated, checked, so many kept; when the last was made, and whether one can be restored."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

import duckdb

import aftersun_datasets
from aftersun.inventory.store.backup import Copied, copy_inventory
from aftersun.inventory.store.dictionary import PERSONAL_TABLES
from aftersun.inventory.store.file import Inventory, making, space_of
from aftersun.inventory.store.migrations import is_older
from aftersun.inventory.store.private import make_folder
from aftersun.inventory.store.pseudonyms import stored_key
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.rewrite import columns_of, tables_of
from aftersun.inventory.store.sql import quoted, scalar
from aftersun.model.errors import AftersunError

OLD_COPY_DAYS = 7  # common practice, no source: a week's work can be typed in again
_OF_THE_FILE = {"checked_copy", "schema_version"}  # what no restore brings back


@dataclass(frozen=True)
class Kept:
    """The copy of a day, those that went since so many newer ones are there, and those that were not touched.

    ``foreign`` would have gone, but are damaged or copies of another inventory.
    """

    path: Path
    copied: Copied
    removed: tuple[Path, ...]
    foreign: tuple[Path, ...]


@dataclass(frozen=True)
class Drilled:
    """What restoring a copy gave: ``differences`` has by table the rows of the copy and those of today."""

    copy: Path
    copied: Copied
    differences: dict[str, tuple[int, int]]


def keep_copies(source: Path, folder: Path, keep: int, today: date) -> Kept:
    """Write the checked copy of a day into a folder, with the day in its name, and keep the newest ``keep`` ones.

    One of the same day is replaced. Copies of another inventory are never touched.

    Raises
    ------
    InUse, AftersunError
        As :func:`aftersun.inventory.store.backup.copy_inventory`, and if another inventory's copy has that name.
    """
    make_folder(folder)
    target = folder / f"{source.stem}-{today}{source.suffix}"
    if target.exists() and not _of_same(source, target):
        raise refusal("foreign_copy", path=target)
    copied = copy_inventory(source, target, replace=True)
    surplus = sorted(_copies(source, folder), reverse=True)[keep:]
    removed = [path for path in surplus if _of_same(source, path)]
    for path in removed:
        for name in space_of(path):
            name.unlink(missing_ok=True)
    return Kept(target, copied, tuple(removed), tuple(path for path in surplus if path not in removed))


def _copies(source: Path, folder: Path) -> list[Path]:
    named = re.compile(rf"{re.escape(source.stem)}-\d{{4}}-\d\d-\d\d{re.escape(source.suffix)}")
    return [path for path in folder.iterdir() if named.fullmatch(path.name)]


def _of_same(source: Path, copy: Path) -> bool:
    """Tell whether two files hold one inventory: they have its key."""
    keys = []
    for path in (source, copy):
        try:
            with Inventory.open_as_it_is(path, read_only=True) as inventory:
                keys.append(stored_key(inventory.connection))
        except (AftersunError, duckdb.Error):  # damaged, or of a layout without a key
            return False
    return keys[0] == keys[1]


def note_copy(path: Path) -> bool:
    """Keep in an inventory that a checked copy was made just now; tell whether that could be done.

    It cannot while others use the file or where it may only be read, and one of an older layout is left as it is.
    """
    try:
        with Inventory.open_as_it_is(path) as inventory:
            if is_older(inventory.connection):
                return False
            with inventory.transaction() as connection:
                connection.execute("DELETE FROM checked_copy")
                connection.execute("INSERT INTO checked_copy VALUES (?)", [datetime.now(UTC).replace(tzinfo=None)])
    except AftersunError:
        return False
    return True


def last_copy(inventory: Inventory) -> datetime | None:
    """Return when the last checked copy was made (UTC), None if none was."""
    rows = inventory.connection.execute("SELECT max(copied_at) FROM checked_copy").fetchall()
    at: datetime | None = rows[0][0]
    return at


def copy_is_due(inventory: Inventory) -> bool:
    """Tell whether an inventory of real customers has no checked copy of the last ``OLD_COPY_DAYS`` days."""
    last, now = last_copy(inventory), datetime.now(UTC).replace(tzinfo=None)
    return (last is None or (now - last).days >= OLD_COPY_DAYS) and _holds_real_customers(inventory)


def _holds_real_customers(inventory: Inventory) -> bool:
    """Tell whether there are customers that are none of the demo's."""
    invented = [f"{row['customer_id']} {row['name']}" for row in aftersun_datasets.rows("demo/customer.csv")]
    query = (
        f"SELECT count(*) FROM customer LEFT JOIN {PERSONAL_TABLES['customer']} USING (customer_id) "
        "WHERE NOT list_contains(?::VARCHAR[], customer_id || ' ' || coalesce(name, ''))"
    )
    return bool(scalar(inventory.connection, query, [invented]))


def drill(path: Path, copies: Path) -> Drilled:
    """Restore a copy, or the newest of a folder, beside an inventory, compare it table by table, and remove it again.

    Raises
    ------
    InUse, AftersunError
        As :func:`aftersun.inventory.store.backup.copy_inventory`, and if there is no copy.
    """
    found = [copies] if copies.is_file() else _copies(path, copies) if copies.is_dir() else []
    if not found:
        raise refusal("no_copy", copies=copies, name=f"{path.stem}-YYYY-MM-DD{path.suffix}")
    copy = max(found)
    with making(path) as made:
        copied = copy_inventory(copy, made)
        Inventory.open(made).close()  # in today's layout
        with Inventory.open(made, read_only=True) as restored:
            before = _digests(restored)
        with Inventory.copied(path) as (present, _):
            now = _digests(present)
    nothing = (0, None)
    differences = {
        table: (before.get(table, nothing)[0], now.get(table, nothing)[0])
        for table in sorted({*before, *now} - _OF_THE_FILE)
        if before.get(table, nothing) != now.get(table, nothing)
    }
    return Drilled(copy, copied, differences)


def _digests(inventory: Inventory) -> dict[str, tuple[int, int | None]]:
    """Return by table the number of rows and a checksum, whatever the order of rows and columns."""
    found = {}
    for table in tables_of(inventory.connection):
        names = ", ".join(map(quoted, sorted(columns_of(inventory.connection, table))))
        query = f"SELECT count(*), sum(hash(whole_row)) FROM (SELECT {names} FROM {quoted(table)}) AS whole_row"
        count, digest = inventory.connection.execute(query).fetchall()[0]
        found[table] = (int(count), digest)
    return found
