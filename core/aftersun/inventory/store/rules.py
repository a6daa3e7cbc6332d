"""Column rules, made from the dictionary: text in, values and problems out. Whole columns at a time.

Problems are frames with the columns of ``PROBLEM_COLUMNS``: ``row`` is the index label of the row. They never
hold a value, so that they can be printed. Their sentences stand in ``problems.csv``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

import aftersun_datasets
from aftersun.inventory.store.dictionary import BOOLEAN, CHOICE, DATE, INTEGER, MOMENT, NUMBER, TEXT, Column

PROBLEM_COLUMNS = ("row", "column", "reason", "what_to_do")

_SENTENCES = {row["problem"]: row for row in aftersun_datasets.rows("problems.csv", "aftersun.inventory")}
_NUMBER = r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?"
_DECIMAL_COMMA = r"^([+-]?[0-9]*),([0-9]+)$"
# From 1900 on: an earlier year is a slip. A time of midnight is how programs write a mere day.
_DATE = r"(19|20|21)[0-9]{2}-[0-9]{2}-[0-9]{2}([ T]00:00(:00(\.0+)?)?Z?)?"
_MOMENT = r"(19|20|21)[0-9]{2}-[0-9]{2}-[0-9]{2}([ T][0-9]{2}:[0-9]{2}(:00(\.0+)?)?)?"
_TRUTH = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
_UNKNOWN = "unknown"
_LONGEST_TEXT = 10_000  # characters; the database takes no key of more than 120 kB
_LARGEST_EXACT = 2**53  # whole numbers beyond it are not exact in double precision


def problem(rows: pd.Index, name: str, **figures: Any) -> pd.DataFrame:
    """Return a problem of ``problems.csv`` for each of these rows; a figure is one for all, or a list of one a row."""
    lists = {figure: values for figure, values in figures.items() if isinstance(values, list)}
    texts = {column: _SENTENCES[name][column] for column in PROBLEM_COLUMNS[1:]}
    each = [{**figures, **dict(zip(lists, values, strict=True))} for values in zip(*lists.values(), strict=True)]
    cells = {
        column: [text.format_map(row) for row in each] if lists else text.format_map(figures)
        for column, text in texts.items()
    }
    return pd.DataFrame({"row": rows.to_numpy(), **cells})


def where(flags: pd.Series, name: str, **figures: Any) -> pd.DataFrame:
    """Return a problem of ``problems.csv`` for each row that is flagged; unknown flags are not."""
    mask = flags.to_numpy(dtype=bool, na_value=False)
    return problem(flags.index[mask], name, **figures) if mask.any() else NONE


NONE = pd.DataFrame({"row": pd.Index([], dtype="int64"), "column": "", "reason": "", "what_to_do": ""})


def gather(parts: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Return all problems in the order of the rows."""
    kept = [part for part in parts if len(part)]
    return pd.concat(kept, ignore_index=True).sort_values("row", kind="stable", ignore_index=True) if kept else NONE


def clean(column: Column, text: pd.Series, decimal_comma: bool) -> pd.Series:
    """Return the text without surrounding blanks, NA where nothing is left, and with decimal points."""
    stripped = text.str.strip()
    if decimal_comma and column.type in (NUMBER, INTEGER):
        stripped = stripped.str.replace(_DECIMAL_COMMA, r"\1.\2", regex=True)
    return stripped.mask((stripped == "").fillna(False))


def read(
    given: Sequence[Column], cells: pd.DataFrame, decimal_comma: bool
) -> tuple[pd.DataFrame, pd.DataFrame, list[pd.DataFrame]]:
    """Return the clean text of these columns, their values, and the problems."""
    text = {column.name: clean(column, cells[column.name], decimal_comma) for column in given}
    values, problems = {}, []
    for column in given:
        values[column.name], wrong = parse(column, text[column.name])
        problems += wrong
    return pd.DataFrame(text, index=cells.index), pd.DataFrame(values, index=cells.index), problems


def parse(column: Column, text: pd.Series) -> tuple[pd.Series, list[pd.DataFrame]]:
    """Turn clean text into values of the column's dtype, NA where unknown or wrong, and list the problems."""
    values, problems = _PARSERS[column.type](column, text)
    if column.required:
        meaning = f"{column.meaning[:1].lower()}{column.meaning[1:]}"
        problems.append(where(text.isna(), "missing", column=column.name, meaning=meaning))
    return values, problems


