"""Corrections of the call log: an entry that was wrong stays on record as corrected, and counts for nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

import duckdb

from aftersun.inventory.log import call_log
from aftersun.inventory.log.call_log import COLUMNS, DONE, LATER, NO, OBJECTION, OPEN, SET, SOURCE, STATE_AFTER
from aftersun.inventory.log.jobs import made_true, told_of
from aftersun.inventory.log.learnt_facts import fact_columns
from aftersun.inventory.log.taking_back import take_back
from aftersun.inventory.store import trail
from aftersun.inventory.store.dictionary import PERSONAL_TABLES
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.sql import quoted, scalar
from aftersun.inventory.store.tables import STANDING_CALLS, STANDING_FACTS
from aftersun.inventory.store.trail import Source


@dataclass(frozen=True)
class Corrected:
    """What a correction did.

    ``entries`` and ``facts`` are what was recorded in place of the old entry; ``taken_back`` names cells that say
    something else now, ``left`` those that say the same still. ``reopened`` are customers whose permission to call is
    again what it was before, ``still_closed`` those whose permission a table that changed something since may have
    withdrawn too.
    """

    entries: tuple[int, ...]
    facts: int
    taken_back: tuple[str, ...]
    left: tuple[str, ...]
    closed: tuple[str, ...]
    reopened: tuple[str, ...]
    still_closed: tuple[str, ...]


def correct_call(
    inventory: Inventory,
    entry: int,
    why: str,
    changes: Mapping[str, str],
    facts: Mapping[str, str],
    withdraw: bool = False,
    although_objection: bool = False,
    although_danger: bool = False,
    today: date | None = None,
) -> Corrected:
    """Record in place of an entry what it should have said, or nothing, all of it or none.

    What the old entry alone brought about is taken back: facts, what counted as fitted, states of offers, the end of
    the permission to call. Where the customer is another one its remark goes along.

    Parameters
    ----------
    why
        Why it was wrong; name no person in it.
    changes
        By name of ``COLUMNS`` what is otherwise; the rest is as the old entry says it.
    facts
        What was learnt where it is otherwise, by name; "" = not learnt at all.
    withdraw
        There was no such call: nothing takes its place.
    although_objection, although_danger
        Allow that an objection, or the record of a danger, goes with the entry.

    Raises
    ------
    AftersunError
        If there is no such entry that stands, something is not allowed, or what is new cannot be right.
    """
    if not why.strip():
        raise refusal("correction_without_reason")
    if withdraw == bool(changes or facts):
        raise refusal("nothing_corrected")
    today, now, source = (
        today or date.today(),
        datetime.now(UTC).replace(tzinfo=None),
        Source("log correct", why.strip()),
    )
    before = trail.newest(inventory)
    with inventory.transaction() as connection:
        old = _standing(connection, entry)
        connection.execute(
            "UPDATE call_log SET corrected_at = ?, corrected_by = ?, corrected_why = ? WHERE entry = ?",
            [now, trail.user(), why.strip(), entry],
        )
        about = {"customer_id": old["customer_id"], "site_id": old["site_id"], "table_name": "call_log"}
        cell = {"row_key": str(entry), "column_name": "corrected_at", "before": None, "after": f"{now:%Y-%m-%d}"}
        trail.record_cell(connection, source, **about, **cell)
        _reopen_offers(connection, old)
        facts_told = connection.execute("SELECT fact FROM fact_origin WHERE entry = ?", [entry]).fetchall()
        told = take_back(connection, [number for (number,) in facts_told], old["site_id"], source)
        told += _take_back_fitted(connection, old, source)
        stored = call_log.Recorded((), 0, ())
        if not withdraw:
            stored = _record_instead(connection, old, changes, facts, today)
        if old["outcome"] == OBJECTION and not although_objection and not _objects(connection, old, stored.entries):
            raise refusal("objection_corrected", entry=entry)
        reopened, still_closed = _reopen_contact(connection, old, source)
        cells = trail.net_changes(inventory, before)
        changed = {f"{column} of {key}" for table, key, column in cells if table != "call_log"}
        ended = [f"{column} of {key}" for key, column in trail.dangers_ended(inventory, before)]
        ended = [cell for cell in ended if cell in changed]  # not what the work had ended, and ends again
        if ended and not although_danger:
            raise refusal("danger_corrected", dangers=", ".join(ended))
    gone = tuple(cell for cell, _ in told if cell in changed)
    left = tuple(cell for cell, stays in told if stays and cell not in changed)
    return Corrected(stored.entries, stored.facts, gone, left, stored.closed, reopened, still_closed)


def take_fact_back(
    inventory: Inventory, fact: int, why: str, although_danger: bool = False
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Take back one fact that was learnt otherwise than on the phone; it stays on record and counts for nothing.

    Returns the cells that say something else now, and those that say the same still, as something else says so too.

    Raises
    ------
    AftersunError
        If there is no such fact that stands, it came from an entry of the call log, no reason is given, or a danger
        would go with it and that is not allowed.
    """
    if not why.strip():
        raise refusal("correction_without_reason")
    source, before = Source("log correct", why.strip()), trail.newest(inventory)
    with inventory.transaction() as connection:
        rows = connection.execute(f"SELECT site_id, entry FROM {STANDING_FACTS} WHERE fact = ?", [fact]).fetchall()
        if not rows:
            raise refusal("no_such_fact_on_record")
        site_id, entry = rows[0]
        if entry is not None:
            raise refusal("fact_of_entry", entry=entry)
        connection.execute(
            "UPDATE fact_origin SET taken_back_at = ?, taken_back_by = ?, taken_back_why = ? WHERE fact = ?",
            [datetime.now(UTC).replace(tzinfo=None), trail.user(), why.strip(), fact],
        )
        told = take_back(connection, [fact], site_id, source)
        ended = trail.dangers_ended(inventory, before)
        if ended and not although_danger:
            raise refusal("danger_corrected", dangers=", ".join(f"{column} of {key}" for key, column in ended))
    return tuple(cell for cell, stays in told if not stays), tuple(cell for cell, stays in told if stays)


