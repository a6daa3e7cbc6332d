"""Takes facts back: each cell gets what all other statements about it make of it, in order."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import duckdb

from aftersun.inventory.log.learnt_facts import as_text, fact_columns
from aftersun.inventory.store import dictionary, trail
from aftersun.inventory.store.dictionary import BOOLEAN, NUMBER, Column
from aftersun.inventory.store.sql import quoted, scalar
from aftersun.inventory.store.tables import STANDING_FACTS
from aftersun.inventory.store.trail import Source

_BY_FACTS = ("log", "log correct")  # whose changes of sites, arrays and tariffs fact_origin tells, or only recompute


@dataclass(frozen=True)
class _Cell:
    """A cell that a fact was told of; a learnt price stands in the row of its tariff that begins on that day."""

    table: str
    row_key: str
    column: Column
    valid_from: date | None

    @property
    def trail_key(self) -> str:
        """The key as the trail has it."""
        return self.row_key if self.valid_from is None else f"{self.row_key} {self.valid_from}"

    @property
    def name(self) -> str:
        """How the cell is called in a sentence."""
        return f"{self.column.name} of {self.trail_key}"

    @property
    def where(self) -> tuple[str, list[Any]]:
        """The SQL condition of the row, and its values."""
        if self.valid_from is not None:
            return "tariff_id = ? AND valid_from = ?", [self.row_key, self.valid_from]
        (key,) = dictionary.key_columns(self.table)
        return f"{quoted(key)} = ?", [self.row_key]


@dataclass(frozen=True)
class _Statement:
    """What was once said of a cell; ``learnt_on`` is of facts, ``applied`` of tables."""

    at: datetime
    before: str | None
    after: str | None
    learnt_on: date | None = None
    fact: int | None = None
    stands: bool = True
    applied: bool = True


def take_back(
    connection: duckdb.DuckDBPyConnection, facts: Collection[int], site_id: str, source: Source
) -> list[tuple[str, bool]]:
    """Take back what only these facts told, which stand no longer, within the caller's transaction.

    Returns the cells that it told of and whether they say the same still, since another statement stands, or it cannot
    be told what was there before.
    """
    query = (
        "SELECT table_name, row_key, column_name, learnt_on FROM fact_origin WHERE list_contains(?, fact) ORDER BY fact"
    )
    cells = [
        _Cell(table, key, fact_columns()[name], day if table == "tariff" else None)
        for table, key, name, day in connection.execute(query, [sorted(facts)]).fetchall()
        if name in fact_columns()
    ]
    told: list[tuple[str, bool]] = []
    for day in sorted({(cell.row_key, cell.valid_from) for cell in cells if cell.valid_from is not None}):
        if _remove_prices(connection, *day, site_id, source):
            told.append((f"valid_from of {day[0]} {day[1]}", False))
            cells = [cell for cell in cells if (cell.row_key, cell.valid_from) != day]
    return told + [(cell.name, not _restate(connection, cell, facts, site_id, source)) for cell in cells]


def _restate(
    connection: duckdb.DuckDBPyConnection, cell: _Cell, facts: Collection[int], site_id: str, source: Source
) -> bool:
    """Put into a cell what the other statements make of it; tell whether that is something else than it said."""
    sql, values = cell.where
    place = f"{quoted(cell.table)} SET {quoted(cell.column.name)}"
    found = connection.execute(f"SELECT {quoted(cell.column.name)} FROM {quoted(cell.table)} WHERE {sql}", values)
    now = as_text(cell.column, next(iter(found.fetchall()), (None,))[0])
    told = _statements(connection, cell)
    wanted = _outcome(cell, told, ())
    if wanted == now or _outcome(cell, told, facts) != now:  # or it was changed in a way that nothing tells of
        return wanted == now and now not in {_plain(cell, s.after) for s in told if s.fact in facts}
    required = any(c.required for c in dictionary.columns(cell.table) if c.name == cell.column.name)
    if (wanted is None and required) or _has_prices(connection, cell, now):
        return False
    value: Any = wanted == "yes" if cell.column.type == BOOLEAN and wanted is not None else wanted
    connection.execute(f"UPDATE {place} = ?::{cell.column.duckdb_type} WHERE {sql}", [value, *values])
    about = {"site_id": site_id, "table_name": cell.table, "row_key": cell.trail_key, "column_name": cell.column.name}
    trail.record_cell(connection, source, **about, before=now, after=wanted)
    return True


def _statements(connection: duckdb.DuckDBPyConnection, cell: _Cell) -> list[_Statement]:
    """Return what was said of a cell, in the order in which it came to be known."""
    place = [cell.table, cell.row_key, cell.column.name]
    learnt = connection.execute(
        f"""
        SELECT recorded_at, previous_value, value, learnt_on, fact, fact IN (SELECT fact FROM {STANDING_FACTS})
        FROM fact_origin
        WHERE table_name = ? AND row_key = ? AND column_name = ? AND (?::DATE IS NULL OR learnt_on = ?) ORDER BY fact
        """,
        [*place, cell.valid_from, cell.valid_from],
    ).fetchall()
    stated = connection.execute(
        "SELECT changed_at, before, after, NULL, NULL, true, applied FROM change WHERE table_name = ? AND row_key = ? "
        "AND column_name = ? AND NOT list_contains(?, command) ORDER BY change",
        [cell.table, cell.trail_key, cell.column.name, list(_BY_FACTS)],
    ).fetchall()
    return sorted((_Statement(*row) for row in [*learnt, *stated]), key=lambda statement: statement.at)


def _outcome(cell: _Cell, told: list[_Statement], although: Collection[int]) -> str | None:
    """Return what a cell says after all statements that stand, and the facts ``although``."""
    value = told[0].before if told else None
    newest: date | None = None
    by_fact = False
    danger = dictionary.dangers().get((cell.table, cell.column.name))
    for statement in told:
        if statement.learnt_on is not None:
            counts = statement.stands or statement.fact in although
            if counts and (newest is None or statement.learnt_on >= newest):
                value, newest, by_fact = statement.after, statement.learnt_on, True
        elif statement.applied:
            value, by_fact = statement.after, False
        elif not by_fact and (danger is None or value != danger):  # what it gave way to is no more
            value = statement.after
    return _plain(cell, value)


def _plain(cell: _Cell, text: str | None) -> str | None:
    """Return a text of fact or trail as :func:`aftersun.inventory.log.learnt_facts.as_text` writes it."""
    return f"{float(text):.15g}" if text is not None and cell.column.type == NUMBER else text


def _has_prices(connection: duckdb.DuckDBPyConnection, cell: _Cell, now: str | None) -> bool:
    """Tell whether a cell names the site's own tariff while a price stands that was learnt for it."""
    query = f"SELECT count(*) FROM {STANDING_FACTS} WHERE table_name = 'tariff' AND row_key = ?"
    return cell.column.name == "tariff_id" and bool(scalar(connection, query, [now]))


def _remove_prices(
    connection: duckdb.DuckDBPyConnection, tariff_id: str, valid_from: date, site_id: str, source: Source
) -> bool:
    """Remove a row of prices that came with facts of which none stands; tell whether it was one."""
    standing = f"SELECT count(*) FROM {STANDING_FACTS} WHERE table_name = 'tariff' AND row_key = ? AND learnt_on = ?"
    key = f"{tariff_id} {valid_from}"
    changes = connection.execute(
        "SELECT command, column_name FROM change "
        "WHERE table_name = 'tariff' AND row_key = ? AND applied ORDER BY change",
        [key],
    ).fetchall()
    by_facts = bool(changes) and changes[0][1] is None and all(command in _BY_FACTS for command, _ in changes)
    if not by_facts or scalar(connection, standing, [tariff_id, valid_from]):
        return False
    connection.execute("DELETE FROM tariff WHERE tariff_id = ? AND valid_from = ?", [tariff_id, valid_from])
    about = {"site_id": site_id, "table_name": "tariff", "row_key": key, "column_name": "valid_from"}
    trail.record_cell(connection, source, **about, before=str(valid_from), after=None)
    return True
