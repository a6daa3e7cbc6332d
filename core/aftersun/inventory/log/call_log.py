"""The call log: what came of each call, what was offered, and what follows from it for the inventory.

Everything that one entry brings along is stored in one transaction or not at all.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from aftersun.inventory.log import learnt_facts
from aftersun.inventory.log.jobs import keep_jobs
from aftersun.inventory.store import read, rules, trail
from aftersun.inventory.store.dictionary import PERSONAL_TABLES, Column, read_columns
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.sql import scalar
from aftersun.inventory.store.tables import (
    NEWEST_FIRST,
    OTHER_TABLES,
    STANDING_CALLS,
    insert_frame,
    insert_row,
    next_number,
    of_site,
    read_table,
)
from aftersun.inventory.store.trail import Source
from aftersun.inventory.store.upsert import upsert
from aftersun.model.errors import AftersunError

UNREACHED, NO, LATER, YES, DONE, OBJECTION = "unreached", "no", "later", "yes", "done", "objection"
OUTCOMES = (UNREACHED, NO, LATER, YES, DONE, OBJECTION)
OPEN, TAKEN, DECLINED, CARRIED_OUT = "open", "taken", "declined", "carried out"
WITHDRAWN = "withdrawn"  # a later version of its letter has replaced it
SET = "+"  # between the retrofits of an offer of several

SOURCE = Source("log", "what came of calls")
_CALL_LOG = OTHER_TABLES["call_log"]
STATE_AFTER = {YES: TAKEN, NO: DECLINED, OBJECTION: DECLINED, DONE: CARRIED_OUT}
NO_DAYS = 2  # common practice, no source: who said no on so many days is not asked again

COLUMNS: Mapping[str, Column] = {column.name: column for column in read_columns("calls.csv")["call_log"]}
"""What an entry says, apart from the facts learnt."""
CORRECTION = ("corrected_at", "corrected_by", "corrected_why", "corrected_into")
"""Columns of the log that say of an entry that it was wrong."""
WORK: Mapping[str, Column] = {column.name: column for column in read_columns("jobs.csv")["job"]}
"""What an entry of work done says besides."""
ENTRY_KEY = ("site_id", "called_on", "outcome", "retrofit")


@dataclass(frozen=True)
class Recorded:
    """What was stored: numbers of the new entries, facts, and customers who may not be called from now on."""

    entries: tuple[int, ...]
    facts: int
    closed: tuple[str, ...]


def read_text(
    connection: duckdb.DuckDBPyConnection, text: pd.DataFrame, today: date, decimal_comma: bool = False
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the values of entries given as text, and their problems as in :mod:`aftersun.inventory.store.rules`.

    ``text`` has columns of ``COLUMNS``, ``WORK`` and :func:`aftersun.inventory.log.learnt_facts.fact_columns`, one row
    an entry. Columns of ``COLUMNS`` and ``WORK`` that it lacks come back empty. Problems hold no value.
    """
    values, wrong = read_cells(text, decimal_comma)
    values, strange = compared(connection, values, today)
    return values, rules.gather([wrong, strange])


def read_cells(text: pd.DataFrame, decimal_comma: bool) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Do what :func:`read_text` does as far as no inventory is needed for it."""
    facts = {name: column for name, column in learnt_facts.fact_columns().items() if name in text}
    given = {**COLUMNS, **WORK, **facts}
    cells = text.reindex(columns=list(given)).astype("string")
    cleaned, frame, problems = rules.read(list(given.values()), cells, decimal_comma)
    wrong = rules.gather(problems)
    for name, column in facts.items():
        told_nothing = cleaned[name].notna() & frame[name].isna()
        silent = told_nothing & ~frame.index.isin(wrong.loc[wrong["column"] == name, "row"])
        limits = f": {column.limits}" if column.limits else ""
        problems.append(rules.where(silent, "tells_nothing", column=name, limits=limits))
    frame["retrofit"] = frame["retrofit"].fillna("")
    return frame, rules.gather(problems)


def compared(
    connection: duckdb.DuckDBPyConnection, values: pd.DataFrame, today: date
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the values of :func:`read_cells` with the arrays meant, and what is wrong with them in this inventory."""
    values, about_arrays = learnt_facts.with_arrays(connection, values)
    problems = [
        *about_arrays,
        *learnt_facts.tariff_problems(connection, values),
        *_row_problems(connection, values, today),
    ]
    return values, rules.gather(problems)


