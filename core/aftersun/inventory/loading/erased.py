"""Remembers who was erased on request, by keyed hashes of the numbers alone, so that no load brings them back."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import date

import duckdb
import pandas as pd

from aftersun.inventory.loading.raw_table import RawTable
from aftersun.inventory.store import rules
from aftersun.inventory.store.pseudonyms import folded, keyed_hash, stored_key, stored_keys

CUSTOMER, SITE = "customer", "site"
COLUMNS = {"customer_id": CUSTOMER, "site_id": SITE}
_KIND = "erased "  # other hashes than the pseudonyms in an export


def marks(
    connection: duckdb.DuckDBPyConnection, customer_id: str, site_ids: Iterable[str], on: date
) -> list[tuple[str, str, date]]:
    """Return the rows of ``erased`` for a customer and sites that are not there yet."""
    key = stored_key(connection)
    wanted = [(CUSTOMER, customer_id), *((SITE, site_id) for site_id in site_ids)]
    rows = {(kind, keyed_hash(key, _KIND + kind, folded(text))) for kind, text in wanted}
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
    meets = marked(connection)

    refused_rows: dict[int, str] = {}
    for name, kind in COLUMNS.items():
        if name in values:
            given = values[name].dropna()
            gone = [text for text in given.unique() if meets(kind, text)]
            refused_rows |= dict.fromkeys(map(int, given.index[given.isin(gone)]), name)
    for row in (~raw.fits).nonzero()[0]:
        cells = [*raw.cells.iloc[row].dropna(), *raw.surplus.get(int(row), ())]
        if any(meets(kind, str(cell).strip()) for cell in cells for kind in COLUMNS.values()):
            refused_rows[int(row)] = ""
    rows = pd.Index(sorted(refused_rows), dtype="int64")
    return rows, rules.problem(rows, "erased", column=[refused_rows[row] for row in rows])


def marked(connection: duckdb.DuckDBPyConnection) -> Callable[[str, object], bool]:
    """Return what tells whether a number of a kind is of somebody erased, however it is written."""
    known, keys = _marked(connection), stored_keys(connection)
    return lambda kind, text: any((kind, hashed) in known for hashed in _hashes(keys, kind, text))


def _hashes(keys: Sequence[bytes], kind: str, text: object) -> list[str]:
    """Return the hashes that a number may be marked by; those of version 0.1.0 were made of it as it stood."""
    written = {str(text), folded(str(text))}
    return [keyed_hash(key, _KIND + kind, number) for key in keys for number in written]


def forget(connection: duckdb.DuckDBPyConnection, values: pd.DataFrame) -> None:
    """Take back the marks of everybody in these rows, who came back."""
    keys = stored_keys(connection)
    for name, kind in COLUMNS.items():
        if name in values:
            hashes = [hashed for text in values[name].dropna().unique() for hashed in _hashes(keys, kind, text)]
            connection.execute(
                "DELETE FROM erased WHERE kind = ? AND hash IN (SELECT unnest(?::VARCHAR[]))", [kind, hashes]
            )
