"""Facts learnt about a site: checked like a loaded table, put into the inventory, kept with day and origin."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime
from functools import cache
from typing import Any

import duckdb
import pandas as pd

from aftersun.inventory.store import dictionary, rules, trail
from aftersun.inventory.store.dictionary import BOOLEAN, DATE, NUMBER, Column
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.sql import quoted, scalar, typed_frame
from aftersun.inventory.store.tables import (
    OTHER_TABLES,
    STANDING_FACTS,
    insert_frame,
    next_number,
    of_site,
    read_table,
)
from aftersun.inventory.store.trail import Source
from aftersun.inventory.store.upsert import upsert

FACT_TABLES = ("site", "array", "tariff")
_TARIFF_ID = "tariff_id"
_FACT_ORIGIN = OTHER_TABLES["fact_origin"]


@cache
def fact_columns() -> Mapping[str, Column]:
    """Return by name the columns of sites, arrays and tariffs that a fact may be told of.

    Numbers that tell rows apart are no facts, nor is a site's customer: contact rules hang on it.
    """
    by_name = {}
    for table in FACT_TABLES:
        for column in dictionary.columns(table):
            refers = column.name in dictionary.references(table)
            if not column.key and (not refers or column.name == _TARIFF_ID):
                by_name[column.name] = replace(column, required=False)  # a cell left empty just tells nothing
    return by_name


def names_of(table: str, values: pd.DataFrame) -> list[str]:
    """Return the fact columns of a table that are among those of ``values``."""
    return [name for name, column in fact_columns().items() if column.table == table and name in values]


def dangers_that_work_may_end(inventory: Inventory, site_id: str) -> list[tuple[str, str, str]]:
    """Return the dangers on record at a site that are yes or no: column, what it says, what it says once mended."""
    other = {"yes": "no", "no": "yes"}
    dangers = [
        (column, value, other[value])
        for (table, column), value in dictionary.dangers().items()
        if table == "site" and value in other
    ]
    names = ", ".join(quoted(column) for column, *_ in dangers)
    row = inventory.connection.execute(f"SELECT {names} FROM site WHERE site_id = ?", [site_id]).fetchone() or ()
    return [danger for danger, stands in zip(dangers, row, strict=False) if stands is (danger[1] == "yes")]


def dangers_found(inventory: Inventory) -> pd.DataFrame:
    """Return since when a danger has been on record, where that is known: site_id, fact, found_on.

    By the day it was learnt, else the day a table told it; of one that had been mended, since it was found again.
    """
    dangers = [(column, value) for (table, column), value in dictionary.dangers().items() if table == "site"]
    query = f"""
        WITH learnt AS (
            SELECT site_id, column_name AS fact, learnt_on AS day, value FROM {STANDING_FACTS} WHERE table_name = 'site'
        ), told AS (
            SELECT site_id, column_name AS fact, changed_at::DATE AS day, after AS value
            FROM change WHERE applied AND table_name = 'site'
        ), judged AS (
            SELECT site_id, fact, day, coalesce(value = danger, false) AS bad
            FROM (FROM learnt UNION ALL FROM told ANTI JOIN learnt USING (site_id, fact))
            JOIN (SELECT unnest(?::VARCHAR[]) AS fact, unnest(?::VARCHAR[]) AS danger) USING (fact)
        ), mended AS (SELECT site_id, fact, max(day) AS last_day FROM judged WHERE NOT bad GROUP BY ALL)
        SELECT site_id, fact, min(day)::TIMESTAMP AS found_on
        FROM judged LEFT JOIN mended USING (site_id, fact)
        WHERE bad AND (last_day IS NULL OR day >= last_day) GROUP BY ALL ORDER BY ALL
    """
    dtypes = {"site_id": "str", "fact": "str", "found_on": "datetime64[us]"}
    return typed_frame(inventory.connection, query, dtypes, [list(names) for names in zip(*dangers, strict=True)])


def with_arrays(connection: duckdb.DuckDBPyConnection, values: pd.DataFrame) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    """Return the rows with the array that their array facts are about, and the problems with that.

    ``values`` has site_id, array_id and fact columns. The only array of a site need not be named.
    """
    arrays = connection.execute('SELECT array_id, site_id FROM "array"').df().astype("string")
    owner = arrays.set_index("array_id")["site_id"]
    single = arrays.drop_duplicates("site_id", keep=False).set_index("site_id")["array_id"]
    about_array = values[names_of("array", values)].notna().any(axis=1)
    named = values["array_id"].notna()
    filled = values["array_id"].where(named | ~about_array, values["site_id"].map(single)).astype("string")
    foreign = named & ~(values["array_id"].map(owner) == values["site_id"]).fillna(False)
    problems = [
        rules.where(foreign, "foreign_array"),
        rules.where(about_array & filled.isna(), "array_missing"),
    ]
    return values.assign(array_id=filled), problems


def tariff_problems(connection: duckdb.DuckDBPyConnection, values: pd.DataFrame) -> list[pd.DataFrame]:
    """Return the problems of facts about tariffs. ``values`` has site_id, called_on and fact columns."""
    names = names_of("tariff", values)
    about_tariff = values[names].notna().any(axis=1)
    renamed = values[_TARIFF_ID].notna() if _TARIFF_ID in values else pd.Series(False, index=values.index)
    known = connection.execute("SELECT DISTINCT tariff_id FROM tariff").df()[_TARIFF_ID]
    unknown = renamed & ~values[_TARIFF_ID].isin(known) if _TARIFF_ID in values else renamed
    priced = values["import_price"].notna() if "import_price" in values else pd.Series(False, index=values.index)
    open_rows = values[about_tariff & ~renamed & ~priced & values["called_on"].notna() & values["site_id"].notna()]
    bare = [
        row
        for row, site_id, day in open_rows[["site_id", "called_on"]].itertuples()
        if not _in_force(connection, _tariff_of(connection, str(site_id)), day.date())
    ]
    return [
        rules.where(unknown, "tariff_unknown"),
        rules.where(about_tariff & renamed, "tariff_and_price"),
        rules.problem(pd.Index(bare, dtype=values.index.dtype), "price_missing"),
    ]


def store_facts(
    connection: duckdb.DuckDBPyConnection,
    values: pd.DataFrame,
    origins: pd.Series,
    entries: pd.Series,
    recorded_at: datetime,
) -> int:
    """Put checked facts into the inventory within the caller's transaction; return how many.

    ``values`` has site_id, array_id, called_on and fact columns, NA where nothing is told; ``origins`` and ``entries``
    say for each row who says so and which entry of the call log it belongs to, NA = none. What was learnt on a later
    day already stays in force; the older fact is only kept beside it. A price is a new row of the site's tariff from
    that day on; where other sites share the tariff, the site gets one of its own.
    """
    names = [name for name in fact_columns() if name in values]
    kept: list[dict[str, Any]] = []
    number = next_number(connection, "fact_origin", "fact")
    rows = values.assign(entry=entries, origin=origins).sort_values("called_on", kind="stable")
    for row in rows.to_dict("records"):
        site_id, day = str(row["site_id"]), row["called_on"].date()
        facts = {name: _plain(row[name]) for name in names if not pd.isna(row[name])}
        prices = {name: facts.pop(name) for name in list(facts) if fact_columns()[name].table == "tariff"}
        source = Source("log", str(row["origin"]))
        stored = [_put(connection, name, value, site_id, row["array_id"], day, source) for name, value in facts.items()]
        stored += _put_prices(connection, prices, site_id, day, source) if prices else []
        for table, key, name, value, previous in stored:
            column = fact_columns()[name]
            kept.append(
                {
                    "fact": number + len(kept),
                    "entry": row["entry"],
                    "site_id": site_id,
                    "table_name": table,
                    "row_key": key,
                    "column_name": name,
                    "value": as_text(column, value),
                    "previous_value": as_text(column, previous),
                    "learnt_on": pd.Timestamp(day),
                    "origin": row["origin"],
                    "recorded_at": recorded_at,
                }
            )
    if kept:
        insert_frame(connection, _FACT_ORIGIN, pd.DataFrame(kept))
    return len(kept)


_Stored = tuple[str, str, str, Any, Any]  # table, key of the row, column, value, what was there before


def _put(
    connection: duckdb.DuckDBPyConnection,
    name: str,
    value: Any,
    site_id: str,
    array_id: object,
    day: date,
    source: Source,
) -> _Stored:
    table = fact_columns()[name].table
    (key_column,) = dictionary.key_columns(table)
    key = site_id if table == "site" else str(array_id)
    where = f"WHERE {quoted(key_column)} = ?"
    previous = scalar(connection, f"SELECT {quoted(name)} FROM {quoted(table)} {where}", [key])
    newer = scalar(
        connection,
        f"SELECT count(*) FROM {STANDING_FACTS} "
        "WHERE table_name = ? AND row_key = ? AND column_name = ? AND learnt_on > ?",
        [table, key, name, day],
    )
    if not newer:
        connection.execute(f"UPDATE {quoted(table)} SET {quoted(name)} = ? {where}", [value, key])
        texts = {
            "before": as_text(fact_columns()[name], previous),
            "after": as_text(fact_columns()[name], value),
        }
        trail.record_cell(connection, source, site_id=site_id, table_name=table, row_key=key, column_name=name, **texts)
    return table, key, name, value, previous


def _put_prices(
    connection: duckdb.DuckDBPyConnection, prices: Mapping[str, Any], site_id: str, day: date, source: Source
) -> list[_Stored]:
    before = _tariff_of(connection, site_id)
    others = "SELECT count(*) FROM site WHERE tariff_id = ? AND site_id <> ?"
    alone = before is not None and not scalar(connection, others, [before, site_id])
    tariff_id = before if alone and before is not None else f"{site_id} own"
    stored: list[_Stored] = []
    if not alone:
        rest = ", ".join(quoted(column.name) for column in dictionary.columns("tariff") if column.name != _TARIFF_ID)
        connection.execute(
            f"INSERT OR IGNORE INTO tariff (tariff_id, {rest}) SELECT ?, {rest} FROM tariff WHERE tariff_id = ?",
            [tariff_id, before],
        )
        stored.append(_put(connection, _TARIFF_ID, tariff_id, site_id, None, day, source))
    previous = _in_force(connection, tariff_id, day)
    row = {**previous, **prices, _TARIFF_ID: tariff_id, "valid_from": day}
    upsert(connection, "tariff", pd.DataFrame([row]), source)
    if previous:
        _keep_prices_by_time(connection, (str(before), previous["valid_from"]), (tariff_id, day), prices)
    return stored + [("tariff", tariff_id, name, value, previous.get(name)) for name, value in prices.items()]


def _keep_prices_by_time(
    connection: duckdb.DuckDBPyConnection,
    old: tuple[str, date],
    new: tuple[str, date],
    told: Mapping[str, Any],
) -> None:
    """Give a tariff the prices by time of the one before it; a price that was told holds in every hour instead."""
    for table in ("tariff_period", "tariff_hour"):
        rest = ", ".join(quoted(c.name) for c in dictionary.columns(table) if c.name not in (_TARIFF_ID, "valid_from"))
        connection.execute(
            f"INSERT OR IGNORE INTO {table} (tariff_id, valid_from, {rest}) "
            f"SELECT ?, ?, {rest} FROM {table} WHERE tariff_id = ? AND valid_from = ?",
            [*new, *old],
        )
        for price in sorted({"import_price", "export_price"} & set(told)):
            where = "WHERE tariff_id = ? AND valid_from = ?"
            connection.execute(f"UPDATE {table} SET {price} = NULL {where}", list(new))
            connection.execute(
                f"DELETE FROM {table} {where} AND import_price IS NULL AND export_price IS NULL", list(new)
            )


def _tariff_of(connection: duckdb.DuckDBPyConnection, site_id: str) -> str | None:
    rows = connection.execute("SELECT tariff_id FROM site WHERE site_id = ?", [site_id]).fetchall()
    return rows[0][0] if rows else None


def _in_force(connection: duckdb.DuckDBPyConnection, tariff_id: str | None, day: date) -> dict[str, Any]:
    names = [column.name for column in dictionary.columns("tariff")]
    rows = connection.execute(
        f"SELECT {', '.join(map(quoted, names))} FROM tariff WHERE tariff_id = ? AND valid_from <= ? "
        "ORDER BY valid_from DESC LIMIT 1",
        [tariff_id, day],
    ).fetchall()
    return dict(zip(names, rows[0], strict=True)) if rows else {}


def _plain(value: Any) -> Any:
    if isinstance(value, pd.Timestamp):
        return value.date()
    return value.item() if hasattr(value, "item") else value


def as_text(column: Column, value: Any) -> str | None:
    """Return a value as a table to load would say it; None if it is not known."""
    if value is None or pd.isna(value):
        return None
    if column.type == BOOLEAN:
        return "yes" if value else "no"
    if column.type == DATE:
        return str(value.isoformat())[:10]
    return f"{value:.15g}" if column.type == NUMBER else str(value)


def facts(inventory: Inventory, site_id: str | None = None) -> pd.DataFrame:
    """Return what was learnt, of all sites or one: the columns of ``fact_origin``, ``replaced`` and ``corrected``.

    ``corrected`` is true of what was taken back, or came from an entry that was corrected, ``replaced`` where the
    inventory now says something else, by a later fact or a table that was loaded since; prices have dates of their own
    and are never marked so.
    """
    learnt = read_table(inventory.connection, _FACT_ORIGIN, *of_site(site_id))
    replaced = pd.Series(False, index=learnt.index)
    for (table, name), group in learnt.groupby(["table_name", "column_name"]):
        if table == "tariff" or name not in fact_columns():
            continue
        (key,) = dictionary.key_columns(str(table))
        rows = inventory.connection.execute(f"SELECT {quoted(key)}, {quoted(str(name))} FROM {quoted(str(table))}")
        now = {row_key: as_text(fact_columns()[str(name)], value) for row_key, value in rows.fetchall()}
        replaced.loc[group.index] = group["row_key"].map(now).astype("string").ne(group["value"]).fillna(True)
    wrong = inventory.connection.execute("SELECT entry FROM call_log WHERE corrected_at IS NOT NULL").df()["entry"]
    corrected = learnt["entry"].isin(wrong) | learnt["taken_back_at"].notna()
    return learnt.assign(replaced=replaced, corrected=corrected)