def _row_problems(connection: duckdb.DuckDBPyConnection, rows: pd.DataFrame, today: date) -> list[pd.DataFrame]:
    def named(query: str) -> pd.Series:
        return connection.execute(query).df().iloc[:, 0].astype("string")

    sites, run_ids = named("SELECT site_id FROM site"), named("SELECT run_id FROM run")
    retrofits = named("SELECT retrofit FROM run_retrofit UNION SELECT retrofit FROM fitted")
    named_one = rows["retrofit"] != ""
    # Before the first run nothing is known of the retrofits, so nothing is refused.
    known = set(retrofits)
    all_known = pd.Series([set(name.split(SET)) <= known for name in rows["retrofit"]], index=rows.index, dtype=bool)
    strange = named_one & ~all_known & bool(len(run_ids))
    later = rows["outcome"] == LATER
    too_soon = later & ~(rows["leave_until"] > rows["called_on"]).fillna(False)
    done = rows["outcome"] == DONE
    about_work = rows[list(WORK)].notna().any(axis=1)
    began = connection.execute("SELECT site_id, commissioned_on FROM site").df().set_index("site_id")["commissioned_on"]
    return [
        rules.where(about_work & ~done, "work_unasked"),
        rules.where(rows["price"].notna() & rows["currency"].isna(), "price_without_currency"),
        rules.where(rows["promised_p10_kwh"] < rows["promised_p90_kwh"], "promise_backward"),
        rules.where(done & (rows["called_on"] < rows["site_id"].map(began)), "done_before_start"),
        rules.where(
            rows["site_id"].notna() & ~rows["site_id"].isin(sites), "not_loaded", column="site_id", owner="site"
        ),
        rules.where(rows["called_on"] > pd.Timestamp(today), "call_in_future"),
        rules.where(too_soon, "no_later_day"),
        rules.where(rows["leave_until"].notna() & rows["outcome"].notna() & ~later, "later_day_unasked"),
        rules.where(rows["outcome"].isin([YES, DONE]) & ~named_one, "retrofit_missing"),
        rules.where(strange, "retrofit_unknown"),
        rules.where(rows["run_id"].notna() & ~rows["run_id"].isin(run_ids), "run_unknown"),
    ]


def record_call(
    inventory: Inventory, entry: Mapping[str, str], facts: Mapping[str, str] | None = None, today: date | None = None
) -> Recorded:
    """Record one call with the facts learnt, all of it or nothing. Values are text, as a table to load says them.

    Parameters
    ----------
    entry
        By name of ``COLUMNS`` and, of work done, ``WORK``; called_on is today if left out.
    facts
        By name of :func:`aftersun.inventory.log.learnt_facts.fact_columns`.

    Raises
    ------
    AftersunError
        If something cannot be right; every problem is named by column and rule, none by its value.
    """
    today = today or date.today()
    with inventory.transaction() as connection:
        values = checked_entry(connection, {"called_on": today.isoformat(), **entry}, facts or {}, today)
        _refuse_work_on_record(connection, values)
        return store_calls(connection, values)


def _refuse_work_on_record(connection: duckdb.DuckDBPyConnection, values: pd.DataFrame) -> None:
    """Work entered twice would be measured and learnt from twice."""
    work = values[values["outcome"] == DONE]
    for site_id, day, named in work[["site_id", "called_on", "retrofit"]].itertuples(index=False):
        same = f"SELECT min(entry) FROM {STANDING_CALLS} AND (site_id, called_on, outcome) = (?, ?, ?)"
        names = str(named).split(SET)
        entry = scalar(connection, f"{same} AND list_contains(?, retrofit)", [site_id, day.date(), DONE, names])
        if entry is not None:
            raise refusal("work_on_record", entry=entry)


