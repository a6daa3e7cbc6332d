"""Remembers who was erased on request, by keyed hashes of the numbers alone, so that no load brings them back."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

import duckdb
import pandas as pd

from aftersun.inventory.loading.raw_table import RawTable
from aftersun.inventory.store import rules
from aftersun.inventory.store.pseudonyms import keyed_hash, stored_key

CUSTOMER, SITE = "customer", "site"
_COLUMNS = {"customer_id": CUSTOMER, "site_id": SITE}
_KIND = "erased "  # other hashes than the pseudonyms in an export


def marks(
    connection: duckdb.DuckDBPyConnection, customer_id: str, site_ids: Iterable[str], on: date
) -> list[tuple[str, str, date]]:
    """Return the rows of ``erased`` for a customer and sites that are not there yet."""
    key = stored_key(connection)
    wanted = [(CUSTOMER, customer_id), *((SITE, site_id) for site_id in site_ids)]
    rows = {(kind, keyed_hash(key, _KIND + kind, text)) for kind, text in wanted}
    return [(kind, text, on) for kind, text in sorted(rows - _marked(connection))]


def _marked(connection: duckdb.DuckDBPyConnection) -> set[tuple[str, str]]:
    return set(connection.execute("SELECT kind, hash FROM erased").fetchall())


def refused(
    connection: duckdb.DuckDBPyConnection, values: pd.DataFrame, raw: RawTable
) -> tuple[pd.Index, pd.DataFrame]:
    """Return the rows of a file that are about somebody erased on request, and say so as problems.

    ``values`` are the rows of right shape. Of the others every cell is looked at, since none can be trusted to stand
    under its own name.
    """
    known = _marked(connection)
    if not known:
        return pd.Index([], dtype="int64"), rules.NONE
    key = stored_key(connection)

    def meets(kind: str, text: object) -> bool:
        return (kind, keyed_hash(key, _KIND + kind, str(text))) in known

    refused_rows: dict[int, str] = {}
    for name, kind in _COLUMNS.items():
        if name in values:
            given = values[name].dropna()
            gone = [text for text in given.unique() if meets(kind, text)]
            refused_rows |= dict.fromkeys(map(int, given.index[given.isin(gone)]), name)
    for row in (~raw.fits).nonzero()[0]:
        cells = [*raw.cells.iloc[row].dropna(), *raw.surplus.get(int(row), ())]
        if any(meets(kind, str(cell).strip()) for cell in cells for kind in _COLUMNS.values()):
            refused_rows[int(row)] = ""
    rows = pd.Index(sorted(refused_rows), dtype="int64")
    return rows, rules.problem(rows, "erased", column=[refused_rows[row] for row in rows])


def forget(connection: duckdb.DuckDBPyConnection, values: pd.DataFrame) -> None:
    """Take back the marks of everybody in these rows, who came back."""
    key = stored_key(connection)
    for name, kind in _COLUMNS.items():
        if name in values:
            hashes = [keyed_hash(key, _KIND + kind, str(text)) for text in values[name].dropna().unique()]
            connection.execute(
                "DELETE FROM erased WHERE kind = ? AND hash IN (SELECT unnest(?::VARCHAR[]))", [kind, hashes]
            )
