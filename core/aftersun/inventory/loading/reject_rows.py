"""Turns the bad rows of a file into rejects: an id made from what the row says, its text, its problems."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Mapping

import pandas as pd

from aftersun.inventory.loading.bad_rows import EXPORT_COLUMNS
from aftersun.inventory.loading.checked_file import CheckedFile
from aftersun.inventory.store.dictionary import DATE, INTEGER, MOMENT, NUMBER, columns
from aftersun.inventory.store.tables import OTHER_TABLES

KEY_JOINT = "\x1f"
# Moments as the database writes them, so that a reject finds the row that is held under its key.
_AS_TEXT = {DATE: "%Y-%m-%d", MOMENT: "%Y-%m-%d %H:%M:%S"}
REJECT = OTHER_TABLES["reject"]
FOUND_COLUMNS = tuple(name for name in REJECT.columns if name not in ("load_id", "state", "closed_by"))

Cells = dict[str, str]


def row_keys(table: str, values: pd.DataFrame) -> pd.Series:
    """Return the key of each row as one text, NA where any part of it is unknown."""
    parts = [
        (
            values[column.name].dt.strftime(_AS_TEXT[column.type]) if column.type in _AS_TEXT else values[column.name]
        ).astype("string")
        for column in columns(table)
        if column.key
    ]
    return parts[0].str.cat(pd.DataFrame(dict(enumerate(parts[1:]))), sep=KEY_JOINT) if parts[1:] else parts[0]


def accepted_frame(file: CheckedFile, good: pd.DataFrame) -> pd.DataFrame:
    """Return what tells which earlier rejects the loaded rows settle: row_key, line and given_id."""
    keys = row_keys(file.table, good)
    given = file.given_ids[good.index]
    return pd.DataFrame({"row_key": keys, "line": file.raw.lines[good.index], "given_id": given})


def reject_frame(file: CheckedFile, problems: pd.DataFrame) -> pd.DataFrame:
    """Return the rejects of a file, one row a problem: the columns ``FOUND_COLUMNS`` and given_id.

    ``problems`` are those to be kept, in the order of the rows.
    """
    rows = problems["row"]
    bad = pd.Index(rows.unique())
    read = _records(file.text.loc[file.text.index.intersection(bad)])
    whole = _whole_rows(file, bad, read)
    ids = _reject_ids(file.table, {row: read.get(row, whole[row]) for row in bad})
    frame = pd.DataFrame(
        {
            "reject_id": rows.map(ids),
            "problem": problems.groupby("row").cumcount() + 1,
            "source_file": file.source,
            "table_name": file.table,
            "line": file.raw.lines[rows],
            "column_name": problems["column"].mask(problems["column"] == ""),
            "value": [
                ", ".join(read[row].get(name, "") for name in names.split(", ")) if names else None
                for row, names in zip(rows, problems["column"], strict=True)
            ],
            "reason": problems["reason"],
            "what_to_do": problems["what_to_do"],
            "raw": rows.map({row: json.dumps(cells, ensure_ascii=False) for row, cells in whole.items()}),
            "row_key": rows.map(row_keys(file.table, file.values)),
            "given_id": rows.map(file.given_ids),
        }
    )
    return frame.astype({name: REJECT.dtypes[name] for name in FOUND_COLUMNS} | {"given_id": "string"})


def _records(text: pd.DataFrame) -> dict[int, Cells]:
    """Return the cells that are not empty, by row and column name."""
    names = list(text.columns)
    cells = text.to_numpy(dtype=object, na_value="")
    return {
        int(row): {name: cell for name, cell in zip(names, line, strict=True) if cell}
        for row, line in zip(text.index, cells, strict=True)
    }


def _whole_rows(file: CheckedFile, bad: pd.Index, read: Mapping[int, Cells]) -> dict[int, Cells]:
    """Return all cells of the bad rows by the file's own names; numbers as read, with a decimal point."""
    header, raw = file.header, file.raw
    kept = [(n, name) for n, name in enumerate(header.names) if name.casefold() not in EXPORT_COLUMNS]
    numbers = {
        header.names[header.positions[column.name]]: column.name
        for column in columns(file.table)
        if column.type in (NUMBER, INTEGER) and column.name in header.positions
    }
    cells = raw.cells.loc[bad].to_numpy(dtype=object, na_value="")
    whole = {}
    for row, line in zip(bad, cells, strict=True):
        content = {name: line[n] for n, name in kept if n < raw.widths[row]}
        content |= {name: read[row][column] for name, column in numbers.items() if column in read.get(row, {})}
        beyond = enumerate(raw.surplus.get(row, ()), start=len(header.names) + 1)
        whole[int(row)] = content | {f"cell {n}": cell for n, cell in beyond}
    return whole


def _reject_ids(table: str, contents: Mapping[int, Cells]) -> dict[int, str]:
    """Return an id for each bad row, made from what it says; repetitions within the file are counted."""
    seen: Counter[str] = Counter()
    ids = {}
    for row, content in contents.items():
        same = KEY_JOINT.join((table, *(f"{name}={content[name]}" for name in sorted(content))))
        # The letter keeps spreadsheet programs from taking the id for a number.
        ids[row] = "r" + hashlib.sha256(f"{seen[same]} {same}".encode()).hexdigest()[:15]
        seen[same] += 1
    return ids