def learn(
    inventory: Inventory,
    site_id: str,
    facts: Mapping[str, str],
    origin: str,
    on: str = "",
    array_id: str = "",
    today: date | None = None,
) -> int:
    """Put facts that were learnt otherwise than by a call into the inventory, all or none; return how many.

    ``origin`` says from whom or what; name no person in it. Raises AftersunError as :func:`record_call` does.
    """
    today = today or date.today()
    if not facts or not origin.strip():
        raise refusal("fact_without_origin")
    entry = {"site_id": site_id, "called_on": on or today.isoformat(), "array_id": array_id}
    with inventory.transaction() as connection:
        # The outcome only makes the entry whole; it is not stored.
        values = checked_entry(connection, {**entry, "outcome": UNREACHED}, facts, today)
        origins, entries = pd.Series(origin.strip(), values.index), pd.Series(pd.NA, values.index, dtype="Int64")
        return learnt_facts.store_facts(connection, values, origins, entries, _now())


def checked_entry(
    connection: duckdb.DuckDBPyConnection, entry: Mapping[str, str], facts: Mapping[str, str], today: date
) -> pd.DataFrame:
    unknown = [name for name in facts if name not in learnt_facts.fact_columns()]
    if unknown:
        raise refusal("no_such_fact", names=", ".join(unknown), tables=", ".join(learnt_facts.FACT_TABLES))
    empty = [name for name, value in facts.items() if not value.strip()]
    if empty:
        raise refusal("empty_fact", names=", ".join(empty))
    values, problems = read_text(connection, pd.DataFrame([{**entry, **facts}], dtype="string"), today)
    if len(problems):
        reasons = [f"{row.column}: {row.reason}" for row in problems.itertuples()]
        hints = dict.fromkeys(f"{row.column}: {row.what_to_do}" for row in problems.itertuples())
        raise AftersunError(f"{'; '.join(reasons)}.", f"{' '.join(hints)} Nothing was changed.")
    return values


def store_calls(connection: duckdb.DuckDBPyConnection, values: pd.DataFrame) -> Recorded:
    """Store checked entries and what follows from them, within the caller's transaction.

    ``values`` are those of :func:`read_text`; without a column customer_id the calls were with the owners of today.
    Retrofits that are done become jobs and fitted, and make true what such work does; open offers get their state,
    facts go into the inventory, and an objection, or a no on two days, ends the permission to call.
    An entry about several retrofits, joined by ``SET``, is stored as one entry for each.
    """
    if values.empty:
        return Recorded((), 0, ())
    now, rows = _now(), values.sort_values("called_on", kind="stable")
    rows = rows.assign(retrofit=rows["retrofit"].str.split(SET, regex=False)).explode("retrofit")
    source_rows = rows.index  # which of the values each entry is
    rows = rows.reset_index(drop=True).astype({"retrofit": "string"})
    owners = connection.execute("SELECT site_id, customer_id FROM site").df().set_index("site_id")["customer_id"]
    first = next_number(connection, "call_log", "entry")
    entries = pd.Series(np.arange(first, first + len(rows)), index=rows.index, dtype="Int64")
    if "customer_id" not in rows:
        rows["customer_id"] = rows["site_id"].map(owners)
    rows = rows.assign(entry=entries, recorded_at=now)
    newest = {day: _newest_run(connection, day.date()) for day in rows["called_on"].unique()}
    about = rows["called_on"].map(newest).where(rows["retrofit"] != "")
    rows["run_id"] = rows["run_id"].fillna(about.astype("string"))
    insert_frame(connection, _CALL_LOG, rows)
    added = rows[["site_id", "customer_id"]].assign(row_key=entries.astype("string"))
    trail.record_rows(connection, SOURCE, _CALL_LOG.name, added)
    _fit(connection, rows[rows["outcome"] == DONE])
    work = rows.assign(row=source_rows)[rows["outcome"] == DONE]
    values = keep_jobs(connection, work, values)
    settle_offers(connection, rows)
    closed = close_contact(connection, rows.loc[rows["outcome"].isin([NO, OBJECTION]), "customer_id"].unique())
    first_of = entries.set_axis(source_rows)[~source_rows.duplicated()].reindex(values.index)
    told = values["outcome"].map({DONE: "work done"}).fillna("phone call")
    origins = told.astype("string") + ", entry " + first_of.astype("string")
    fact_count = learnt_facts.store_facts(connection, values, origins, first_of, now)
    return Recorded(tuple(map(int, entries)), fact_count, closed)


