"""How a table that nobody loads is described: DuckDB types by column, and the pandas dtypes they are read as."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

DTYPES = {
    "VARCHAR": "string",
    "JSON": "string",
    "DOUBLE": "Float64",
    "INTEGER": "Int64",
    "BIGINT": "Int64",
    "BOOLEAN": "boolean",
    "DATE": "datetime64[us]",
    "TIMESTAMP": "datetime64[us]",
    "DOUBLE[]": "object",  # an array of numbers in each cell
    "UINTEGER[]": "object",
}


@dataclass(frozen=True)
class Layout:
    """One table: DuckDB type by column.

    ``key`` columns are unique together and, like ``required`` ones, never empty; ``order`` is how its rows
    are read back. Large tables have no key: an index on them would cost more than it guards.
    """

    columns: Mapping[str, str]
    order: tuple[str, ...]
    key: tuple[str, ...] = ()
    required: tuple[str, ...] = ()
