"""Brings an older inventory file to the layout of this program.

A table or a column that is added to the column dictionary or to the layout reaches every older file when it is opened:
what the file has is compared with what it should have. Only what a comparison cannot see is listed, in ``CHANGES``.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache

import duckdb

from aftersun.inventory.store.pseudonyms import make_key
from aftersun.inventory.store.sql import quoted, scalar
from aftersun.inventory.store.tables import LATEST_RANKING, Table, all_tables, loaded_tables


@dataclass(frozen=True)
class RenamedColumn:
    """A column that has another name now. Done before what is missing is added."""

    table: str
    old: str
    new: str


@dataclass(frozen=True)
class TranslatedValues:
    """Texts of a column that are written otherwise now, by what they were. Done after what is missing was added.

    A text that is not named stays as it is. ``column`` has its newest name.
    """

    table: str
    column: str
    values: Mapping[str, str]


@dataclass(frozen=True)
class Statement:
    """Any other change, as SQL. Done after what is missing was added; tables and columns have their newest names."""

    sql: str


Change = RenamedColumn | TranslatedValues | Statement

FIRST_VERSIONS = 4
"""Layouts up to this one lack tables and columns, and nothing else."""
CHANGES: tuple[Change, ...] = (
    # Sentences of version 0.1.0 that are codes now. Its reasons in the ranking stay: their figures were not stored.
    TranslatedValues(
        "ranking",
        "status",
        {
            "advised": "recommended",
            "survey first": "subject_to_survey",
            "too unsure": "too_uncertain",
            "not worth it": "not_cost_effective",
            "does not fit": "not_applicable",
            "already fitted": "already_fitted",
            "safety matter": "safety_remedial",
        },
    ),
    Statement(  # a condition may have several sentences: it ends where one that the program made begins
        "UPDATE ranking SET screening_reason = regexp_extract(reason, 'Survey first: (.*?)(\\. (Best way: |A safety "
        "matter: |Remaining life not known, |Export price not known, |Fuel price not known, ).*)?\\.?$', 1) "
        "WHERE contains(reason, 'Survey first: ')"
    ),
    TranslatedValues(
        "call",
        "excluded_reason",
        {
            "the customer objected to being called": "objected",
            "the number stands on a do-not-call register and no agreement to be called in spite of it is recorded": (
                "on_register"
            ),
            "the customer may not be called": "not_allowed",
            "permission to call is not known; settle it first": "not_settled",
            "calling is allowed, but no basis for it is recorded; enter contact_basis": "no_basis",
            "the customer asked to be called later, and that day has not come": "asked_to_wait",
            "no array is loaded for it": "no_array",
            "no tariff in force: without an import price nothing can be valued": "no_tariff",
            "no retrofit is worth it": "no_offer",
            "another offer at this site serves better": "other_offer",
            "this site is called for a safety matter": "safety_first",
            "a call would cost more than it brings on average": "call_costs_more",
            "the way there costs more than it brings on average": "trip_costs_more",
        },
    ),
    Statement(
        "UPDATE call SET excluded_detail = regexp_extract(excluded_reason, 'less than (.+) days', 1), "
        "excluded_reason = 'quiet_period' WHERE excluded_reason LIKE 'the last contact was less than % days ago'"
    ),
    Statement(
        "UPDATE call SET excluded_detail = excluded_reason[12:], excluded_reason = 'short_of_capacity' "
        "WHERE excluded_reason LIKE 'not enough %'"
    ),
    Statement(
        "UPDATE cost_item SET every_year = starts_with(note, 'every year'), "
        "note = regexp_replace(note, '^(every year|after \\d+ years)(; )?', '')"
    ),
    TranslatedValues(
        "run_plan",
        "status",
        {
            "proven best": "proven_best",
            "proven best within the gap that was asked for": "within_gap",
            "best found in the time that was given": "out_of_time",
        },
    ),
    TranslatedValues(
        "run_plan",
        "hour_method",
        {
            "solved again with one hour more": "resolved",
            "solved again with one hour more, both times with parts of offers allowed": "relaxed",
            "left out": "not_asked",
            "left out: it would have taken too long": "no_time",
        },
    ),
    Statement("ALTER TABLE run_plan DROP COLUMN IF EXISTS shortage"),  # the shortages stand in run_capacity
    Statement(
        "ALTER TABLE offer ALTER COLUMN equipment SET DATA TYPE VARCHAR[] "
        "USING CASE equipment::VARCHAR WHEN '' THEN [] ELSE string_split(equipment::VARCHAR, '+') END"
    ),
)
"""What made each further layout out of the one before, in order. Never edited once released; add another one."""


def newest_version() -> int:
    """Return the number of today's layout. Columns that were only added do not change it."""
    return FIRST_VERSIONS + len(CHANGES)


def stored_version(connection: duckdb.DuckDBPyConnection) -> int | None:
    """Return the number of the layout that a file was brought to last, or None if it is no inventory."""
    is_inventory = scalar(
        connection, "SELECT count(*) FROM information_schema.tables WHERE table_name = 'schema_version'"
    )
    version = scalar(connection, "SELECT max(version) FROM schema_version") if is_inventory else None
    return None if version is None else int(version)