def _now() -> datetime:
    return datetime.now(UTC).replace(tzinfo=None)


def _newest_run(connection: duckdb.DuckDBPyConnection, day: date) -> str | None:
    query = f"SELECT run_id FROM run WHERE finished_at::DATE <= ? ORDER BY {NEWEST_FIRST} LIMIT 1"
    rows = connection.execute(query, [day]).fetchall()
    return rows[0][0] if rows else None


def _fit(connection: duckdb.DuckDBPyConnection, done: pd.DataFrame) -> None:
    if len(done):
        fitted = done[["site_id", "retrofit", "called_on"]].rename(columns={"called_on": "fitted_on"})
        upsert(connection, "fitted", fitted.drop_duplicates(), SOURCE)


def settle_offers(connection: duckdb.DuckDBPyConnection, rows: pd.DataFrame) -> None:
    """Give open offers the state that the last word on them makes; on one of several it settles the whole."""
    unsettled = connection.execute(
        "SELECT DISTINCT site_id FROM offer_made WHERE state IN (?, ?)", [OPEN, TAKEN]
    ).fetchall()
    about_one = rows["site_id"].isin([site for (site,) in unsettled])
    for row in rows[rows["outcome"].isin(list(STATE_AFTER)) & about_one].itertuples():
        # A refusal settles what is open; work that is done also what was taken before.
        settled = (OPEN, TAKEN) if row.outcome == DONE else (OPEN,)
        connection.execute(
            "UPDATE offer_made SET state = ? WHERE site_id = ? AND made_on <= ? AND state IN (SELECT unnest(?)) "
            "AND (list_contains(string_split(retrofit, ?), ?) OR ?)",
            [
                STATE_AFTER[str(row.outcome)],
                row.site_id,
                pd.Timestamp(str(row.called_on)).date(),
                list(settled),
                SET,
                row.retrofit,
                row.outcome == OBJECTION,
            ],
        )


def close_contact(connection: duckdb.DuckDBPyConnection, customer_ids: Iterable[str]) -> tuple[str, ...]:
    """End the permission to call of those of these customers who object or said no often enough; return them."""
    refusals = connection.execute(
        f"""
        SELECT customer_id, contact_basis AS before,
            max(called_on) FILTER (outcome = '{OBJECTION}') AS objected_on,
            max(called_on) FILTER (outcome = '{NO}') AS last_no_on,
            count(DISTINCT called_on) FILTER (outcome = '{NO}') AS no_days
        FROM call_log JOIN customer USING (customer_id) LEFT JOIN {PERSONAL_TABLES["customer"]} USING (customer_id)
        WHERE customer_id IN (SELECT unnest(?::VARCHAR[])) AND contact_allowed IS DISTINCT FROM false
            AND corrected_at IS NULL
        GROUP BY ALL
        HAVING objected_on IS NOT NULL OR no_days >= ?
        ORDER BY customer_id
        """,
        [list(customer_ids), NO_DAYS],
    ).fetchall()
    if not refusals:
        return ()
    closing = []
    for customer_id, before, objected_on, last_no_on, no_days in refusals:
        basis = f"objection on {objected_on}" if objected_on else f"said no on {no_days} days, last on {last_no_on}"
        kept = f"{basis}; before that: {before}" if before else basis
        closing.append({"customer_id": customer_id, "contact_allowed": False, "contact_basis": kept})
    upsert(connection, "customer", pd.DataFrame(closing), SOURCE)
    return tuple(customer_id for customer_id, *_ in refusals)