def _standing(connection: duckdb.DuckDBPyConnection, entry: int) -> dict[str, Any]:
    result = connection.execute(f"SELECT * FROM {STANDING_CALLS} AND entry = ?", [entry])
    names = [column[0] for column in result.description]
    rows = result.fetchall()
    if not rows:
        raise refusal("no_such_entry")
    return dict(zip(names, rows[0], strict=True))


def _record_instead(
    connection: duckdb.DuckDBPyConnection,
    old: Mapping[str, Any],
    changes: Mapping[str, str],
    facts: Mapping[str, str],
    today: date,
) -> call_log.Recorded:
    said = {name: str(old[name]) for name in COLUMNS if old.get(name) is not None}
    if "outcome" in changes and changes["outcome"] != LATER:
        said.pop("leave_until", None)
    if old["outcome"] == DONE == changes.get("outcome", DONE):
        said |= {name: str(value) for name, value in told_of(connection, old["entry"]).items()}
    if "called_on" in changes or not scalar(connection, "SELECT count(*) FROM run WHERE run_id = ?", [old["run_id"]]):
        said.pop("run_id", None)
    same_site = changes.get("site_id", old["site_id"]).strip() == old["site_id"]
    told, array_id = _told(connection, old)
    strange = [name for name, value in facts.items() if not value.strip() and name not in told]
    if strange:
        raise refusal("not_learnt", names=", ".join(strange))
    learnt = {name: value for name, value in {**told, **facts}.items() if value.strip()}
    if same_site and array_id and any(fact_columns()[name].table == "array" for name in learnt if name in told):
        said["array_id"] = array_id
    values = call_log.checked_entry(connection, {**said, **changes}, learnt, today)
    if same_site:  # the house may have been sold since
        values["customer_id"] = old["customer_id"]
    stored = call_log.store_calls(connection, values)
    connection.execute(
        "UPDATE call_log SET corrected_into = ?1, remark = CASE WHEN customer_id = "
        "(SELECT customer_id FROM call_log WHERE entry = ?1) THEN remark END WHERE entry = ?2",
        [stored.entries[0], old["entry"]],
    )
    return stored


def _told(connection: duckdb.DuckDBPyConnection, old: Mapping[str, Any]) -> tuple[dict[str, str], str | None]:
    """Return the facts that an entry told, and the array that some of them are about."""
    query = "SELECT table_name, row_key, column_name, value FROM fact_origin WHERE entry = ? ORDER BY fact"
    rows = connection.execute(query, [old["entry"]]).fetchall()
    told = {name: value for _, _, name, value in rows if name in fact_columns()}
    if any(table == "tariff" for table, *_ in rows):
        told.pop("tariff_id", None)  # nobody told it: the price got the site a tariff of its own
    by_work = made_true(connection, old["entry"])
    told = {name: value for name, value in told.items() if by_work.get(name) != value}
    return told, next((key for table, key, *_ in rows if table == "array"), None)


