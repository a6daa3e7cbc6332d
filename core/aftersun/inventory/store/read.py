"""Reads the loaded tables: frames with the dictionary's columns and dtypes, sorted by key. Unknown is NA."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
import pandas as pd

from aftersun.inventory.store.dictionary import PERSONAL_TABLES
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.tables import loaded_tables, read_table
from aftersun.model.cohort import Horizon
from aftersun.model.price_times import PriceTables, mean_import_price


def customers(inventory: Inventory) -> pd.DataFrame:
    """Return all customers, without their personal columns; :func:`contacts` has those."""
    return _read(inventory, "customer")


def contacts(inventory: Inventory, customer_ids: Sequence[str]) -> pd.DataFrame:
    """Return the personal columns of these customers, for whoever makes the call; never log them."""
    kept = "WHERE customer_id IN (SELECT unnest(?::VARCHAR[]))"
    return _read(inventory, PERSONAL_TABLES["customer"], kept, [list(customer_ids)])


def languages(inventory: Inventory) -> dict[str, str]:
    """Return the language that letters are written in to a customer, of those of whom it is known."""
    query = "SELECT customer_id, language FROM customer WHERE language IS NOT NULL"
    return dict(inventory.connection.execute(query).fetchall())


def sites(inventory: Inventory) -> pd.DataFrame:
    """Return all sites."""
    return _read(inventory, "site")


def arrays(inventory: Inventory) -> pd.DataFrame:
    """Return all arrays."""
    return _read(inventory, "array")


def tariffs_in_force(inventory: Inventory, as_of: date) -> pd.DataFrame:
    """Return one row a tariff: the prices that hold on ``as_of``. Tariffs that begin later are left out.

    The import price of a tariff of which every hour is priced by time is their mean, if it has none of its own.
    """
    kept = "WHERE valid_from <= ?::DATE QUALIFY row_number() OVER (PARTITION BY tariff_id ORDER BY valid_from DESC) = 1"
    tariffs, prices = _read(inventory, "tariff", kept, [as_of]), prices_in_force(inventory, as_of)
    for row in tariffs.index[tariffs["import_price"].isna()] if len(prices) else ():
        mine = prices.of(tariffs.loc[[row], "tariff_id"])
        tariffs.loc[row, "import_price"] = mean_import_price(mine.periods, mine.hours, np.nan)
    return tariffs


def prices_in_force(inventory: Inventory, as_of: date) -> PriceTables:
    """Return the periods and the hourly prices of the tariffs that hold on ``as_of``."""
    days = "(SELECT tariff_id, max(valid_from) FROM tariff WHERE valid_from <= ?::DATE GROUP BY tariff_id)"
    kept = f"WHERE (tariff_id, valid_from) IN {days}"
    return PriceTables(*(_read(inventory, table, kept, [as_of]) for table in ("tariff_period", "tariff_hour")))


def fitted(inventory: Inventory) -> pd.DataFrame:
    """Return the retrofits that are fitted already."""
    return _read(inventory, "fitted")


def readings(inventory: Inventory, site_ids: Sequence[str]) -> pd.DataFrame:
    """Return the meter readings of these sites as loaded; :mod:`aftersun.energy.readings.quality` judges them."""
    kept = "WHERE site_id IN (SELECT unnest(?::VARCHAR[]))"
    return _read(inventory, "reading", kept, [list(site_ids)])


def past_weather(inventory: Inventory) -> pd.DataFrame:
    """Return the light of months of real years that is loaded."""
    return _read(inventory, "past_weather")


def horizons(inventory: Inventory) -> dict[str, Horizon]:
    """Return the skylines that are known, by site_id."""
    points = _read(inventory, "horizon")
    return {
        str(site_id): Horizon.of(skyline["azimuth_deg"].tolist(), skyline["height_deg"].tolist())
        for site_id, skyline in points.groupby("site_id")
    }


def _read(inventory: Inventory, table: str, where: str = "", parameters: Sequence[object] = ()) -> pd.DataFrame:
    return read_table(inventory.connection, loaded_tables()[table], where, parameters)
