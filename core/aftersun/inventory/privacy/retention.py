"""Of which customers an inventory says nothing new for years, so that their data may have to go."""

from __future__ import annotations

from datetime import date

from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.sql import quoted

# The days that count, by table: contact, offers, work done on the customer's systems.
_BY_CUSTOMER = {"customer": ("last_contact_on",), "call_log": ("CASE WHEN corrected_at IS NULL THEN called_on END",)}
_BY_SITE = {
    "site": ("commissioned_on", "connectors_renewed_on"),
    "offer_made": ("made_on",),
    "fitted": ("fitted_on",),
    "letter": ("made_on",),
}


def untouched(inventory: Inventory, years: int, today: date) -> list[tuple[str, date | None]]:
    """Return the customers without contact, offer or fitting for so many years, with the last such day, longest first.

    The day is None where none is known at all. Raises AftersunError if ``years`` is below 1.
    """
    if years < 1:
        raise refusal("too_few_years")
    days = [
        f"SELECT customer_id, ({name})::DATE AS on_day FROM {table}"
        for table, names in _BY_CUSTOMER.items()
        for name in names
    ]
    days += [
        f"SELECT site.customer_id, other.{quoted(name)}::DATE FROM {table} AS other JOIN site USING (site_id)"
        for table, names in _BY_SITE.items()
        for name in names
    ]
    query = f"""
        SELECT customer_id, max(on_day) AS last_on
        FROM customer LEFT JOIN ({" UNION ALL ".join(days)}) USING (customer_id)
        GROUP BY customer_id
        HAVING max(on_day) IS NULL OR max(on_day) + to_years(?) <= ?::DATE
        ORDER BY last_on NULLS FIRST, customer_id
    """
    return inventory.connection.execute(query, [years, today]).fetchall()