def make_offer(
    inventory: Inventory,
    site_id: str,
    retrofit: str,
    price: float,
    currency: str,
    made_on: date,
    valid_until: date | None = None,
) -> int:
    """Keep that an offer was made, at a price with tax included; return its number.

    Raises AftersunError if the site or retrofit is unknown, the price is negative, or the offer ends before it begins.
    """
    if not (math.isfinite(price) and price >= 0):
        raise refusal("no_price")
    if not retrofit or not currency:
        raise refusal("offer_incomplete")
    if valid_until is not None and valid_until < made_on:
        raise refusal("offer_backward")
    with inventory.transaction() as connection:
        entry = {"site_id": site_id, "called_on": made_on.isoformat(), "outcome": UNREACHED, "retrofit": retrofit}
        checked_entry(connection, entry, {}, date.today())
        return insert_offer(
            connection,
            site_id=site_id.strip(),
            retrofit=retrofit.strip(),
            run_id=_newest_run(connection, made_on),
            made_on=made_on,
            price=price,
            currency=currency,
            valid_until=valid_until,
        )


def insert_offer(connection: duckdb.DuckDBPyConnection, **values: Any) -> int:
    """Store an open offer, given by column of ``offer_made``, within the caller's transaction; return its number."""
    number = next_number(connection, "offer_made", "offer")
    insert_row(connection, "offer_made", {"offer": number, "state": OPEN, **values})
    return number


def entries(
    inventory: Inventory, site_id: str | None = None, with_remark: bool = False, with_corrected: bool = False
) -> pd.DataFrame:
    """Return the call log, of all sites or one, oldest first; remarks are personal and left out unless asked for.

    Entries that were corrected count for nothing: they come, with the columns ``CORRECTION``, only if asked for.
    """
    left_out = {*(() if with_remark else ("remark",)), *(() if with_corrected else CORRECTION)}
    names = [name for name in _CALL_LOG.columns if name not in left_out]
    where = "WHERE (?1 IS NULL OR site_id = ?1) AND (?2 OR corrected_at IS NULL)"
    return read_table(inventory.connection, _CALL_LOG, where, [site_id, with_corrected], names)


def to_call_back(inventory: Inventory, today: date) -> pd.DataFrame:
    """Return the entries by which customers asked to be called by today and since which nobody spoke to them.

    What is due longest comes first. Contact rules are the caller's: some may have objected since.
    """
    due = f"outcome = '{LATER}' AND leave_until <= ? AND corrected_at IS NULL"
    since = f"""
        SELECT 1 FROM call_log AS later WHERE later.customer_id = call_log.customer_id AND later.corrected_at IS NULL
            AND later.outcome <> '{UNREACHED}' AND (later.called_on, later.entry) > (call_log.called_on, call_log.entry)
    """
    names = [name for name in _CALL_LOG.columns if name not in CORRECTION]
    found = read_table(inventory.connection, _CALL_LOG, f"WHERE {due} AND NOT EXISTS ({since})", [today], names)
    return found.sort_values(["leave_until", "entry"], ignore_index=True)


def offers(inventory: Inventory, site_id: str | None = None) -> pd.DataFrame:
    """Return the offers made, of all sites or one, oldest first."""
    return read_table(inventory.connection, OTHER_TABLES["offer_made"], *of_site(site_id))


def customers(inventory: Inventory) -> pd.DataFrame:
    """Return all customers for the contact rules: without personal columns, but with has_contact_basis (yes/no).

    Whether a basis is recorded is no secret; what it says stays where personal columns are.
    """
    query = f"SELECT customer_id FROM {PERSONAL_TABLES['customer']} WHERE trim(coalesce(contact_basis, '')) <> ''"
    settled = inventory.connection.execute(query).df()["customer_id"]
    everybody = read.customers(inventory)
    return everybody.assign(has_contact_basis=everybody["customer_id"].isin(settled))
