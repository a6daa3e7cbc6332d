"""Column rules, made from the dictionary: text in, values and problems out. Whole columns at a time.

Problems are frames with the columns of ``PROBLEM_COLUMNS``: ``row`` is the index label of the row. They never
hold a value, so that they can be printed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.inventory.store.dictionary import BOOLEAN, CHOICE, DATE, INTEGER, MOMENT, NUMBER, TEXT, Column

PROBLEM_COLUMNS = ("row", "column", "reason", "what_to_do")

_NUMBER = r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?"
_DECIMAL_COMMA = r"^([+-]?[0-9]*),([0-9]+)$"
# From 1900 on: an earlier year is a slip. A time of midnight is how programs write a mere day.
_DATE = r"(19|20|21)[0-9]{2}-[0-9]{2}-[0-9]{2}([ T]00:00(:00(\.0+)?)?Z?)?"
_MOMENT = r"(19|20|21)[0-9]{2}-[0-9]{2}-[0-9]{2}([ T][0-9]{2}:[0-9]{2}(:00(\.0+)?)?)?"
_TRUTH = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
_UNKNOWN = "unknown"
_LONGEST_TEXT = 10_000  # characters; the database takes no key of more than 120 kB
_LARGEST_EXACT = 2**53  # whole numbers beyond it are not exact in double precision


def problems(rows: pd.Index, column: str | Sequence[str], reason: str | Sequence[str], what_to_do: str) -> pd.DataFrame:
    """Return a problem for each of these rows; ``column`` and ``reason`` are one for all or one a row."""
    return pd.DataFrame({"row": rows.to_numpy(), "column": column, "reason": reason, "what_to_do": what_to_do})


NONE = problems(pd.Index([], dtype="int64"), "", "", "")


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


def parse(column: Column, text: pd.Series) -> tuple[pd.Series, list[pd.DataFrame]]:
    """Turn clean text into values of the column's dtype, NA where unknown or wrong, and list the problems."""
    values, problems = _PARSERS[column.type](column, text)
    if column.required:
        hint = f"Fill it in: {column.meaning[:1].lower()}{column.meaning[1:]}."
        problems.append(where(text.isna(), column.name, "missing", hint))
    return values, problems


def where(flags: pd.Series, column: str, reason: str, what_to_do: str) -> pd.DataFrame:
    """Return a problem for each row that is flagged; unknown flags are not."""
    mask = flags.to_numpy(dtype=bool, na_value=False)
    return problems(flags.index[mask], column, reason, what_to_do) if mask.any() else NONE


def _text(column: Column, text: pd.Series) -> tuple[pd.Series, list[pd.DataFrame]]:
    broken = text.str.contains("\0", regex=False)
    long = text.str.len() > _LONGEST_TEXT
    problems = [
        where(broken, column.name, "holds a NUL character, which is no text", "Write it anew."),
        where(long, column.name, f"longer than {_LONGEST_TEXT:,} characters", "Shorten it."),
    ]
    return text.mask((broken | long).fillna(False)), problems


def _number(column: Column, text: pd.Series) -> tuple[pd.Series, list[pd.DataFrame]]:
    values = text.where(text.str.fullmatch(_NUMBER).fillna(False)).astype("Float64")
    values = values.where(values.abs() < np.inf)
    unreadable = where(
        text.notna() & values.isna(),
        column.name,
        "not a plain number",
        "Write digits with a decimal point, without unit or thousands separator; leave it empty if unknown.",
    )
    return values, [unreadable, *_beyond_limits(column, values)]


def _integer(column: Column, text: pd.Series) -> tuple[pd.Series, list[pd.DataFrame]]:
    numbers, problems = _number(column, text)
    whole = ((numbers == np.floor(numbers)) & (numbers.abs() <= _LARGEST_EXACT)).fillna(False)
    hint = "Write a whole number; leave it empty if unknown."
    broken = where(numbers.notna() & ~whole, column.name, "not a whole number", hint)
    return numbers.where(whole).astype("Int64"), [*problems, broken]


def _beyond_limits(column: Column, values: pd.Series) -> Iterable[pd.DataFrame]:
    unit = f" {column.unit}" if column.unit else ""
    hint = f"Correct it; allowed is {column.limits}{unit}."
    if column.minimum is not None:
        reason = f"below the lowest allowed value, {column.minimum:.10g}{unit}"
        yield where(values < column.minimum, column.name, reason, hint)
    if column.maximum is not None:
        reason = f"above the highest allowed value, {column.maximum:.10g}{unit}"
        yield where(values > column.maximum, column.name, reason, hint)


def _boolean(column: Column, text: pd.Series) -> tuple[pd.Series, list[pd.DataFrame]]:
    folded = text.str.lower()
    values = folded.map(_TRUTH).astype("boolean")
    wrong = folded.notna() & values.isna() & (folded != _UNKNOWN)
    return values, [where(wrong, column.name, "neither yes nor no", "Write yes or no; leave it empty if unknown.")]


def _date(column: Column, text: pd.Series) -> tuple[pd.Series, list[pd.DataFrame]]:
    day = text.where(text.str.fullmatch(_DATE).fillna(False)).str.slice(0, 10)
    values = pd.to_datetime(day, format="%Y-%m-%d", errors="coerce").astype("datetime64[us]")
    hint = "Write it as YYYY-MM-DD, for example 2019-04-30; leave it empty if unknown."
    return values, [where(text.notna() & values.isna(), column.name, "not a date", hint)]


def _moment(column: Column, text: pd.Series) -> tuple[pd.Series, list[pd.DataFrame]]:
    plain = text.where(text.str.fullmatch(_MOMENT).fillna(False))
    minute = plain.str.slice(0, 10) + " " + plain.str.slice(11, 16).replace("", "00:00")
    values = pd.to_datetime(minute, format="%Y-%m-%d %H:%M", errors="coerce").astype("datetime64[us]")
    hint = "Write it as YYYY-MM-DD HH:MM or, for the beginning of a day, YYYY-MM-DD; midnight is 00:00."
    return values, [where(text.notna() & values.isna(), column.name, "not a moment", hint)]


def _choice(column: Column, text: pd.Series) -> tuple[pd.Series, list[pd.DataFrame]]:
    folded = text.str.lower().str.replace(r"\s+", " ", regex=True)
    values = folded.map({choice.lower(): choice for choice in column.choices}).astype("string")
    hint = f"Write one of: {', '.join(column.choices)}; leave it empty if unknown."
    return values, [where(text.notna() & values.isna(), column.name, "not one of the choices", hint)]


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
            problems(
                clashing.index,
                name,
                [f"line {number} has the same key and says something else" for number in other],
                "Keep the row that is right and delete the other, or correct the key.",
            ),
            problems(same.index, name, [f"says the same as line {number}" for number in same], "Delete this row."),
        ]
    )