def _text(column: Column, text: pd.Series) -> tuple[pd.Series, list[pd.DataFrame]]:
    broken = text.str.contains("\0", regex=False)
    long = text.str.len() > _LONGEST_TEXT
    problems = [
        where(broken, "nul_character", column=column.name),
        where(long, "too_long", column=column.name, most=_LONGEST_TEXT),
    ]
    return text.mask((broken | long).fillna(False)), problems


def _number(column: Column, text: pd.Series) -> tuple[pd.Series, list[pd.DataFrame]]:
    values = text.where(text.str.fullmatch(_NUMBER).fillna(False)).astype("Float64")
    values = values.where(values.abs() < np.inf)
    return values, [_unreadable(column, text, values, "no_number"), *_beyond_limits(column, values)]


def _integer(column: Column, text: pd.Series) -> tuple[pd.Series, list[pd.DataFrame]]:
    numbers, problems = _number(column, text)
    whole = ((numbers == np.floor(numbers)) & (numbers.abs() <= _LARGEST_EXACT)).fillna(False)
    broken = where(numbers.notna() & ~whole, "not_whole", column=column.name)
    return numbers.where(whole).astype("Int64"), [*problems, broken]


def _beyond_limits(column: Column, values: pd.Series) -> Iterable[pd.DataFrame]:
    figures = {"column": column.name, "limits": column.limits, "unit": f" {column.unit}" if column.unit else ""}
    if column.minimum is not None:
        yield where(values < column.minimum, "too_low", limit=column.minimum, **figures)
    if column.maximum is not None:
        yield where(values > column.maximum, "too_high", limit=column.maximum, **figures)


def _unreadable(column: Column, text: pd.Series, values: pd.Series, name: str) -> pd.DataFrame:
    return where(text.notna() & values.isna(), name, column=column.name, choices=", ".join(column.choices))


def _boolean(column: Column, text: pd.Series) -> tuple[pd.Series, list[pd.DataFrame]]:
    folded = text.str.lower()
    values = folded.map(_TRUTH).astype("boolean")
    wrong = folded.notna() & values.isna() & (folded != _UNKNOWN)
    return values, [where(wrong, "not_yes_no", column=column.name)]


def _date(column: Column, text: pd.Series) -> tuple[pd.Series, list[pd.DataFrame]]:
    day = text.where(text.str.fullmatch(_DATE).fillna(False)).str.slice(0, 10)
    values = pd.to_datetime(day, format="%Y-%m-%d", errors="coerce").astype("datetime64[us]")
    return values, [_unreadable(column, text, values, "no_date")]


def _moment(column: Column, text: pd.Series) -> tuple[pd.Series, list[pd.DataFrame]]:
    plain = text.where(text.str.fullmatch(_MOMENT).fillna(False))
    minute = plain.str.slice(0, 10) + " " + plain.str.slice(11, 16).replace("", "00:00")
    values = pd.to_datetime(minute, format="%Y-%m-%d %H:%M", errors="coerce").astype("datetime64[us]")
    return values, [_unreadable(column, text, values, "no_moment")]


def _choice(column: Column, text: pd.Series) -> tuple[pd.Series, list[pd.DataFrame]]:
    folded = text.str.lower().str.replace(r"\s+", " ", regex=True)
    values = folded.map({choice.lower(): choice for choice in column.choices}).astype("string")
    return values, [_unreadable(column, text, values, "no_choice")]


_PARSERS = {
    TEXT: _text,
    NUMBER: _number,
    INTEGER: _integer,
    BOOLEAN: _boolean,
    DATE: _date,
    MOMENT: _moment,
    CHOICE: _choice,
}


def repeated_keys(keys: Sequence[str], values: pd.DataFrame, lines: npt.NDArray[np.int64]) -> pd.DataFrame:
    """Return the problems of rows that share a whole key. ``lines`` has a line for each row.

    Of rows that say the same, the first is left alone. Where they differ nobody knows which is right: none
    is.
    """
    complete = values.dropna(subset=list(keys))
    shared = complete[complete.duplicated(list(keys), keep=False)]
    if shared.empty:
        return NONE
    line = pd.Series(lines, index=values.index).loc[shared.index]
    again = shared.duplicated(keep="first")
    distinct = shared[~again]
    clashing = distinct[distinct.duplicated(list(keys), keep=False)]
    by_key = line.loc[clashing.index].groupby([clashing[key] for key in keys])
    other = by_key.shift(1).fillna(by_key.shift(-1)).astype("int64")
    same = line.groupby(pd.util.hash_pandas_object(shared, index=False)).transform("min")[again]
    name = ", ".join(keys)
    return gather(
        [
            problem(clashing.index, "clashing_key", column=name, line=list(other)),
            problem(same.index, "repeated_row", column=name, line=list(same)),
        ]
    )
