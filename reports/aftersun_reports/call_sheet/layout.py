"""The sheets and their columns: what each is called and says stands in sheets.toml and columns.csv of this package."""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

import pandas as pd

from aftersun import api
from aftersun_reports.call_sheet.book import Column, Sheet, values_of
from aftersun_reports.notes import LOCAL_FIRST

OUTCOMES = ("unreached", "no", "later", "yes", "done", "objection")  # those of the call log
Table = tuple[Sheet, Iterator[Sequence[Any]]]
# by key of a column: the columns of a table that its cells are made of, and what makes them
Made = Mapping[str, tuple[Sequence[str], Callable[..., Any]]]

# by whether names may be read: what column with_names may say of a column that is shown
_SHOWN = {True: ("yes", "no"), False: ("no", "only without")}
_AS_STORED: Made = {}
_AT_ONCE = 20_000  # rows held as Python values


def sheet(run: api.RunView, key: str, lines: Sequence[str] = (), **figures: str) -> Sheet:
    """Return the layout of a sheet for a run; ``lines`` follow those over its header, ``figures`` are filled in."""
    text = _sheets()[key]
    above = [*text.get("above", ()), *text.get("above_with_names" if run.personal else "above_without_names", ())]
    figures |= {"run_id": run.run_id, "as_of": f"{run.as_of:%Y-%m-%d}", "currency": run.currency}
    return Sheet(
        text["name"],
        [*(line.format(local_first=LOCAL_FIRST, **figures) for line in above), *lines],
        columns(run, key),
        text.get("empty", "none"),
        text.get("keys", 1),
        pages_wide=text.get("pages_wide", 1),
    )


def columns(run: api.RunView, key: str) -> list[Column]:
    """Return the columns of a sheet: those with names only where names may be read."""
    figures = {
        **_sheets()["words"],
        "currency": run.currency,
        "outcomes": ", ".join(OUTCOMES),
        "statuses": ", ".join(map(api.status_text, api.Status)),
        "number": "{number}",  # of what there may be several of; filled in where that is known
        "fact": "{fact}",
    }
    return [
        Column(
            row["key"], row["title"].format(**figures), int(row["width"]), row["kind"], row["says"].format(**figures)
        )
        for row in _columns()
        if row["sheet"] == key and row["with_names"] in _SHOWN[run.personal]
    ]


def name_of(key: str) -> str:
    """Return the name of a sheet."""
    return str(_sheets()[key]["name"])


def explained(name: str) -> str:
    """Return what the sheet of this name is for."""
    return next(str(text["says"]) for text in _sheets().values() if text.get("name") == name)


def table(
    run: api.RunView, key: str, frame: pd.DataFrame, made: Made = _AS_STORED, lines: Sequence[str] = (), **figures: str
) -> Table:
    """Return the sheet that has a row for each of a table's."""
    layout = sheet(run, key, lines, **figures)
    return layout, rows_of(frame, layout.columns, made)


def rows_of(frame: pd.DataFrame, wanted: Sequence[Column], made: Made) -> Iterator[tuple[Any, ...]]:
    """Yield the cells of these columns row by row as plain Python values; what is missing is None or NaN.

    A column is the one of its key in the table, or is ``made`` of others.
    """
    sources = [made[column.key][0] if column.key in made else (column.key,) for column in wanted]
    for start in range(0, len(frame), _AT_ONCE):
        part = frame.iloc[start : start + _AT_ONCE]
        values = {name: values_of(part[name]) for name in {name for names in sources for name in names}}
        cells = (
            map(made[column.key][1], *(values[name] for name in names)) if column.key in made else values[column.key]
            for column, names in zip(wanted, sources, strict=True)
        )
        yield from zip(*cells, strict=True)


def about_money() -> Mapping[str, str]:
    """Return what the numbers of section [money] of the company file mean."""
    return _sheets()["money"]


@cache
def _sheets() -> Mapping[str, Mapping[str, Any]]:
    return tomllib.loads(files(__package__).joinpath("sheets.toml").read_text(encoding="utf-8"))


@cache
def _columns() -> Sequence[Mapping[str, str]]:
    text = files(__package__).joinpath("columns.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))
