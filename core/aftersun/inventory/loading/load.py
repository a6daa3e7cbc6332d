"""Loads a file into the inventory: good rows into their table, bad rows into the rejects, all or nothing.

Which tables a file holds is told from its name, its sheets or its header.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, datetime
from importlib.metadata import version
from pathlib import Path

import duckdb
import pandas as pd

from aftersun.inventory.loading import erased, rejects
from aftersun.inventory.loading.bad_rows import as_written, sentences
from aftersun.inventory.loading.bounds import Progress
from aftersun.inventory.loading.checked_file import CheckedFile, check_file
from aftersun.inventory.loading.checks import price_findings
from aftersun.inventory.loading.column_checks import NOBODY, Company, Finding, find
from aftersun.inventory.loading.raw_table import RawTable
from aftersun.inventory.loading.table_file import read_file
from aftersun.inventory.loading.units import in_own_units
from aftersun.inventory.loading.workbook_file import sheet_names
from aftersun.inventory.store import rules
from aftersun.inventory.store.dictionary import columns, key_columns, references, tables
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.pseudonyms import folded
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.sql import quoted
from aftersun.inventory.store.tables import insert_row, next_number
from aftersun.inventory.store.trail import Source
from aftersun.inventory.store.upsert import upsert

SHOWN_PROBLEMS = 20
NO_UNITS: Mapping[str, str] = {}


def tables_in(path: Path) -> tuple[str, ...]:
    """Return the tables that a file holds, in the order to load them.

    A workbook holds one for each sheet that is named after a table. Any other file holds one: the table its name
    begins with, else the only one whose key columns and further columns the header fits best.

    Raises
    ------
    AftersunError
        If the file cannot be read or fits no table.
    """
    sheets = sheet_names(path)
    named = tuple(table for table in tables() if table in sheets)
    if named:
        return named
    stem = path.stem.strip().casefold()
    by_name = [table for table in tables() if stem.startswith(table)]
    if by_name:
        return (max(by_name, key=len),)
    header = {name.strip().casefold() for name in read_file(path, "").header}
    fitting = {
        table: len(header & {column.name for column in columns(table)})
        for table in tables()
        if header >= set(key_columns(table))
    }
    best = max(fitting.values(), default=0)
    best_fitting = [table for table, count in fitting.items() if count == best]
    if len(best_fitting) != 1:
        raise refusal("unknown_table", path=path, tables=", ".join(tables()))
    return (best_fitting[0],)


@dataclass(frozen=True)
class LoadReport:
    """What became of a file: ``rows_read = added + changed + unchanged + rejected``.

    ``problems`` are sentences without any value from the file: first what concerns the whole file, then at
    most ``SHOWN_PROBLEMS`` of its rows. ``conflicts`` are such sentences of cells that were not taken over, since
    something learnt or a danger stands against them, ``columns`` findings on whole columns of the file. ``mended``
    counts rejects of earlier loads that this one settled, ``erased`` the rejected rows that are not kept, since they
    are about somebody erased on request.
    ``load_id`` is None if nothing in the inventory changed.
    """

    table: str
    source: str
    rows_read: int
    added: int
    changed: int
    unchanged: int
    rejected: int
    mended: int
    problems: tuple[str, ...]
    load_id: int | None
    erased: int = 0
    conflicts: tuple[str, ...] = ()
    columns: tuple[Finding, ...] = ()

    @property
    def accepted(self) -> int:
        """Rows that are in the inventory now."""
        return self.added + self.changed + self.unchanged


def load_file(
    inventory: Inventory,
    table: str,
    path: Path | str,
    progress: Progress | None = None,
    allow_again: bool = False,
    stated_on: date | None = None,
    units: Mapping[str, str] = NO_UNITS,
    company: Company = NOBODY,
) -> LoadReport:
    """Load a CSV, XLSX or Parquet file into a table of the dictionary.

    A row whose key is known changes that row where something differs; a column the file lacks and an empty cell leave
    what is known. What was learnt after ``stated_on``, the day that the table is of, stays, or whatever was learnt if
    that day is not given; a danger that is known stays in any case. Loading the same file again changes nothing.
    ``progress(done, total)`` is called with lines of the file. Rows about somebody erased on request are refused
    unless ``allow_again``. ``units`` has the unit of columns that are in another one than the dictionary's.

    Raises
    ------
    AftersunError
        As :func:`checked`.
    """
    file, path = checked(table, path, progress, units), Path(path)
    return with_findings(inventory, store(inventory, file, path, allow_again, stated_on), file, path, company)


def checked(
    table: str, path: Path | str, progress: Progress | None = None, units: Mapping[str, str] = NO_UNITS
) -> CheckedFile:
    """Read a file and check it by all that needs no inventory: what takes long in a load.

    Raises
    ------
    AftersunError
        If there is no such table, the file cannot be read, its header lacks required columns or repeats
        some, or a column is not converted from the unit given.
    """
    path = Path(path)
    columns(table)  # there is such a table
    written = as_written(read_file(path, table, progress))
    file = check_file(table, path.name, in_own_units(table, path.name, written, units))
    if progress and len(file.raw):
        progress(int(file.raw.lines[-1]), int(file.raw.lines[-1]))
    return file


def with_findings(
    inventory: Inventory, report: LoadReport, file: CheckedFile, path: Path, company: Company
) -> LoadReport:
    """Return a report with what is found on the whole columns of the file that it is about, and prices by time."""
    found = find(inventory, company, date.today(), (file.table, file.values, path))
    by_time = price_findings(inventory) if file.table in ("tariff_period", "tariff_hour") else []
    return replace(report, columns=(*found, *by_time))


def store(
    inventory: Inventory, file: CheckedFile, path: Path, allow_again: bool = False, stated_on: date | None = None
) -> LoadReport:
    """Store the good rows of a checked file, and keep its bad ones, all or nothing; see :func:`load_file`."""
    table, raw = file.table, file.raw
    with inventory.transaction() as connection:
        if allow_again:
            erased.forget(connection, file.values)
        gone, about_gone = erased.refused(connection, file.values, raw)
        problems = rules.gather([file.problems, *_unknown_references(connection, file), _look_alikes(connection, file)])
        kept = problems[~problems["row"].isin(gone)]  # what is wrong with the others besides would be stored
        problems = rules.gather([kept, about_gone])
        good = file.values.loc[file.values.index.difference(pd.Index(problems["row"]))]
        source = Source("inventory load", path.name, gives_way=True, stated_on=stated_on)
        done = upsert(connection, table, good, source)
        counts, conflicts = done.counts, _conflict_problems(done.conflicts)
        load_id = next_number(connection, "load", "load_id")
        changes = rejects.record(connection, load_id, file, kept, good)
        rejected = int(problems["row"].nunique())
        anything_new = (
            counts.added or counts.changed or done.new_conflicts or changes.stored or changes.mended or changes.replaced
        )
        if anything_new:
            row = {"load_id": load_id, "table_name": table, "rows_read": len(raw), **asdict(counts)}
            _log(connection, path, {**row, "rejected": rejected, "mended": changes.mended})
    return LoadReport(
        table=table,
        source=path.name,
        rows_read=len(raw),
        **asdict(counts),
        rejected=rejected,
        mended=changes.mended,
        problems=(*filter(None, [file.header.remark]), *_shown(raw, problems, "rejects")),
        load_id=load_id if anything_new else None,
        erased=len(gone),
        conflicts=_shown(raw, conflicts, "'aftersun inventory changes --conflicts'"),
    )


def _shown(raw: RawTable, problems: pd.DataFrame, see: str) -> tuple[str, ...]:
    shown = sentences(raw, problems, SHOWN_PROBLEMS)
    more = len(problems) - len(shown)
    return (*shown, *([f"and {more} more, see {see}"] if more else []))


def _conflict_problems(conflicts: pd.DataFrame) -> pd.DataFrame:
    """Return as problems the cells that were not taken over."""
    danger = conflicts["learnt_on"].isna()
    parts = [
        rules.problem(pd.Index(group["row"]), name, column=list(group["column_name"]), learnt_on=list(group["day"]))
        for name, group in conflicts.assign(day=conflicts["learnt_on"].astype("string").str[:10]).groupby(
            danger.map({True: "danger_stands", False: "learnt_since"})
        )
    ]
    return rules.gather(parts)


def _unknown_references(connection: duckdb.DuckDBPyConnection, file: CheckedFile) -> list[pd.DataFrame]:
    problems = []
    for name, owner in references(file.table).items():
        if name in file.values:
            known = connection.execute(f"SELECT DISTINCT {quoted(name)} FROM {quoted(owner)}").df()[name]
            given = file.values[name].dropna()
            problems.append(rules.problem(given.index[~given.isin(known)], "not_loaded", column=name, owner=owner))
    return problems


def _look_alikes(connection: duckdb.DuckDBPyConnection, file: CheckedFile) -> pd.DataFrame:
    """Return the rows that would bring a customer or site in again under a number that only looks different.

    An objection or a danger that is held under the number that is known would not count for the other one.
    """
    name = f"{file.table}_id"
    if file.table not in ("customer", "site") or name not in file.values:
        return rules.NONE
    held = connection.execute(f"SELECT {quoted(name)} FROM {quoted(file.table)}").df()[name]
    given = file.values[name].dropna()
    strange = given[~given.isin(held)]
    if strange.empty:
        return rules.NONE
    known = set(map(folded, held))
    first = strange.map(folded)
    alike = first.isin(known) | (first.duplicated(keep=False) & ~strange.duplicated(keep=False))
    return rules.problem(strange.index[alike], "looks_like_another", column=name)


def _log(connection: duckdb.DuckDBPyConnection, path: Path, counts: Mapping[str, object]) -> None:
    with path.open("rb") as handle:
        sha256 = hashlib.file_digest(handle, "sha256").hexdigest()
    moment = datetime.now(UTC).replace(tzinfo=None)
    row = {"loaded_at": moment, "program_version": version("aftersun"), "source_file": path.name, "sha256": sha256}
    insert_row(connection, "load", {**row, **counts})
