"""The dictionary, and the tables made from it."""

from __future__ import annotations

from dataclasses import replace

import duckdb
import pytest

from aftersun.inventory.store import dictionary
from aftersun.inventory.store.dictionary import (
    columns,
    key_columns,
    references,
    stored_tables,
    tables,
)
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.sql import quoted
from aftersun.inventory.store.tables import loaded_tables

LIMITED = [column for table in tables() for column in columns(table) if column.minimum is not None or column.choices]


def test_tables_stand_after_those_they_refer_to() -> None:
    order = list(tables())
    by_time = {"tariff_period", "tariff_hour", "past_weather"}
    assert set(order) == {"customer", "tariff", "site", "array", "fitted", "reading", "horizon"} | by_time
    for table in order:
        for owner in references(table).values():
            assert order.index(owner) < order.index(table)


def test_references_follow_from_column_names() -> None:
    assert references("site") == {"customer_id": "customer", "tariff_id": "tariff"}
    assert references("array") == {"site_id": "site"}
    assert references("fitted") == {"site_id": "site"}


def test_keys() -> None:
    assert key_columns("tariff") == ("tariff_id", "valid_from")
    assert key_columns("fitted") == ("site_id", "retrofit", "fitted_on")
    assert all(column.required for table in tables() for column in columns(table) if column.key)


def test_types_and_limits_are_read() -> None:
    latitude = next(column for column in columns("site") if column.name == "latitude")
    assert (latitude.dtype, latitude.duckdb_type, latitude.minimum, latitude.maximum) == (
        "Float64",
        "DOUBLE",
        -66,
        72,
    )
    assert latitude.limits == "-66 to 72"
    monitoring = next(column for column in columns("site") if column.name == "monitoring")
    assert monitoring.choices == ("none", "portal nobody reads", "portal somebody reads")


def test_contact_data_is_apart() -> None:
    stored = stored_tables("customer")
    assert [column.name for column in stored["customer"]] == [
        "customer_id",
        "language",
        "contact_allowed",
        "last_contact_on",
        "on_register",
        "register_agreement_on",
    ]
    assert all(column.personal or column.key for column in stored["contact"])
    assert {"name", "street", "town", "phone", "email"} <= {column.name for column in stored["contact"]}
    assert not any(c.personal for table in tables() if table != "customer" for c in columns(table))


def test_every_column_has_its_place_in_the_file(inventory: Inventory) -> None:
    found = inventory.connection.execute(
        "SELECT table_name, column_name, data_type FROM information_schema.columns"
    ).fetchall()
    for table in tables():
        for stored, entries in stored_tables(table).items():
            mine = {(name, kind) for owner, name, kind in found if owner == stored}
            assert mine == {(column.name, column.duckdb_type) for column in entries}


@pytest.mark.parametrize("column", LIMITED, ids=lambda column: f"{column.table}.{column.name}")
@pytest.mark.few_quick
@pytest.mark.few_quick
def test_limits_and_choices_are_checked_by_the_database(column: object) -> None:
    """The last defence holds even if a row gets past the import rules."""
    from aftersun.inventory.store.dictionary import Column

    assert isinstance(column, Column)
    connection = duckdb.connect(":memory:")
    for stored in stored_tables(column.table):
        connection.execute(loaded_tables()[stored].create_statement.replace(" NOT NULL", ""))
    keys = {
        key.name: f"{key.minimum or 0:.0f}"
        if key.type in ("number", "integer")
        else f"'{key.choices[0] if key.choices else '2020-01-01'}'"
        for key in columns(column.table)
        if key.key
    }
    beyond = ["'none of these'"] if column.choices else [f"{column.minimum} - 1", f"{column.maximum} + 1"]
    for value in beyond:
        row = {**keys, column.name: value}
        with pytest.raises(duckdb.ConstraintException):
            connection.execute(
                f"INSERT INTO {quoted(column.table)} ({', '.join(map(quoted, row))}) VALUES ({', '.join(row.values())})"
            )
    row = keys if column.key else {**keys, column.name: "NULL"}  # unknown is allowed
    connection.execute(
        f"INSERT INTO {quoted(column.table)} ({', '.join(map(quoted, row))}) VALUES ({', '.join(row.values())})"
    )
    connection.close()


def test_required_and_keys_are_checked_by_the_database(inventory: Inventory) -> None:
    with pytest.raises(duckdb.ConstraintException):
        inventory.connection.execute("INSERT INTO site (site_id, latitude, longitude) VALUES ('S', 1, 1)")
    inventory.connection.execute("INSERT INTO customer (customer_id) VALUES ('C')")
    with pytest.raises(duckdb.ConstraintException):
        inventory.connection.execute("INSERT INTO customer (customer_id) VALUES ('C')")


def test_default_is_what_a_row_gets_when_nothing_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    fitted = [replace(c, default="none told") if c.name == "remark" else c for c in columns("fitted")]
    monkeypatch.setattr(dictionary, "_dictionary", lambda: {"fitted": tuple(fitted)})
    connection = duckdb.connect(":memory:")
    connection.execute(loaded_tables()["fitted"].create_statement)
    connection.execute("INSERT INTO fitted (site_id, retrofit, fitted_on) VALUES ('S1', 'bird_mesh', '2020-01-01')")
    assert connection.execute("SELECT remark FROM fitted").fetchall() == [("none told",)]
    connection.close()
