"""Loads a file into the inventory: good rows into their table, bad rows into the rejects, all or nothing."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import duckdb
import pandas as pd

from aftersun.inventory.loading import erased, readings, rejects
from aftersun.inventory.loading.header import Header, match_header
from aftersun.inventory.loading.reject_rows import accepted_frame, reject_frame
from aftersun.inventory.loading.shape import Progress, RawTable, read_file
from aftersun.inventory.store import rules
from aftersun.inventory.store.dictionary import columns, key_columns, references, tables
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.tables import insert_row, next_number
from aftersun.inventory.store.upsert import Counts, upsert
from aftersun.model.errors import AftersunError

SHOWN_PROBLEMS = 20

# What a table's columns have to say together: text and values of the rows in, problems out.
_ROW_RULES: Mapping[str, Callable[[pd.DataFrame, pd.DataFrame], list[pd.DataFrame]]] = {
    "reading": readings.row_problems
}


@dataclass(frozen=True)
class LoadReport:
    """What became of a file: ``rows_read = added + changed + unchanged + rejected``.

    ``problems`` are sentences without any value from the file: first what concerns the whole file, then at
    most ``SHOWN_PROBLEMS`` of its rows. ``mended`` counts rejects of earlier loads that this one settled, ``erased``
    the rejected rows that are not kept, since they are about somebody erased on request.
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

    @property
    def accepted(self) -> int:
        """Rows that are in the inventory now."""
        return self.added + self.changed + self.unchanged


@dataclass(frozen=True, eq=False)
class _Rows:
    """A file under the column rules, by position of the row; rows of wrong shape are only in problems."""

    text: pd.DataFrame
    values: pd.DataFrame
    problems: pd.DataFrame


def load_file(
    inventory: Inventory,
    table: str,
    path: Path | str,
    progress: Progress | None = None,
    allow_again: bool = False,
) -> LoadReport:
    """Load a CSV, XLSX or Parquet file into a table of the dictionary.

    A row whose key is known changes that row where something differs; a column the file lacks is left as it
    is, an empty cell means unknown. Loading the same file again changes nothing. ``progress(done, total)`` is
    called with lines of the file. Rows about somebody erased on request are refused unless ``allow_again``.

    Raises
    ------
    AftersunError
        If there is no such table, the file cannot be read, or its header lacks required columns or repeats
        some.
    """
    path = Path(path)
    if table not in tables():
        raise AftersunError(f"There is no table {table!r} to load into.", f"Choose one of {', '.join(tables())}.")
    raw = read_file(path, table, progress)
    header = match_header(table, raw.header, path.name, may_name=bool(raw.fits.any()))
    rows = _check(table, raw, header)
    with inventory.transaction() as connection:
        if allow_again:
            erased.forget(connection, rows.values)
        gone, about_gone = erased.refused(connection, rows.values, raw)
        problems = rules.gather([rows.problems, *_unknown_references(connection, table, rows)])
        kept = problems[~problems["row"].isin(gone)]  # what is wrong with the others besides would be stored
        problems = rules.gather([kept, *about_gone])
        good = rows.values.loc[rows.values.index.difference(pd.Index(problems["row"]))]
        counts = upsert(connection, table, good)
        bad = reject_frame(table, path.name, raw, header, rows.text, rows.values, kept)
        settled = accepted_frame(table, raw, header, good)
        load_id = next_number(connection, "load", "load_id")
        changes = rejects.record(connection, table, path.name, load_id, bad, settled)
        rejected = int(problems["row"].nunique())
        anything_new = counts.added or counts.changed or changes.stored or changes.mended or changes.replaced
        if anything_new:
            _log(connection, load_id, table, path, len(raw), counts, rejected, changes.mended)
    if progress and len(raw):
        progress(int(raw.lines[-1]), int(raw.lines[-1]))
    return LoadReport(
        table=table,
        source=path.name,
        rows_read=len(raw),
        added=counts.added,
        changed=counts.changed,
        unchanged=counts.unchanged,
        rejected=rejected,
        mended=changes.mended,
        problems=(*filter(None, [header.remark]), *_sentences(raw, problems)),
        load_id=load_id if anything_new else None,
        erased=len(gone),
    )


def _check(table: str, raw: RawTable, header: Header) -> _Rows:
    """Apply all rules that need nothing but the file."""
    index = pd.Index(raw.fits.nonzero()[0])
    text, values, found = {}, {}, [_wrong_shape(raw)]
    for column in columns(table):
        if column.name not in header.positions:
            continue
        cells = raw.cells[header.positions[column.name]].iloc[index]
        text[column.name] = rules.clean(column, cells, raw.decimal_comma)
        values[column.name], wrong = rules.parse(column, text[column.name])
        found += wrong
    keys = {key: values[key] for key in key_columns(table)}
    found.append(rules.repeated_keys(list(keys), pd.DataFrame(text | keys, index=index), raw.lines[index]))
    rows = _Rows(pd.DataFrame(text, index=index), pd.DataFrame(values, index=index), rules.NONE)
    if table in _ROW_RULES:
        found += _ROW_RULES[table](rows.text, rows.values)
    return replace(rows, problems=rules.gather(found))


def _wrong_shape(raw: RawTable) -> pd.DataFrame:
    rows = pd.Index((~raw.fits).nonzero()[0])
    reasons = [f"{raw.widths[row]} cells where the header has {len(raw.header)}" for row in rows]
    return rules.problems(rows, "", reasons, "Check the separators and quotation marks of this line.")


def _unknown_references(connection: duckdb.DuckDBPyConnection, table: str, rows: _Rows) -> Sequence[pd.DataFrame]:
    found = []
    for name, owner in references(table).items():
        if name not in rows.values:
            continue
        known = connection.execute(f'SELECT DISTINCT "{name}" FROM "{owner}"').df()[name]
        given = rows.values[name].dropna()
        unknown = given.index[~given.isin(known)]
        hint = f"Load the {owner} first, or correct the {name}."
        found.append(rules.problems(unknown, name, f"no {owner} with this {name} is loaded", hint))
    return found


def _sentences(raw: RawTable, problems: pd.DataFrame) -> tuple[str, ...]:
    shown = [
        f"line {raw.lines[row]}{f', {column}' if column else ''}: {reason}. {what_to_do}"
        for row, column, reason, what_to_do in problems.head(SHOWN_PROBLEMS).itertuples(index=False)
    ]
    more = len(problems) - len(shown)
    return (*shown, f"and {more} more, see rejects") if more else tuple(shown)


def _log(
    connection: duckdb.DuckDBPyConnection,
    load_id: int,
    table: str,
    path: Path,
    rows_read: int,
    counts: Counts,
    rejected: int,
    mended: int,
) -> None:
    with path.open("rb") as handle:
        sha256 = hashlib.file_digest(handle, "sha256").hexdigest()
    insert_row(
        connection,
        "load",
        {
            "load_id": load_id,
            "loaded_at": datetime.now(UTC).replace(tzinfo=None),
            "program_version": version("aftersun"),
            "source_file": path.name,
            "table_name": table,
            "sha256": sha256,
            "rows_read": rows_read,
            **asdict(counts),
            "rejected": rejected,
            "mended": mended,
        },
    )
