"""Reading back: declared dtypes, sorted by key, no personal data by accident."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from aftersun.inventory.loading.load import load_file
from aftersun.inventory.store import read
from aftersun.inventory.store.dictionary import columns
from aftersun.inventory.store.file import Inventory

READERS: dict[str, Callable[[Inventory], pd.DataFrame]] = {
    "customer": read.customers,
    "site": read.sites,
    "array": read.arrays,
    "tariff": lambda inventory: read.tariffs_in_force(inventory, date(2026, 1, 1)),
    "fitted": read.fitted,
}


@pytest.mark.parametrize("table", READERS)
@pytest.mark.parametrize("state", ["inventory", "loaded"])
@pytest.mark.few_quick
@pytest.mark.few_quick
def test_dtypes_are_declared_ones_whatever_the_data(table: str, state: str, request: pytest.FixtureRequest) -> None:
    frame = READERS[table](request.getfixturevalue(state))
    assert frame.dtypes.astype(str).to_dict() == {c.name: c.dtype for c in columns(table) if not c.personal}


def test_rows_are_sorted_by_key(loaded: Inventory, tmp_path: Path) -> None:
    path = tmp_path / "s.csv"
    path.write_text("site_id,customer_id,latitude,longitude\nS10,C1,1,1\nS0,C1,1,1\n")
    load_file(loaded, "site", path)
    assert read.sites(loaded)["site_id"].tolist() == ["S0", "S1", "S10", "S2"]


def test_contacts_of_some_customers_only(loaded: Inventory) -> None:
    people = read.contacts(loaded, ["C2", "C9"])
    assert people["customer_id"].tolist() == ["C2"]
    assert people["phone"].tolist() == ["555-0102"]
    assert people["email"].isna().all()
    assert read.contacts(loaded, []).empty


@pytest.mark.parametrize(
    ("as_of", "price"),
    [(date(2023, 12, 31), []), (date(2024, 1, 1), [0.30]), (date(2024, 12, 31), [0.30]), (date(2025, 1, 1), [0.34])],
)
def test_tariff_in_force(loaded: Inventory, as_of: date, price: list[float]) -> None:
    """The latest prices on or before the day hold."""
    assert read.tariffs_in_force(loaded, as_of)["import_price"].tolist() == price


def test_price_that_is_no_longer_known(loaded: Inventory) -> None:
    """The newer row of T1 has no export price: unknown, not the older row's."""
    assert read.tariffs_in_force(loaded, date(2025, 6, 1))["export_price"].isna().all()
