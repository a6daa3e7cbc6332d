"""Erases a customer everywhere in an inventory, so that not even the file's free blocks hold a byte of them."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from aftersun.inventory.loading import erased
from aftersun.inventory.privacy.customer_rows import CustomerRows, find_rows
from aftersun.inventory.store.private import put_in_place
from aftersun.inventory.store.rewrite import for_rewriting, write_copy


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
    path = Path(path)
    with for_rewriting(path) as (inventory, made):
        rows = find_rows(inventory, customer_id)
        marks = erased.marks(inventory.connection, customer_id, rows.site_ids, on or date.today())
        write_copy(inventory, made, rows.tables, {"erased": marks})
        put_in_place(made, path, replace=True)
    return rows
