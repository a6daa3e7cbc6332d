"""Everything that an inventory holds on one customer, table by table: found, shown, erased."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import duckdb

from aftersun.inventory.loading import erased
from aftersun.inventory.store.dictionary import PERSONAL_TABLES
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.private import put_in_place, real_file
from aftersun.inventory.store.pseudonyms import folded
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.rewrite import Condition, columns_of, for_rewriting, tables_of, write_copy
from aftersun.inventory.store.sql import quoted, scalar

_SHORTEST_TELLING = 4  # letters of a cell that tells a person; a shorter one stands in other people's rows too
_AMONG = "IN (SELECT unnest(?::VARCHAR[]))"
_UNNAMED = "cell "  # how a bad row's cell beyond its header is called


@dataclass(frozen=True)
class CustomerRows:
    """Where one customer's rows are: the sites, and by table that has any the condition that finds them.

    ``look_alikes`` are other customers' numbers that are only written otherwise: it may be the same customer.
    """

    customer_id: str
    site_ids: tuple[str, ...]
    tables: Mapping[str, Condition]
    counts: Mapping[str, int]
    look_alikes: tuple[str, ...]


def find_rows(inventory: Inventory, customer_id: str) -> CustomerRows:
    """Find all rows that are about a customer, by number of customer or site, and rejected rows that hold the customer.

    A site counts as the customer's if it is so now; of one that was the customer's before, what runs said to the
    customer of then. A table that this program does not know is searched by the columns customer_id and site_id.
    Raises AftersunError, without naming anybody, if nothing is held.
    """
    connection = inventory.connection
    sites = _sites_of(connection, [customer_id])
    conditions = _conditions(connection, [customer_id], sites)
    counts = {
        table: int(scalar(connection, f"SELECT count(*) FROM {quoted(table)} WHERE {condition.sql}", condition.values))
        for table, condition in conditions.items()
    }
    present = {table: count for table, count in counts.items() if count}
    if not present:
        raise refusal("unknown_customer")
    others = _texts(connection, "SELECT customer_id FROM customer WHERE customer_id <> ? ORDER BY ALL", [customer_id])
    look_alikes = tuple(number for number in others if folded(number) == folded(customer_id))
    found = {table: conditions[table] for table in present}
    return CustomerRows(customer_id, tuple(sites), found, present, look_alikes)


def read_rows(inventory: Inventory, of_customer: CustomerRows) -> dict[str, list[dict[str, Any]]]:
    """Return the rows themselves by table. They are personal: for the person who asks, never for a log."""
    rows = {}
    for table, (sql, values) in of_customer.tables.items():
        result = inventory.connection.execute(f"SELECT * FROM {quoted(table)} WHERE {sql}", list(values))
        names = [column[0] for column in result.description]
        rows[table] = [dict(zip(names, map(_shown, row), strict=True)) for row in result.fetchall()]
    return rows


def erase(path: Path | str, customer_id: str, on: date | None = None) -> CustomerRows:
    """Erase a customer with all that hangs on them, and remember hashes of the numbers against a later load.

    Returns what was held and is no more.

    The inventory is written anew without them and exchanged for the old file at once. Backups, exports and files made
    from the inventory before are out of reach.

    Raises
    ------
    InUse
        If another process has the inventory open.
    AftersunError
        If nothing is held on such a customer, or the inventory cannot be opened or written.
    """
    path = real_file(path)
    with for_rewriting(path) as (inventory, made):
        rows = find_rows(inventory, customer_id)
        marks = erased.marks(inventory.connection, customer_id, rows.site_ids, on or date.today())
        write_copy(inventory, made, rows.tables, {"erased": marks})
        put_in_place(made, path, replace=True)
    return rows


def erase_marked(path: Path, meets: Callable[[str, object], bool]) -> int:
    """Erase everybody whose number of customer or site meets a mark of an erasure; return how many customers.

    A site that meets one goes without its owner, if the owner's own number does not: the house had been sold since.
    ``meets`` is of :func:`aftersun.inventory.loading.erased.marked`. Raises as :func:`erase` does.
    """
    with for_rewriting(path) as (inventory, made):
        connection = inventory.connection
        customers, sites = (
            [number for number in _numbers(connection, name) if meets(kind, number)]
            for name, kind in erased.COLUMNS.items()
        )
        if customers or sites:
            sites = sorted({*sites, *_sites_of(connection, customers)})
            write_copy(inventory, made, _conditions(connection, customers, sites))
            put_in_place(made, path, replace=True)
    return len(customers)


def _numbers(connection: duckdb.DuckDBPyConnection, name: str) -> list[str]:
    """Return the numbers that stand in any column of this name, and all cells of rejected rows."""
    tables = [table for table in tables_of(connection) if name in columns_of(connection, table)]
    found = {
        text for table in tables for text in _texts(connection, f"SELECT DISTINCT {name} FROM {quoted(table)}", ())
    }
    for (raw,) in connection.execute("SELECT DISTINCT raw::VARCHAR FROM reject").fetchall():
        found.update(str(cell).strip() for cell in json.loads(raw).values())
    return sorted(found)


def _shown(value: Any) -> Any:
    return f"{len(value)} bytes" if isinstance(value, bytes) else value


def _texts(connection: duckdb.DuckDBPyConnection, query: str, values: Sequence[Any]) -> list[str]:
    return [str(text) for (text,) in connection.execute(query, list(values)).fetchall()]


def _sites_of(connection: duckdb.DuckDBPyConnection, customers: Sequence[str]) -> list[str]:
    return _texts(connection, f"SELECT site_id FROM site WHERE customer_id {_AMONG} ORDER BY site_id", [customers])


def _conditions(
    connection: duckdb.DuckDBPyConnection, customers: Sequence[str], sites: Sequence[str]
) -> dict[str, Condition]:
    """Return by table the condition for the rows that are about these customers and sites, theirs among them."""
    conditions = {}
    for table in tables_of(connection):
        condition = _condition(table, columns_of(connection, table), customers, sites)
        if condition is not None:
            conditions[table] = condition
    conditions["tariff"] = Condition(f"tariff_id {_AMONG}", [_own_tariffs(connection, sites)])
    # A site or array that changed hands: the cell that said so names the one before.
    changed = conditions["change"]
    named = "column_name IN ('customer_id', 'site_id') AND list_has_any(?::VARCHAR[], [before, after])"
    conditions["change"] = Condition(f"{changed.sql} OR ({named})", [*changed.values, [*customers, *sites]])
    conditions["reject"] = Condition(f"reject_id {_AMONG}", [_rejects(connection, customers, sites)])
    return conditions


def _condition(table: str, columns: list[str], customers: Sequence[str], sites: Sequence[str]) -> Condition | None:
    theirs, there = f"customer_id::VARCHAR {_AMONG}", f"site_id::VARCHAR {_AMONG}"
    if "customer_id" in columns:
        if "site_id" not in columns:
            return Condition(theirs, [customers])
        orphans = there if table == "site" else f"customer_id IS NULL AND {there}"
        return Condition(f"{theirs} OR ({orphans})", [customers, sites])
    if "site_id" not in columns:
        return None
    if "run_id" not in columns:
        return Condition(there, [sites])
    then = f"(run_id, site_id) IN (SELECT (run_id, site_id) FROM call WHERE customer_id {_AMONG})"
    return Condition(f"{there} OR {then}", [sites, customers])


def _own_tariffs(connection: duckdb.DuckDBPyConnection, sites: Sequence[str]) -> list[str]:
    """Return the tariffs that were made for one of these sites alone, when a price was learnt there."""
    query = (
        f"SELECT DISTINCT tariff_id FROM tariff WHERE tariff_id {_AMONG} AND tariff_id NOT IN "
        f"(SELECT tariff_id FROM site WHERE tariff_id IS NOT NULL AND site_id NOT {_AMONG})"
    )
    return _texts(connection, query, [[f"{site_id} own" for site_id in sites], sites])


def _rejects(connection: duckdb.DuckDBPyConnection, customers: Sequence[str], sites: Sequence[str]) -> list[str]:
    """Return the bad rows that name the customers, a site or array of theirs, or hold one of their personal cells.

    A number names them however it is written: a row may have been rejected for just that.
    """
    arrays = _texts(connection, f'SELECT array_id FROM "array" WHERE site_id {_AMONG}', [sites])
    ids = {"customer_id": {*map(folded, customers)}, "site_id": {*map(folded, sites)}}
    ids["array_id"] = {*map(folded, arrays)}
    anywhere = ids["customer_id"] | ids["site_id"]
    telling = {cell for customer_id in customers for cell in _telling(connection, customer_id)}
    about = []
    for reject_id, raw in connection.execute("SELECT DISTINCT reject_id, raw::VARCHAR FROM reject").fetchall():
        cells = {name.strip().casefold(): str(cell).strip() for name, cell in json.loads(raw).items()}
        alike = {name: folded(cell) for name, cell in cells.items()}
        named = any(alike.get(name) in numbers for name, numbers in ids.items())
        # Where cells were lost or added, no cell can be trusted to stand under its own name.
        shifted = any(name.startswith(_UNNAMED) for name in cells) or not set(ids) & set(cells)
        if named or (shifted and anywhere & set(alike.values())) or telling & {c.casefold() for c in cells.values()}:
            about.append(reject_id)
    return about


def _telling(connection: duckdb.DuckDBPyConnection, customer_id: str) -> set[str]:
    """Return the cells that tell this customer from others: of the personal columns, those nobody else has."""
    stored = PERSONAL_TABLES["customer"]
    result = connection.execute(f"SELECT name, street, phone, email FROM {stored} WHERE customer_id = ?", [customer_id])
    cells = {str(cell).strip() for row in result.fetchall() for cell in row if cell is not None}
    return {
        cell.casefold()
        for cell in cells
        if len(cell) >= _SHORTEST_TELLING
        and not connection.execute(
            f"SELECT 1 FROM {stored} WHERE customer_id <> ? AND ? IN (name, street, phone, email) LIMIT 1",
            [customer_id, cell],
        ).fetchall()
    }
