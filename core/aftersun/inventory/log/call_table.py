"""Records many calls from a CSV, XLSX or Parquet table; rows that cannot be right go into a file to be mended."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import pandas as pd

from aftersun.inventory.loading.bad_rows import (
    EXPORT_COLUMNS,
    PROBLEM_COLUMNS,
    as_written,
    of_wrong_width,
    problem_cells,
    sentences,
    write_rows,
)
from aftersun.inventory.loading.header import match_header
from aftersun.inventory.loading.raw_table import RawTable
from aftersun.inventory.loading.table_file import read_file
from aftersun.inventory.log import learnt_facts
from aftersun.inventory.log.call_log import COLUMNS, DONE, ENTRY_KEY, WORK, compared, read_cells, store_calls
from aftersun.inventory.store import rules
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.sql import registered

DONE_ON = "done_on"  # what a table of work calls the day


@dataclass(frozen=True)
class CallsReport:
    """What became of a table: ``rows_read = recorded + known + rejected``.

    ``known`` rows are in the log already. ``problems`` are sentences without any value from the file. ``rejects`` is
    the file of the bad rows, None if there are none.
    """

    rows_read: int
    recorded: int
    known: int
    rejected: int
    facts: int
    closed: tuple[str, ...]
    problems: tuple[str, ...]
    rejects: Path | None


@dataclass(frozen=True, eq=False)
class CallTable:
    """A table of calls, read, and what is wrong with it whatever the inventory holds."""

    path: Path
    raw: RawTable
    remark: str
    values: pd.DataFrame
    problems: pd.DataFrame
    of_work: bool = False


def read_calls(path: Path | str, of_work: bool = False) -> CallTable:
    """Read a table: columns of ``call_log.COLUMNS``, ``WORK`` and, as facts learnt, of sites, arrays and tariffs.

    A table ``of_work`` has a column done_on in place of called_on, and no outcome: all of it is done.

    Raises
    ------
    AftersunError
        If the file cannot be read or its header does not do.
    """
    path = Path(path)
    raw = as_written(read_file(path, "call_log"))
    wanted = [*COLUMNS.values(), *WORK.values(), *learnt_facts.fact_columns().values()]
    if of_work:
        day = replace(COLUMNS["called_on"], name=DONE_ON)
        needed = {name: replace(COLUMNS[name], required=True) for name in ("site_id", "retrofit")}
        wanted = [day, *({**COLUMNS, **needed}[c.name] if c.name in COLUMNS else c for c in wanted[2:])]
        wanted = [needed["site_id"], *(column for column in wanted if column.name != "outcome")]
    header = match_header(wanted, raw.header, path.name, "work done" if of_work else "a call log", bool(raw.fits.any()))
    text = header.cells(raw)
    if of_work:
        text = text.rename(columns={DONE_ON: "called_on"}).assign(outcome=DONE)
    values, wrong = read_cells(text, raw.decimal_comma)
    again = rules.repeated_keys(ENTRY_KEY, values, raw.lines[text.index])
    return CallTable(path, raw, header.remark, values, rules.gather([of_wrong_width(raw), wrong, again]), of_work)


def load_calls(
    inventory: Inventory, path: Path | str, rejects: Path | str | None = None, today: date | None = None
) -> CallsReport:
    """Read a table and record its entries; raises as :func:`read_calls` and :func:`store_table` do."""
    return store_table(inventory, read_calls(path), rejects, today)


def store_table(
    inventory: Inventory, table: CallTable, rejects: Path | str | None = None, today: date | None = None
) -> CallsReport:
    """Record the entries of a table in one transaction.

    A row with any problem is left out as a whole and written to ``rejects`` (beside the table unless given), readable
    by its owner only and, once mended, to be loaded as it is. An entry that the log has already (same site, day,
    outcome and retrofit) is left alone, so the same table may be loaded again.

    Raises
    ------
    AftersunError
        If there are bad rows and ``rejects`` exists. Nothing is changed then.
    """
    path, raw = table.path, table.raw
    target = path.with_name(f"{path.stem}-rejected.csv") if rejects is None else Path(rejects)
    written = False
    try:
        with inventory.transaction() as connection:
            values, strange = compared(connection, table.values, today or date.today())
            problems = rules.gather([table.problems, strange])
            if table.of_work:
                problems = problems.replace({"column": {"called_on": DONE_ON}})
            good = values.loc[values.index.difference(pd.Index(problems["row"]))]
            with registered(connection, given=good[list(ENTRY_KEY)].assign(row_number=good.index)):
                in_log = f"SELECT row_number FROM given SEMI JOIN call_log USING ({', '.join(ENTRY_KEY)})"
                known = good.index.isin(connection.execute(in_log).df()["row_number"])
            if len(problems):
                _write_rejects(target, raw, problems)
                written = True
            stored = store_calls(connection, good[~known])
    except BaseException:
        if written:
            target.unlink(missing_ok=True)
        raise
    return CallsReport(
        rows_read=len(raw),
        recorded=len(stored.entries),
        known=int(known.sum()),
        rejected=int(problems["row"].nunique()),
        facts=stored.facts,
        closed=stored.closed,
        problems=(*filter(None, [table.remark]), *sentences(raw, problems)),
        rejects=target if written else None,
    )


def _write_rejects(target: Path, raw: RawTable, problems: pd.DataFrame) -> None:
    """Write the bad rows as they are, with what is wrong before them."""
    kept = [position for position, name in enumerate(raw.header) if name.strip().casefold() not in EXPORT_COLUMNS]
    rows = []
    for row, group in problems.groupby("row", sort=True):
        number = int(str(row))
        cells = raw.cells.loc[number].fillna("")
        # A row of wrong width stays so: only who knows it can say which cell is which.
        whole = [cells[position] for position in kept if position < raw.widths[number]]
        rows.append([*problem_cells(raw.lines[number], group), *whole, *raw.surplus.get(number, ())])
    write_rows(target, [*PROBLEM_COLUMNS, *(raw.header[position] for position in kept)], rows)
