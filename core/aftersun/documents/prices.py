"""What the work of an offer costs for certain, and what comes on top of it if it turns out to be needed."""

from __future__ import annotations

import math
from collections.abc import Iterable

from aftersun.model.codes import CostKind
from aftersun.model.output import Price
from aftersun.wording import Row, value_of

_PARTS = ("piece", "pair", "module")  # units of what is fitted whole or not at all


def may_be_needed(row: Row) -> bool:
    """Tell whether a row of table cost_item is of parts that are fitted only if needed: an expected number of them."""
    if str(row["kind"]) != CostKind.MATERIAL or value_of(row, "in_year") or value_of(row, "every_year"):
        return False
    return str(row["unit"]) in _PARTS and not math.isclose(float(row["quantity"]), round(float(row["quantity"])))


def whole(row: Row) -> tuple[int, float]:
    """Return how many parts are fitted if they are needed, and their price: ``row`` of table cost_item."""
    parts = math.ceil(float(row["quantity"]))
    return parts, float(row["price"]) * parts / float(row["quantity"])


def price_of(upfront: float, items: Iterable[Row]) -> Price:
    """Return the price of an offer from its expected price and its rows of table cost_item."""
    rows = [row for row in items if may_be_needed(row)]
    counted = sum(float(row["price"]) for row in rows)
    keys = tuple(dict.fromkeys(str(row["item"]) for row in rows))
    return Price(float(upfront) - counted, sum(whole(row)[1] for row in rows), counted, keys)
