"""Tells whether two inventories hold the same results: python tests/same_results.py BEFORE.duckdb AFTER.duckdb

For refactoring: rank the same tables with the code before and after, then compare what was stored. Every table of
the first file is held against the second one, row by row; numbers may differ by 1e-12 of their size.
Not compared is what tells of the run itself (its id, times, hashes, settings), and what ``CHANGED`` names.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping

import duckdb
import numpy as np
import pandas as pd

from aftersun import wording

Tables = dict[str, pd.DataFrame]

OF_THE_RUN = {
    "run": ("run_id", "started_at", "finished_at", "program_version", "plugin_versions", "input_hashes", "settings"),
    "load": ("loaded_at", "source_file", "program_version"),
    "pseudonym_key": ("key_id", "secret", "made_at"),
    "reject": ("source_file",),
    "run_retrofit": ("version", "origin"),
}
# Columns that have another name now: by table, the one before and the one after.
RENAMED: dict[str, dict[str, str]] = {}
# Columns whose values are said in another way now: by table and column before, how the value reads now.
CHANGED: dict[tuple[str, str], Mapping[str, str]] = {
    ("run_plan", "hour_method"): {"solved again with one hour more": "resolved"},
}
# Columns that are gone, since they are made of others where they are printed, and why.
GONE: dict[tuple[str, str], str] = {
    ("reading_finding", "text"): "wording.finding_text makes it of code and figures",
    ("reading_finding", "what_to_do"): "it follows from the code",
}
RELATIVE = 1e-12


def _statuses(after: Tables) -> list[str]:
    return [wording.status_text(code) for code in after["ranking"]["status"]]


def _reasons(after: Tables) -> list[str]:
    settings = after["run"]["settings"].iloc[0]
    currency = duckdb.execute("SELECT json_extract_string(?, '$.company.company.currency')", [settings]).fetchone()
    assert currency is not None
    return [wording.reason_text(row, currency[0]) for row in after["ranking"].to_dict("records")]


def _not_called(after: Tables) -> list[str]:
    call = after["call"]
    return [
        wording.not_called_text(*pair) for pair in zip(call["excluded_reason"], call["excluded_detail"], strict=True)
    ]


def _cost_notes(after: Tables) -> list[str]:
    rows = after["cost_item"].to_dict("records")
    when = ["" if wording.when_text(row) == wording.say("when.once") else wording.when_text(row) for row in rows]
    return ["; ".join(filter(None, [at, wording.note_text(row)])) for at, row in zip(when, rows, strict=True)]


def _equipment(after: Tables) -> list[str]:
    return ["+".join(names) for names in after["offer"]["equipment"]]


def _stations(after: Tables) -> list[str]:
    return [wording.station_text(row) for row in after["site_energy"].to_dict("records")]


def _untold(after: Tables) -> list[str]:
    return [wording.untold_text(row) for row in after["site_evidence"].to_dict("records")]


def _replaced(after: Tables) -> list[str]:
    rows = after["run_assumption"].to_dict("records")
    return [wording.replaced_text(row["replaced_by"], row["replaced_why"]) if row["replaced"] else "" for row in rows]


def _questions(after: Tables) -> list[str]:
    return [", ".join(names) for names in after["question"]["retrofits"]]


def _capacities(after: Tables) -> list[str]:
    return [wording.capacity_text(name) for name in after["run_capacity"]["name"]]


def _plan(after: Tables) -> list[str]:
    return [wording.plan_text(status) for status in after["run_plan"]["status"]]


def _shortages(after: Tables) -> list[str]:
    return [wording.shortage_text(after["run_capacity"].to_dict("records"))] * len(after["run_plan"])


# Columns that held sentences, and how these are made of what is stored now.
PRINTED: Mapping[tuple[str, str], Callable[[Tables], list]] = {
    ("ranking", "status"): _statuses,
    ("ranking", "reason"): _reasons,
    ("call", "excluded_reason"): _not_called,
    ("cost_item", "note"): _cost_notes,
    ("offer", "equipment"): _equipment,
    ("question", "retrofits"): _questions,
    ("site_energy", "remark"): _stations,
    ("site_evidence", "remark"): _untold,
    ("run_assumption", "overridden"): _replaced,
    ("run_plan", "status"): _plan,
    ("run_plan", "shortage"): _shortages,
    ("run_capacity", "name"): _capacities,
}


def tables(path: str) -> Tables:
    """Return all tables of an inventory as they are stored."""
    with duckdb.connect(path, read_only=True) as connection:
        names = [row[0] for row in connection.execute("SELECT table_name FROM duckdb_tables()").fetchall()]
        return {name: connection.execute(f'SELECT * FROM "{name}"').df() for name in sorted(names)}


def printed(path: str) -> Tables:
    """Return all tables of an inventory of today, with the sentences that are printed in place of their codes."""
    after = tables(path)
    made = {place: make(after) for place, make in PRINTED.items()}
    for (table, column), said in made.items():
        after[table] = after[table].assign(**{column: said})
    return after


def differences(before: Tables, after: Tables) -> list[str]:
    """Return a line for each column that differs."""
    lines = []
    for name, old in before.items():
        if name == "schema_version":  # how the file came to its layout
            continue
        if name not in after:
            lines.append(f"{name}: the table is gone")
            continue
        new = after[name].rename(columns={to: was for was, to in RENAMED.get(name, {}).items()})
        left_out = {"run_id", *OF_THE_RUN.get(name, ())}
        wanted = [column for column in old.columns if column not in left_out and (name, column) not in GONE]
        lines += [f"{name}.{column}: the column is gone" for column in wanted if column not in new]
        shared = [column for column in wanted if column in new]
        lines += _of_table(name, _readable(name, old[shared]), new[shared])
    return lines


def _readable(name: str, old: pd.DataFrame) -> pd.DataFrame:
    changed = {column: CHANGED[name, column] for column in old if (name, column) in CHANGED}
    return old.assign(**{column: old[column].replace(dict(now)) for column, now in changed.items()})


def _of_table(name: str, old: pd.DataFrame, new: pd.DataFrame) -> list[str]:
    if len(old) != len(new):
        return [f"{name}: {len(old)} rows before, {len(new)} after"]
    by = [column for column in old if not pd.api.types.is_float_dtype(old[column])]
    by += [column for column in old if column not in by]
    old, new = (_sorted(frame, by) for frame in (old, new))
    lines = []
    for column in by:
        same = _same(old[column], new[column])
        if not same.all():
            row = int(np.flatnonzero(~same)[0])
            first = f"{old[column][row]!r}, {new[column][row]!r}"
            lines.append(f"{name}.{column}: {(~same).sum()} of {len(same)} differ, first {first}")
    return lines


def _sorted(frame: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    keys = frame[by].map(lambda value: f"{value:.6g}" if isinstance(value, float) else str(value))
    return frame.loc[keys.sort_values(by, kind="stable").index].reset_index(drop=True)


def _same(old: pd.Series, new: pd.Series) -> np.ndarray:
    if pd.api.types.is_float_dtype(old) and pd.api.types.is_numeric_dtype(new):
        return np.isclose(old.to_numpy(float), new.to_numpy(float), rtol=RELATIVE, atol=1e-9, equal_nan=True)
    pairs = zip(old, new, strict=True)
    return np.array([str(a) == str(b) for a, b in pairs], dtype=bool)


if __name__ == "__main__":
    before = tables(sys.argv[1])
    holds_codes = "excluded_detail" in before["call"]  # and no sentences, as files of version 0.1.0 do
    lines = differences(printed(sys.argv[1]) if holds_codes else before, printed(sys.argv[2]))
    print("\n".join(lines) or "the same results")
    sys.exit(bool(lines))
