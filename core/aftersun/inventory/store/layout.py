"""Tables of the inventory that nobody loads: loads, rejects, weather years, calls and what they taught, as data."""

from __future__ import annotations

from collections.abc import Mapping

from aftersun.inventory.store.dictionary import quoted
from aftersun.inventory.store.run_tables import RUN, RUN_TABLES
from aftersun.inventory.store.table_layout import Layout

LOAD = Layout(
    columns={
        "load_id": "BIGINT",
        "loaded_at": "TIMESTAMP",  # UTC
        "program_version": "VARCHAR",
        "source_file": "VARCHAR",
        "table_name": "VARCHAR",
        "sha256": "VARCHAR",
        "rows_read": "BIGINT",
        "added": "BIGINT",
        "changed": "BIGINT",
        "unchanged": "BIGINT",
        "rejected": "BIGINT",
        "mended": "BIGINT",
    },
    order=("load_id",),
    key=("load_id",),
)

# One row a problem. A bad row has one reject_id, whatever its problems; the id is made from the table and the
# row's text, so that the same bad row is always the same reject.
REJECT = Layout(
    columns={
        "reject_id": "VARCHAR",
        "problem": "INTEGER",
        "load_id": "BIGINT",
        "source_file": "VARCHAR",
        "table_name": "VARCHAR",
        "line": "BIGINT",
        "column_name": "VARCHAR",
        "value": "VARCHAR",
        "reason": "VARCHAR",
        "what_to_do": "VARCHAR",
        "raw": "JSON",
        "row_key": "VARCHAR",  # JSON list of the key's values as read, empty if the row has no usable key
        "state": "VARCHAR",
        "closed_by": "BIGINT",  # the load that mended or replaced it
    },
    order=("table_name", "source_file", "line", "reject_id", "problem"),
    key=("reject_id", "problem"),
    required=("load_id", "source_file", "table_name", "line", "reason", "what_to_do", "raw", "state"),
)

WEATHER_STATION = Layout(
    columns={
        "station_id": "VARCHAR",
        "name": "VARCHAR",
        "latitude": "DOUBLE",
        "longitude": "DOUBLE",
        "elevation_m": "DOUBLE",
        "utc_offset_h": "DOUBLE",
        "source": "VARCHAR",
        "sha256": "VARCHAR",
        "rain_basis": "VARCHAR",
    },
    order=("station_id",),
    key=("station_id",),
    required=("latitude", "longitude", "elevation_m", "utc_offset_h", "sha256"),
)

WEATHER_HOUR = Layout(
    columns={
        "station_id": "VARCHAR",
        "hour": "INTEGER",  # 0..8759 from the first hour of January, station standard time
        "ghi": "DOUBLE",  # W/m2, as dni and dhi
        "dni": "DOUBLE",
        "dhi": "DOUBLE",
        "temp_air": "DOUBLE",  # degrees C
        "wind_speed": "DOUBLE",  # m/s at 10 m
        "rain_mm": "DOUBLE",  # mm in the hour, empty = unknown
        "albedo": "DOUBLE",  # 0..1
    },
    order=("station_id", "hour"),
    key=("station_id", "hour"),
    required=("ghi", "dni", "dhi", "temp_air", "wind_speed", "albedo"),
)

# What was said to customers and learnt from them.
CALL_LOG = Layout(
    columns={
        "entry": "BIGINT",
        "site_id": "VARCHAR",
        "customer_id": "VARCHAR",
        "called_on": "DATE",
        "outcome": "VARCHAR",  # one of call_log.OUTCOMES
        "retrofit": "VARCHAR",  # "" = about none in particular
        "leave_until": "DATE",  # of "later": the customer is left in peace until then
        "run_id": "VARCHAR",  # the run whose offer it was about; empty = none was stored
        "remark": "VARCHAR",  # personal: never printed unless asked for
        "recorded_at": "TIMESTAMP",  # UTC
    },
    order=("called_on", "entry"),
    key=("entry",),
    required=("site_id", "customer_id", "called_on", "outcome", "retrofit", "recorded_at"),
)

OFFER_MADE = Layout(
    columns={
        "offer": "BIGINT",
        "site_id": "VARCHAR",
        "retrofit": "VARCHAR",
        "run_id": "VARCHAR",
        "made_on": "DATE",
        "price": "DOUBLE",  # to the customer, tax included
        "currency": "VARCHAR",
        "state": "VARCHAR",  # one of call_log.OFFER_STATES
        "valid_until": "DATE",
    },
    order=("made_on", "offer"),
    key=("offer",),
    required=("site_id", "retrofit", "made_on", "price", "currency", "state"),
)

