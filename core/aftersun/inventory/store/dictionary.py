"""The column dictionary: what can be loaded. Rules, tables, templates and documentation come from it.

``columns.csv`` lists the tables in the order in which they are loaded: a table stands after those it refers
to. A column named ``<table>_id`` after another table refers to that table.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import aftersun_datasets
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.sql import literal, quoted

TEXT = "text"
NUMBER = "number"
INTEGER = "integer"
BOOLEAN = "boolean"
DATE = "date"
MOMENT = "moment"
CHOICE = "choice"

_TYPES = {  # of DuckDB, of pandas
    TEXT: ("VARCHAR", "string"),
    NUMBER: ("DOUBLE", "Float64"),
    INTEGER: ("BIGINT", "Int64"),
    BOOLEAN: ("BOOLEAN", "boolean"),
    DATE: ("DATE", "datetime64[us]"),
    MOMENT: ("TIMESTAMP", "datetime64[us]"),
    CHOICE: ("VARCHAR", "string"),
}


@dataclass(frozen=True)
class Column:
    """One column that can be loaded. ``minimum`` and ``maximum`` are in ``unit`` and allowed themselves.

    Unknown is allowed unless ``required``. ``default`` is what a new row gets when a file has no such column.
    Values of a ``personal`` column are kept apart and never printed.
    """

    table: str
    name: str
    type: str
    unit: str
    minimum: float | None
    maximum: float | None
    choices: tuple[str, ...]
    default: str
    required: bool
    key: bool
    personal: bool
    meaning: str

    @property
    def dtype(self) -> str:
        """The pandas dtype of the column."""
        return _TYPES[self.type][1]

    @property
    def duckdb_type(self) -> str:
        """The DuckDB type of the column."""
        return _TYPES[self.type][0]

    @property
    def limits(self) -> str:
        """What is allowed, in words; empty if anything is."""
        if self.choices:
            return " | ".join(self.choices)
        if self.type == BOOLEAN:
            return "yes | no"
        if self.type == DATE:
            return "YYYY-MM-DD"
        if self.type == MOMENT:
            return "YYYY-MM-DD or YYYY-MM-DD HH:MM"
        low, high = (None if limit is None else f"{limit:.10g}" for limit in (self.minimum, self.maximum))
        if low is not None and high is not None:
            return f"{low} to {high}"
        return f"at least {low}" if low is not None else f"at most {high}" if high is not None else ""

    @property
    def sql_checks(self) -> tuple[str, ...]:
        """What the database holds the column to, as SQL conditions: a last defence."""
        name = quoted(self.name)
        checks = [f"{name} IN ({', '.join(map(literal, self.choices))})"] if self.choices else []
        if self.minimum is not None:
            checks.append(f"{name} >= {self.minimum:.17g}")
        if self.maximum is not None:
            checks.append(f"{name} <= {self.maximum:.17g}")
        return tuple(checks)


@cache
def _dictionary() -> Mapping[str, tuple[Column, ...]]:
    return read_columns("columns.csv")


def read_columns(file: str) -> dict[str, tuple[Column, ...]]:
    """Return the columns that a file beside the dictionary describes as it does, by table."""
    entries: dict[str, list[Column]] = {}
    for row in aftersun_datasets.rows(file, "aftersun.inventory"):
        entries.setdefault(row["table"], []).append(_column(row))
    return {table: tuple(columns) for table, columns in entries.items()}


def _column(row: Mapping[str, str]) -> Column:
    if row["type"] not in _TYPES:
        raise ValueError(f"column {row['name']!r} has the unknown type {row['type']!r}")
    limits = {name: float(row[name]) if row[name] else None for name in ("minimum", "maximum")}
    marks = {name: row[name] == "yes" for name in ("required", "key", "personal")}
    values: dict[str, Any] = {**row, **limits, **marks, "choices": tuple(filter(None, row["choices"].split("|")))}
    return Column(**values)


def tables() -> tuple[str, ...]:
    """Return the names of the tables that can be loaded, in the order to load them."""
    return tuple(_dictionary())


def columns(table: str) -> tuple[Column, ...]:
    """Return the columns of a table. Raises AftersunError if there is no such table."""
    if table not in _dictionary():
        raise refusal("no_such_table", table=table, tables=", ".join(tables()))
    return _dictionary()[table]


def key_columns(table: str) -> tuple[str, ...]:
    """Return the names of the columns that together tell the rows of a table apart."""
    return tuple(column.name for column in columns(table) if column.key)


def references(table: str) -> Mapping[str, str]:
    """Return the columns of a table that refer to another one, with that table's name."""
    owners = {f"{other}_id": other for other in tables() if other != table}
    return {column.name: owners[column.name] for column in columns(table) if column.name in owners}


@cache
def dangers() -> Mapping[tuple[str, str], str]:
    """Return by table and column the value, as text, that tells a danger: no table that is loaded takes it away."""
    rows = aftersun_datasets.rows("dangers.csv", "aftersun.inventory")
    return {(row["table"], row["column"]): row["value"] for row in rows}


@cache
def choice_meanings() -> Mapping[tuple[str, str], Mapping[str, str]]:
    """Return by table and column what each choice means, of those that do not say it themselves."""
    found: dict[tuple[str, str], dict[str, str]] = {}
    for row in aftersun_datasets.rows("choice_meanings.csv", "aftersun.inventory"):
        found.setdefault((row["table"], row["column"]), {})[row["choice"]] = row["meaning"]
    return found


def stored_tables(table: str) -> Mapping[str, tuple[Column, ...]]:
    """Return the database tables that keep a dictionary table, each with its columns, keys first.

    Personal columns of customers are kept apart in ``contact``, so that a reader of ``customer`` never meets
    them.
    """
    keys = tuple(column for column in columns(table) if column.key)
    personal = tuple(column for column in columns(table) if column.personal)
    others = tuple(column for column in columns(table) if not column.key and not column.personal)
    stored = {table: keys + others}
    if personal:
        stored[PERSONAL_TABLES[table]] = keys + personal
    return stored


PERSONAL_TABLES = {"customer": "contact"}