def _objects(connection: duckdb.DuckDBPyConnection, old: Mapping[str, Any], entries: tuple[int, ...]) -> bool:
    """Tell whether the same customer objects in one of these entries."""
    query = f"SELECT count(*) FROM {STANDING_CALLS} AND list_contains(?, entry) AND outcome = ? AND customer_id = ?"
    return bool(scalar(connection, query, [list(entries), OBJECTION, old["customer_id"]]))


def _reopen_offers(connection: duckdb.DuckDBPyConnection, old: Mapping[str, Any]) -> None:
    """Give the offers that an entry settled the state that the others make of them."""
    if old["outcome"] not in STATE_AFTER:
        return
    connection.execute(
        "UPDATE offer_made SET state = ? WHERE site_id = ? AND made_on <= ? AND state = ? "
        "AND (list_contains(string_split(retrofit, ?), ?) OR ?)",
        [
            OPEN,
            old["site_id"],
            old["called_on"],
            STATE_AFTER[old["outcome"]],
            SET,
            old["retrofit"],
            old["outcome"] == OBJECTION,
        ],
    )
    others = connection.execute(f"FROM {STANDING_CALLS} AND site_id = ? ORDER BY entry", [old["site_id"]]).df()
    call_log.settle_offers(connection, others)


def _take_back_fitted(
    connection: duckdb.DuckDBPyConnection, old: Mapping[str, Any], source: Source
) -> list[tuple[str, bool]]:
    """Take out what counts as fitted by the corrected entry alone; return its name and whether it stays."""
    if old["outcome"] != DONE:
        return []
    place = [old["site_id"], old["retrofit"], old["called_on"]]
    key = " ".join(map(str, place))
    query = f"SELECT count(*) FROM {STANDING_CALLS} AND outcome = ? AND (site_id, retrofit, called_on) = (?, ?, ?)"
    query_trail = (
        "SELECT command, source, column_name FROM change WHERE table_name = 'fitted' AND row_key = ? AND applied"
    )
    changes = connection.execute(f"{query_trail} ORDER BY change", [key]).fetchall()
    by_log = bool(changes) and changes[-1] == (SOURCE.command, SOURCE.name, None)
    if not by_log or scalar(connection, query, [DONE, *place]):
        return [(f"fitted_on of {key}", True)]
    connection.execute("DELETE FROM fitted WHERE (site_id, retrofit, fitted_on) = (?, ?, ?)", place)
    about = {"site_id": old["site_id"], "table_name": "fitted", "row_key": key, "column_name": "fitted_on"}
    trail.record_cell(connection, source, **about, before=str(old["called_on"]), after=None)
    return [(f"fitted_on of {key}", False)]


def _reopen_contact(
    connection: duckdb.DuckDBPyConnection, old: Mapping[str, Any], source: Source
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Give the permission to call back if the log alone withdrew it and no longer would; see :class:`Corrected`."""
    customer_id = old["customer_id"]
    if old["outcome"] not in (NO, OBJECTION):
        return (), ()
    newest = (
        "SELECT command, source, before, after, changed_at FROM change WHERE table_name = 'customer' AND row_key = ? "
        "AND column_name = ? AND applied ORDER BY change DESC LIMIT 1"
    )
    by_log = (SOURCE.command, SOURCE.name)
    for stored, name in (("customer", "contact_allowed"), (PERSONAL_TABLES["customer"], "contact_basis")):
        rows = connection.execute(newest, [customer_id, name]).fetchall()
        if not rows or rows[0][:2] != by_log:
            if name == "contact_allowed":
                return (), ()
            continue
        _, _, before, after, changed_at = rows[0]
        loaded_since = "SELECT count(*) FROM load WHERE table_name = 'customer' AND loaded_at > ?"
        if name == "contact_allowed" and scalar(connection, loaded_since, [changed_at]):
            return (), (customer_id,)  # it may have said no as well, which changed nothing then
        value = before == "yes" if name == "contact_allowed" and before is not None else before
        connection.execute(f"UPDATE {stored} SET {quoted(name)} = ? WHERE customer_id = ?", [value, customer_id])
        about = {"customer_id": customer_id, "table_name": "customer", "row_key": customer_id, "column_name": name}
        trail.record_cell(connection, source, **about, before=after, after=before)
    closed = call_log.close_contact(connection, [customer_id])
    return () if closed else (customer_id,), ()