FACT_ORIGIN = Layout(
    columns={
        "fact": "BIGINT",
        "entry": "BIGINT",  # of the call log; empty = learnt elsewhere
        "site_id": "VARCHAR",
        "table_name": "VARCHAR",
        "row_key": "VARCHAR",  # site_id, array_id or tariff_id of the row
        "column_name": "VARCHAR",
        "value": "VARCHAR",  # as a table to load would say it
        "previous_value": "VARCHAR",  # empty = was not known
        "learnt_on": "DATE",
        "origin": "VARCHAR",
        "recorded_at": "TIMESTAMP",  # UTC
    },
    order=("learnt_on", "fact"),
    key=("fact",),
    required=("site_id", "table_name", "row_key", "column_name", "value", "learnt_on", "origin", "recorded_at"),
)

# Letters as they were issued, by the output that wrote the file: content and file hold names, and go with an erasure.
LETTER = Layout(
    columns={
        "number": "VARCHAR",  # year and six digits
        "version": "INTEGER",
        "output": "VARCHAR",
        "site_id": "VARCHAR",
        "run_id": "VARCHAR",
        "made_on": "DATE",
        "valid_until": "DATE",
        "content": "JSON",  # aftersun.model.letter.Letter
        "choices": "JSON",  # what the account manager had chosen
        "file_name": "VARCHAR",
        "sha256": "VARCHAR",
        "file": "BLOB",
    },
    order=("number", "version", "output"),
    key=("number", "version", "output"),
    required=("site_id", "run_id", "made_on", "valid_until", "content", "choices", "file_name", "sha256", "file"),
)

# Which of the offers made stand in which letter.
LETTER_OFFER = Layout(
    columns={
        "number": "VARCHAR",
        "version": "INTEGER",
        "site_id": "VARCHAR",
        "offer": "VARCHAR",  # a retrofit, or several joined by "+"
        "entry": "BIGINT",  # number of the offer in offer_made
    },
    order=("number", "version", "entry"),
    key=("number", "version", "offer"),
    required=("site_id", "entry"),
)

# The key of pseudonyms and of what is remembered of erased customers; it goes into no export.
PSEUDONYM_KEY = Layout(
    columns={"key_id": "INTEGER", "secret": "VARCHAR", "made_at": "TIMESTAMP"},  # 1, hex digits, UTC
    order=("key_id",),
    key=("key_id",),
    required=("secret", "made_at"),
)

# Who was erased on request, as keyed hashes of the numbers alone, so that a later load does not bring them back.
ERASED = Layout(
    columns={"kind": "VARCHAR", "hash": "VARCHAR", "erased_on": "DATE"},  # kind: customer, site
    order=("erased_on", "kind", "hash"),
    key=("kind", "hash"),
    required=("erased_on",),
)

TABLES: Mapping[str, Layout] = {
    "load": LOAD,
    "call_log": CALL_LOG,
    "offer_made": OFFER_MADE,
    "fact_origin": FACT_ORIGIN,
    "reject": REJECT,
    "weather_station": WEATHER_STATION,
    "weather_hour": WEATHER_HOUR,
    "run": RUN,
    **RUN_TABLES,
    "letter": LETTER,
    "letter_offer": LETTER_OFFER,
    "pseudonym_key": PSEUDONYM_KEY,
    "erased": ERASED,
}

NEWEST_FIRST = "finished_at DESC, started_at DESC, run_id DESC"
LATEST_RANKING = f"""
CREATE OR REPLACE VIEW latest_ranking AS
SELECT * FROM ranking WHERE run_id = (SELECT run_id FROM run ORDER BY {NEWEST_FIRST} LIMIT 1)
"""


def create_statements() -> tuple[str, ...]:
    """Return the SQL that creates all these tables and the view of the newest ranking."""
    return (*(_create(name, layout) for name, layout in TABLES.items()), LATEST_RANKING)


def _create(name: str, layout: Layout) -> str:
    parts = [
        f"{quoted(column)} {kind}{' NOT NULL' if column in layout.required else ''}"
        for column, kind in layout.columns.items()
    ]
    if layout.key:
        parts.append(f"PRIMARY KEY ({', '.join(map(quoted, layout.key))})")
    return f"CREATE TABLE IF NOT EXISTS {quoted(name)} ({', '.join(parts)})"
