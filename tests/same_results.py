"""Tells whether two inventories hold the same results: python tests/same_results.py BEFORE.duckdb AFTER.duckdb

For refactoring: rank the same tables with the code before and after, then compare what was stored. Every table of
the first file is held against the second one, row by row; numbers may differ by 1e-12 of their size.
Not compared is what tells of the run itself (its id, times, hashes, settings), and what ``CHANGED`` names.
"""

from __future__ import annotations

import sys
from collections.abc import Callable

import duckdb
import numpy as np
import pandas as pd

OF_THE_RUN = {
    "run": ("run_id", "started_at", "finished_at", "program_version", "plugin_versions", "input_hashes", "settings"),
    "load": ("loaded_at", "source_file", "program_version"),
    "pseudonym_key": ("key_id", "secret", "made_at"),
    "reject": ("source_file",),
    "run_retrofit": ("version", "origin"),
    "schema_version": ("version", "done_at"),
}
# Columns that have another name now: by table, the one before and the one after.
RENAMED: dict[str, dict[str, str]] = {}
# Columns whose values are said in another way now: by table and column before, how the value reads now.
CHANGED: dict[tuple[str, str], Callable[[str], str]] = {}
# Columns that are gone, since they are made of others where they are printed, and why.
GONE: dict[tuple[str, str], str] = {}
RELATIVE = 1e-12


def tables(path: str) -> dict[str, pd.DataFrame]:
    """Return all tables of an inventory, each sorted by all columns that are no floating-point numbers, and these."""
    with duckdb.connect(path, read_only=True) as connection:
        names = [row[0] for row in connection.execute("SELECT table_name FROM duckdb_tables()").fetchall()]
        return {name: connection.execute(f'SELECT * FROM "{name}"').df() for name in sorted(names)}


def differences(before: dict[str, pd.DataFrame], after: dict[str, pd.DataFrame]) -> list[str]:
    """Return a line for each column that differs."""
    lines = []
    for name, old in before.items():
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
    return old.assign(**{column: old[column].map(reads, na_action="ignore") for column, reads in changed.items()})


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
    lines = differences(tables(sys.argv[1]), tables(sys.argv[2]))
    print("\n".join(lines) or "the same results")
    sys.exit(bool(lines))
