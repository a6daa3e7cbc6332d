"""What made each layout of the inventory out of the one before, where a comparison of columns cannot see it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import aftersun_datasets


@dataclass(frozen=True)
class RenamedColumn:
    """A column that has another name now. Done before what is missing is added."""

    table: str
    old: str
    new: str


@dataclass(frozen=True)
class TranslatedValues:
    """Texts of a column that are written otherwise now, by what they were. Done after what is missing was added.

    A text that is not named stays as it is. ``column`` has its newest name.
    """

    table: str
    column: str
    values: Mapping[str, str]


@dataclass(frozen=True)
class Statement:
    """Any other change, as SQL. Done after what is missing was added; tables and columns have their newest names."""

    sql: str


Change = RenamedColumn | TranslatedValues | Statement


def _translations(file: str) -> list[TranslatedValues]:
    """Return what a file translates, column by column."""
    values: dict[tuple[str, str], dict[str, str]] = {}
    for row in aftersun_datasets.rows(file, "aftersun.inventory"):
        values.setdefault((row["table"], row["column"]), {})[row["before"]] = row["now"]
    return [TranslatedValues(table, column, texts) for (table, column), texts in values.items()]


def _statements(file: str) -> list[Statement]:
    """Return the changes of a file, its paragraphs after the first, which says what it is."""
    _, *paragraphs = aftersun_datasets.path(file, "aftersun.inventory").read_text("utf-8").split("\n\n")
    return [Statement(paragraph) for paragraph in paragraphs]


FIRST_VERSIONS = 4
"""Layouts up to this one lack tables and columns, and nothing else."""
CHANGES: tuple[Change, ...] = (
    # Of version 0.1.0. Its reasons in the ranking stay sentences: their figures were not stored.
    *_translations("sentences_of_0_1_0.csv"),
    *_statements("changes_of_0_1_0.sql"),
    *_statements("changes_of_0_2_0.sql"),
    RenamedColumn("run_value", "npv_mean", "npv"),
    *_statements("call_lists_of_0_2_0.sql"),
    *_statements("changes_of_0_3_0.sql"),
    *_statements("changes_of_0_4_0.sql"),
)
"""What made each further layout out of the one before, in order. Never edited once released; add another one."""
