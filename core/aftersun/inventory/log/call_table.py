"""Records many calls from a CSV, XLSX or Parquet table; rows that cannot be right go into a file to be mended."""

from __future__ import annotations

import csv
import os
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pandas as pd

from aftersun.inventory.loading.header import EXPORT_COLUMNS, REJECT_ID
from aftersun.inventory.loading.shape import RawTable, read_file
from aftersun.inventory.log import learnt_facts
from aftersun.inventory.log.call_log import COLUMNS, ENTRY_KEY, Recorded, read_text, store_calls
from aftersun.inventory.store import rules
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError

_PROBLEM_COLUMNS = tuple(name for name in EXPORT_COLUMNS if name != REJECT_ID)


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


def load_calls(
    inventory: Inventory, path: Path | str, rejects: Path | str | None = None, today: date | None = None
) -> CallsReport:
    """Record the entries of a table: columns of ``call_log.COLUMNS`` and, as facts learnt, of sites, arrays, tariffs.

    A row with any problem is left out as a whole and written to ``rejects`` (beside the table unless given), readable
    by its owner only and, once mended, to be loaded as it is. An entry that the log has already (same site, day,
    outcome and retrofit) is left alone, so the same table may be loaded again.

    Raises
    ------
    AftersunError
        If the file cannot be read, its header does not do, or there are bad rows and ``rejects`` exists. Nothing is
        changed then.
    """
    path = Path(path)
    target = path.with_name(f"{path.stem}-rejected.csv") if rejects is None else Path(rejects)
    raw = read_file(path, "call_log")
    positions, remark = _header(raw, path.name)
    fits = pd.Index(raw.fits.nonzero()[0])
    text = pd.DataFrame({name: raw.cells[place].loc[fits] for name, place in positions.items()}, index=fits)
    shape = [
        rules.problems(
            pd.Index([row]),
            "",
            f"{raw.widths[row]} cells where the header has {len(raw.header)}",
            "Check the separators and quotation marks of this line.",
        )
        for row in (~raw.fits).nonzero()[0]
    ]
    written = False
    try:
        with inventory.transaction() as connection:
            values, found = read_text(connection, text, today or date.today(), raw.decimal_comma)
            again = rules.repeated_keys(ENTRY_KEY, values, raw.lines[fits])
            problems = rules.gather([*shape, found, again])
            good = values.loc[values.index.difference(pd.Index(problems["row"]))]
            logged = connection.execute(f"SELECT {', '.join(ENTRY_KEY)} FROM call_log").df()
            known = _keys(good).isin(_keys(logged)) if len(logged) else pd.Series(False, index=good.index)
            if len(problems):
                _write_rejects(target, raw, problems)
                written = True
            stored: Recorded = store_calls(connection, good[~known])
    except BaseException:
        if written:
            target.unlink(missing_ok=True)
        raise
    said = [
        f"line {raw.lines[row]}{f', {column}' if column else ''}: {reason}. {what_to_do}"
        for row, column, reason, what_to_do in problems.itertuples(index=False)
    ]
    return CallsReport(
        rows_read=len(raw),
        recorded=len(stored.entries),
        known=int(known.sum()),
        rejected=int(problems["row"].nunique()),
        facts=stored.facts,
        closed=stored.closed,
        problems=(*filter(None, [remark]), *said),
        rejects=target if written else None,
    )


def _keys(rows: pd.DataFrame) -> pd.Series:
    """Return what tells entries apart, as one text a row."""
    day = pd.to_datetime(rows["called_on"]).dt.strftime("%Y-%m-%d").astype("string")
    others = rows[[name for name in ENTRY_KEY if name != "called_on"]].astype("string")
    return day.str.cat(others, sep="\x1f")


def _header(raw: RawTable, source: str) -> tuple[Mapping[str, int], str]:
    folded = [name.strip().casefold() for name in raw.header]
    counts = Counter(folded)
    known = [*COLUMNS, *learnt_facts.fact_columns()]
    missing = [name for name, column in COLUMNS.items() if column.required and name not in counts]
    faults = [
        *(f"the required column {name} is missing" for name in missing),
        *(f"the column {name} occurs {counts[name]} times" for name in known if counts[name] > 1),
    ]
    if faults:
        raise AftersunError(
            f"{source} cannot be loaded as a call log: {'; '.join(faults)}.",
            f"Its columns are {', '.join(COLUMNS)} and any column of sites, arrays and tariffs as a fact learnt.",
        )
    strange = [name for name in folded if name and name not in known and name not in EXPORT_COLUMNS]
    remark = f"columns that are not known and were left out: {', '.join(strange)}" if strange else ""
    return {name: folded.index(name) for name in known if name in counts}, remark


def _write_rejects(target: Path, raw: RawTable, problems: pd.DataFrame) -> None:
    """Write the bad rows as they are, with what is wrong before them."""
    try:
        # The rows are personal data.
        handle = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError as error:
        raise AftersunError(
            f"{target} exists already, and rows of this table cannot be recorded.",
            "Name another file for them; nothing was changed.",
        ) from error
    except OSError as error:
        raise AftersunError(
            f"{target} cannot be written ({error.strerror}).", "Name another file; nothing was changed."
        ) from error
    kept = [place for place, name in enumerate(raw.header) if name.strip().casefold() not in EXPORT_COLUMNS]
    with open(handle, "w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([*_PROBLEM_COLUMNS, *(raw.header[place] for place in kept)])
        for row, group in problems.groupby("row", sort=True):
            number = int(str(row))
            cells = raw.cells.loc[number].fillna("")
            # A row of wrong width stays so: only who knows it can say which cell is which.
            whole = [cells[place] for place in kept if place < raw.widths[number]]
            writer.writerow(
                [
                    raw.lines[number],
                    "; ".join(group["column"]),
                    "; ".join(group["reason"]),
                    " ".join(group["what_to_do"].drop_duplicates()),
                    *whole,
                    *raw.surplus.get(number, ()),
                ]
            )