def is_older(connection: duckdb.DuckDBPyConnection) -> bool:
    """Tell whether a file lacks anything of today's layout that a reader needs."""
    return (stored_version(connection) or 0) < newest_version() or bool(_missing_columns(connection))


def holds_less(connection: duckdb.DuckDBPyConnection) -> bool:
    """Tell whether a file would refuse what may be loaded today, since limits or choices have changed."""
    return bool(_outdated_checks(connection))


def migrate(connection: duckdb.DuckDBPyConnection) -> None:
    """Give a file today's layout, in one transaction: it gets all of it or keeps its own."""
    connection.execute("BEGIN")
    try:
        connection.execute("CREATE TABLE IF NOT EXISTS schema_version (version INTEGER PRIMARY KEY, done_at TIMESTAMP)")
        version = stored_version(connection)
        pending = () if version is None else CHANGES[max(version - FIRST_VERSIONS, 0) :]
        for change in pending:
            if isinstance(change, RenamedColumn):
                _rename(connection, change)
        _add_what_is_missing(connection)
        outdated = [loaded_tables()[name] for name in _outdated_checks(connection)]
        for table in outdated:
            _make_anew(connection, replace(table, checks=()))
        for change in pending:
            if isinstance(change, TranslatedValues):
                _translate(connection, change)
            elif isinstance(change, Statement):
                connection.execute(change.sql)
        for table in outdated:
            if all(_holds(connection, table.name, condition) for condition in table.checks):
                _make_anew(connection, table)
        if version != newest_version():
            done_at = datetime.now(UTC).replace(tzinfo=None)
            connection.execute("INSERT INTO schema_version VALUES (?, ?)", [newest_version(), done_at])
        make_key(connection)
    except BaseException:
        with suppress(duckdb.Error):  # a transaction that broke down is gone already
            connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def _missing_columns(connection: duckdb.DuckDBPyConnection) -> list[tuple[str, str, str]]:
    """Return table, name and type of the columns that a file lacks; those of a table that is not there are all."""
    existing = _columns(connection)
    return [
        (table, name, kind)
        for table, described in all_tables().items()
        for name, kind in described.columns.items()
        if (table, name) not in existing
    ]


def _columns(connection: duckdb.DuckDBPyConnection) -> set[tuple[str, str]]:
    query = "SELECT table_name, column_name FROM duckdb_columns() WHERE database_name = current_database()"
    return set(connection.execute(query).fetchall())


def _add_what_is_missing(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the tables and columns that a file lacks; a column added to a table that is there has no conditions."""
    for described in all_tables().values():
        connection.execute(described.create_statement)
    for table, name, kind in _missing_columns(connection):
        connection.execute(f"ALTER TABLE {quoted(table)} ADD COLUMN {quoted(name)} {kind}")
    connection.execute(LATEST_RANKING)  # made anew, or it would not know the new columns


def _checks(connection: duckdb.DuckDBPyConnection) -> set[tuple[str, str]]:
    query = (
        "SELECT table_name, constraint_text FROM duckdb_constraints() "
        "WHERE database_name = current_database() AND constraint_type = 'CHECK'"
    )
    return set(connection.execute(query).fetchall())


@cache
def _checks_made_by(statements: tuple[str, ...]) -> set[tuple[str, str]]:
    """Return conditions as the database words them."""
    with duckdb.connect(":memory:") as scratch:
        for statement in statements:
            scratch.execute(statement)
        return _checks(scratch)


def _outdated_checks(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Return the loaded tables that a file holds to other conditions than today's."""
    tables = loaded_tables()
    wanted = _checks_made_by(tuple(table.create_statement for table in tables.values()))
    stored = {check for check in _checks(connection) if check[0] in tables}
    return sorted({name for name, condition in stored - wanted})


def _make_anew(connection: duckdb.DuckDBPyConnection, table: Table) -> None:
    """Put the rows of a table into a new one of today's making: conditions of a table cannot be changed."""
    before = quoted(f"{table.name}_before")
    connection.execute(f"ALTER TABLE {quoted(table.name)} RENAME TO {before}")
    connection.execute(table.create_statement)
    connection.execute(f"INSERT INTO {quoted(table.name)} BY NAME SELECT * FROM {before}")
    connection.execute(f"DROP TABLE {before}")


def _holds(connection: duckdb.DuckDBPyConnection, table: str, condition: str) -> bool:
    """Tell whether no row breaks a condition; unknown breaks none."""
    return not scalar(connection, f"SELECT count(*) FROM {quoted(table)} WHERE NOT ({condition})")


def _rename(connection: duckdb.DuckDBPyConnection, change: RenamedColumn) -> None:
    existing = _columns(connection)
    if (change.table, change.old) in existing and (change.table, change.new) not in existing:
        table, old, new = map(quoted, (change.table, change.old, change.new))
        connection.execute(f"ALTER TABLE {table} RENAME COLUMN {old} TO {new}")


def _translate(connection: duckdb.DuckDBPyConnection, change: TranslatedValues) -> None:
    table, column = quoted(change.table), quoted(change.column)
    sql = f"UPDATE {table} SET {column} = map_extract_value(?::MAP(VARCHAR, VARCHAR), {column}) WHERE {column} IN "
    connection.execute(f"{sql} (SELECT unnest(?::VARCHAR[]))", [dict(change.values), list(change.values)])
