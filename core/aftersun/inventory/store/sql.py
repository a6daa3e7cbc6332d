"""The few lines of DuckDB that all rooms of the inventory share."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from typing import Any

import duckdb
import numpy as np
import pandas as pd

_OF_THE_FILE = re.compile(r"failed to commit|corrupt database file|database has been invalidated", re.IGNORECASE)


@contextmanager
def registered(connection: duckdb.DuckDBPyConnection, **frames: pd.DataFrame) -> Iterator[None]:
    """Make frames readable in SQL under their keyword names for the length of a block."""
    for name, frame in frames.items():
        connection.register(name, frame)
    try:
        yield
    finally:
        # After a failed statement the transaction refuses this; its end does away with the names as well.
        with suppress(duckdb.TransactionException):
            for name in frames:
                connection.unregister(name)


@contextmanager
def in_transaction(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Run a block as a whole: everything in it is kept, or, after any exception, nothing."""
    connection.execute("BEGIN")
    try:
        yield
    except BaseException:
        with suppress(duckdb.Error):  # a transaction that broke down is gone already
            connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def scalar(connection: duckdb.DuckDBPyConnection, query: str, parameters: Sequence[Any] = ()) -> Any:
    """Return the single value of a query that has one row with one column."""
    # Fetched whole: an unfinished result would hold the connection.
    return connection.execute(query, list(parameters)).fetchall()[0][0]


def typed_frame(
    connection: duckdb.DuckDBPyConnection,
    query: str,
    dtypes: Mapping[str, str],
    parameters: Sequence[Any] = (),
) -> pd.DataFrame:
    """Return the columns named in ``dtypes`` as declared: the dtypes DuckDB hands out depend on the data."""
    cells = connection.execute(query, list(parameters)).fetchnumpy()  # a third of the time of a frame that is cast
    return pd.DataFrame({name: _typed(cells[name], dtype) for name, dtype in dtypes.items()}, copy=False)


def _typed(cells: Any, dtype: str) -> Any:
    """Return the cells of a column, masked where there is nothing, as an array that pandas takes in this dtype."""
    given, missing = np.ma.getdata(cells), np.ma.getmaskarray(cells)
    if dtype in ("Float64", "float64"):
        numbers = np.where(missing, np.nan, given.astype(np.float64))
        return numbers if dtype == "float64" else pd.arrays.FloatingArray(numbers, np.isnan(numbers))
    if dtype == "Int64":
        return pd.arrays.IntegerArray(given.astype(np.int64), missing)
    if dtype == "boolean":
        return pd.arrays.BooleanArray(given.astype(np.bool_), missing)
    if missing.any():
        nothing: Any = None if given.dtype == object else np.datetime64("NaT")
        given = np.where(missing, nothing, given)
    return given if dtype == "object" else pd.Series(given, dtype=dtype).array


def of_the_file(error: BaseException) -> bool:
    """Tell whether an error is about the file (disk full, damaged, taken away), and not about what was asked of it."""
    if not isinstance(error, duckdb.Error):
        return False
    of_kind = isinstance(error, (duckdb.IOException, duckdb.FatalException, duckdb.SerializationException))
    return of_kind or bool(_OF_THE_FILE.search(str(error)))


def quoted(name: str) -> str:
    """Return a name as an SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def literal(text: str) -> str:
    """Return a text as an SQL literal, for the few statements that take no parameters."""
    return "'" + text.replace("'", "''") + "'"
