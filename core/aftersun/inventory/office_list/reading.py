"""What is made of the cells of one column, and what was decided about them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from aftersun.inventory.office_list.vocabulary import plain, words

ABOUT = re.compile(
    r"^(?:ca\.?|approx\.?|about|circa|etwa|ungefähr|env\.?|environ|aprox\.?|ong\.?|ongeveer|~|≈|\+/-)\s*", re.IGNORECASE
)


@dataclass(frozen=True)
class Decisions:
    """What holds for a whole list; empty = by what its cells show.

    ``language`` of the headings (en de fr es it nl pt), ``decimal`` "," or ".", ``dates`` "day first" or "month first",
    ``azimuth_zero`` "north" or "south", ``volumes`` "litres", "us gallons" or "imperial gallons".
    ``for_all`` has pairs of a column, as in ``customer.contact_basis``, and what a cell of it that says nothing means.
    """

    language: str = ""
    decimal: str = ""
    dates: str = ""
    azimuth_zero: str = ""
    volumes: str = ""
    for_all: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Seen:
    """What several columns show of how numbers, days and volumes are written; a set of two shows both."""

    decimal: frozenset[str] = frozenset()
    dates: frozenset[str] = frozenset()
    volumes: frozenset[str] = frozenset()

    def __or__(self, other: Seen) -> Seen:
        return Seen(self.decimal | other.decimal, self.dates | other.dates, self.volumes | other.volumes)


@dataclass(frozen=True)
class Read:
    """A cell as understood: its text under the dictionary's rules, or the code of why there is none.

    ``marks`` are codes of what was done to it, to be counted.
    """

    text: str | None = None
    cause: str = ""
    marks: tuple[str, ...] = ()


NOTHING = Read()


@dataclass(frozen=True, eq=False)
class Column:
    """The cells of a column as understood, by row.

    ``text`` is as the dictionary's rules expect it, NA where unknown; ``cause`` the code of why a cell that says
    something could not be read, NA elsewhere. ``notes`` are codes of what was decided for all cells, with how many it
    concerns where these were counted. ``questions`` names what somebody would have to decide. ``extra`` has further
    columns of the same table that the cells tell of.
    """

    text: pd.Series
    cause: pd.Series
    notes: tuple[tuple[str, int], ...] = ()
    questions: frozenset[str] = frozenset()
    extra: dict[str, pd.Series] = field(default_factory=dict)

    @property
    def read(self) -> int:
        """How many cells say something and are understood."""
        return int(self.text.notna().sum())

    @property
    def doubtful(self) -> int:
        """How many cells say something and are not understood."""
        return int(self.cause.notna().sum())

    def without(self, rows: pd.Series, cause: str) -> Column:
        """Return the column with these cells unknown, for a cause."""
        return replace(self, text=self.text.mask(rows), cause=self.cause.mask(rows, cause))


def uniques(cells: pd.Series) -> tuple[np.ndarray, list[str]]:
    """Return the position of each cell in the list of distinct ones, -1 where nothing stands, and that list."""
    codes, texts = pd.factorize(cells.str.strip().where(cells.str.strip() != ""), use_na_sentinel=True)
    return np.asarray(codes), [str(text) for text in texts]


def column(cells: pd.Series, codes: np.ndarray, reads: Sequence[Read], notes: Iterable[str] = ()) -> Column:
    """Return a column from what its distinct cells were understood as."""
    texts = np.array([read.text for read in reads] + [None], dtype=object)[codes]
    causes = np.array([read.cause or None for read in reads] + [None], dtype=object)[codes]
    counts: np.ndarray = np.bincount(codes[codes >= 0], minlength=len(reads))
    marks: dict[str, int] = {}
    for read, count in zip(reads, counts, strict=True):
        for mark in read.marks:
            marks[mark] = marks.get(mark, 0) + int(count)
    return Column(
        pd.Series(texts, index=cells.index, dtype="string"),
        pd.Series(causes, index=cells.index, dtype="string"),
        (*((note, 0) for note in notes), *marks.items()),
    )


def says_nothing(text: str, word_too: bool = True) -> bool:
    """Tell whether a cell says that nothing is known: a dash, a question mark or, if allowed, a word."""
    stripped = text.strip()
    if not stripped or stripped in words("blank"):
        return True
    if len(stripped) > _LONGEST_NOTHING:
        return False
    return plain(stripped) in words("blank") or (word_too and plain(stripped) in words("unknown"))


_LONGEST_NOTHING = 40  # characters of a cell that says that nothing is known, signs around it included
