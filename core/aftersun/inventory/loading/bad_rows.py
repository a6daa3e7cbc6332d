"""What is wrong with rows of a file: said in sentences without a value, and written out whole to be corrected."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from aftersun.inventory.loading.raw_table import RawTable
from aftersun.inventory.store import rules
from aftersun.inventory.store.private import open_new

REJECT_ID = "reject_id"
PROBLEM_COLUMNS = ("problem_line", "problem_column", "problem", "what_to_do")
EXPORT_COLUMNS = (*PROBLEM_COLUMNS, REJECT_ID)
"""What an export of bad rows adds to a table's columns; a file that is loaded may have them."""
# A spreadsheet program runs a cell as a formula that begins with one of these; a number it takes as such.
_FORMULA = re.compile(r"(?!-?\d[\d.,]*(e[+-]?\d+)?$)'*[=+\-@\t\r]")
_MARKED = r"^'(?='*[=+\-@\t\r])"  # what makes a text of it, taken away when the file comes back


def of_wrong_width(raw: RawTable) -> pd.DataFrame:
    """Return the problems of rows whose cells cannot be told apart."""
    rows = pd.Index((~raw.fits).nonzero()[0])
    return rules.problem(rows, "wrong_width", cells=raw.widths[rows].tolist(), wanted=len(raw.header))


def sentences(raw: RawTable, problems: pd.DataFrame, most: int | None = None) -> list[str]:
    """Return problems as sentences, at most so many, that hold no value from the file."""
    return [
        f"line {raw.lines[row]}{f', {column}' if column else ''}: {reason}. {what_to_do}"
        for row, column, reason, what_to_do in problems.head(len(problems) if most is None else most).itertuples(
            index=False
        )
    ]


def problem_cells(line: int, problems: pd.DataFrame) -> tuple[object, ...]:
    """Return what ``PROBLEM_COLUMNS`` name for one row, from the columns column, reason and what_to_do."""
    what_to_do = problems["what_to_do"].drop_duplicates()
    return line, "; ".join(problems["column"]), "; ".join(problems["reason"]), " ".join(what_to_do)


def write_rows(path: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Write rows into a new CSV file that its owner alone may read: they are personal.

    Raises
    ------
    AftersunError
        If the file exists or cannot be written.
    """
    with open_new(path) as file:
        writer = csv.writer(file)
        writer.writerow(map(_as_text, header))
        writer.writerows([_as_text(cell) for cell in row] for row in rows)


def _as_text(cell: object) -> object:
    return f"'{cell}" if isinstance(cell, str) and _FORMULA.match(cell) else cell


def as_written(raw: RawTable) -> RawTable:
    """Return a file of rows to be corrected with its cells as they were before :func:`write_rows` marked them."""
    if not set(PROBLEM_COLUMNS) & {name.strip().casefold() for name in raw.header}:
        return raw

    def plain(cells: pd.Series) -> pd.Series:
        return cells.str.replace(_MARKED, "", regex=True)

    surplus = {row: tuple(plain(pd.Series(cells, dtype="string"))) for row, cells in raw.surplus.items()}
    header = plain(pd.Series(raw.header, dtype="string"))
    return replace(raw, header=tuple(header), cells=raw.cells.apply(plain), surplus=surplus)
