"""A company for tests: the shipped price book, and a price for whatever a retrofit brings of its own."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence

import aftersun_datasets
from aftersun.model.change import ACCESS, CostLine
from aftersun.model.ranges import Range
from aftersun.money.company import Company, company_template

_PRICE_DATE = "2025-01-01"


def shipped_prices() -> dict[str, dict[str, str]]:
    """Return the rows of the price book that comes with the program, by key."""
    return {row["key"]: row for row in aftersun_datasets.rows("price_items.csv")}


def sample_company(lines: Sequence[CostLine] = (), prices: Mapping[str, Range] = {}, *, worth: float = 1.0) -> Company:
    """Return a company that has a price for every line; amounts are in no currency (XTS, ISO 4217 for tests).

    A line without a price in the shipped book or in ``prices`` costs 1 a unit. ``worth`` multiplies what avoided
    work and risk are worth. The base is where :data:`~aftersun.testing.ORDINARY_SITE` stands; nothing is too far.
    """
    rows = list(shipped_prices().values())
    rows += [_row(line, prices.get(line.item)) for line in lines if line.kind != ACCESS]
    raw = tomllib.loads(company_template(rows))
    raw["company"] |= {"name": "Test company", "currency": "XTS"}
    raw["travel"] |= {"base_latitude": 40.0, "base_longitude": 0.0, "max_distance_km": 1e6}
    raw["avoided"] = {key: worth * price for key, price in raw["avoided"].items()}
    return Company.model_validate(raw)


def _row(line: CostLine, price: Range | None) -> dict[str, str]:
    ends = {end: "1" if price is None else str(getattr(price, end)) for end in ("low", "mode", "high")}
    named = {"key": line.item, "kind": line.kind, "unit": f"per {line.unit}", "meaning": line.item}
    return {**named, **ends, "price_date": _PRICE_DATE, "source": "assumption"}
