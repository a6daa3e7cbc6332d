"""Plain CSV tables with `# name = value` lines before the header, read strictly."""

from __future__ import annotations

import csv
from collections.abc import Collection
from dataclasses import dataclass
from io import StringIO

import numpy as np
import pandas as pd

from aftersun.climate.text import Unusable

_AS_CSV = "Save it as CSV with commas between columns and points in numbers."


@dataclass(frozen=True, eq=False)
class PlainTable:
    """``entries`` of the lines before the header, and ``rows`` as text, indexed by line number in the file."""

    entries: dict[str, str]
    rows: pd.DataFrame


def read_plain_table(text: str, needed: Collection[str], possible: Collection[str] = ()) -> PlainTable:
    """Read a table that has the columns ``needed`` and may have those ``possible``, in any order.

    Raises
    ------
    Unusable
        If a column is missing, unknown or given twice, a row has another number of cells than the header, or a cell
        does not end.
    """
    entries: dict[str, str] = {}
    header: list[str] = []
    lines, rows = [], []
    reader = csv.reader(StringIO(text))
    try:
        records = [(reader.line_num, cells) for cells in reader if any(cell.strip() for cell in cells)]
    except csv.Error as error:  # a cell of more than 131,072 characters
        hint = f"Look for a quotation mark that is not closed. {_AS_CSV}"
        raise Unusable("it cannot be split into cells", hint) from error
    for line, cells in records:
        if not header and cells[0].lstrip().startswith("#"):
            name, _, value = ",".join(cells).lstrip("# ").partition("=")
            entries[name.strip().lower()] = value.strip()
        elif not header:
            header = [cell.strip() for cell in cells]
            _check_header(header, needed, possible)
        elif len(cells) != len(header):
            raise Unusable(f"line {line} has {len(cells)} cells instead of {len(header)}", _AS_CSV)
        else:
            lines.append(line)
            rows.append([cell.strip() for cell in cells])
    if not header:
        raise Unusable("it has no header line", f"Begin with the line {','.join(needed)}.")
    return PlainTable(entries, pd.DataFrame(rows, index=lines, columns=header, dtype=str))


def _check_header(header: list[str], needed: Collection[str], possible: Collection[str]) -> None:
    missing = [name for name in needed if name not in header]
    unknown = [name for name in header if name not in needed and name not in possible]
    if missing or unknown or len(set(header)) < len(header):
        reasons = [f"lacks {', '.join(missing)}"] if missing else []
        reasons += [f"has {len(unknown)} unknown names"] if unknown else []
        reasons += ["names a column twice"] if len(set(header)) < len(header) else []
        columns = ", ".join(needed) + (f"; it may have {', '.join(possible)}" if possible else "")
        raise Unusable(f"its header {' and '.join(reasons)}", f"The columns are {columns}. {_AS_CSV}")


def to_numbers(rows: pd.DataFrame, name: str) -> pd.Series:
    """Return a column as numbers, empty cells as NaN.

    Raises
    ------
    Unusable
        If a cell that is not empty holds something else, naming the first line.
    """
    text = rows[name]
    values = pd.to_numeric(text.where(text != ""), errors="coerce")
    wrong = (~np.isfinite(values) & (text != "")).to_numpy()
    if wrong.any():
        raise Unusable(f"line {rows.index[wrong][0]} has no number in the column {name}", _AS_CSV)
    return values.astype(float)
