"""Finds the dictionary's columns in a file's header, by name and in any order."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

import pandas as pd

from aftersun.inventory.loading.bad_rows import EXPORT_COLUMNS, REJECT_ID
from aftersun.inventory.loading.raw_table import RawTable
from aftersun.inventory.store.dictionary import Column
from aftersun.inventory.store.refusals import refusal

_SHOWN_COLUMNS = 10
_SHOWN_LETTERS = 40
_VALUES = ("yes", "no", "true", "false", "unknown")


@dataclass(frozen=True)
class Header:
    """``positions`` of the known columns in the file, and of ``reject_id`` if there is one.

    ``names`` label every cell of a row, unnamed or repeated columns by their place. ``remark`` says which
    columns are left out, empty if none.
    """

    positions: Mapping[str, int]
    reject_id: int | None
    names: tuple[str, ...]
    remark: str

    def cells(self, raw: RawTable) -> pd.DataFrame:
        """Return the text of the known columns by name, of the rows that have as many cells as the header."""
        rows = pd.Index(raw.fits.nonzero()[0])
        return pd.DataFrame({name: raw.cells[n].loc[rows] for name, n in self.positions.items()}, index=rows)


def match_header(
    wanted: Sequence[Column], header: Sequence[str], source: str, table: str, may_name: bool = True
) -> Header:
    """Match the header of a file with the columns wanted; capitals and surrounding blanks do not matter.

    Where a line break is lost, the header goes on with the first customer. So unknown columns are named only if
    ``may_name`` and none of their names looks like a value; else they are numbered.

    Raises
    ------
    AftersunError
        If required columns are missing or known ones occur twice; all of them are listed. ``source`` names the file and
        ``table`` what it was to be loaded as.
    """
    folded = [name.strip().casefold() for name in header]
    counts = Counter(folded)
    names = [column.name for column in wanted]
    special = [name for name in EXPORT_COLUMNS if name not in names]
    required = [column.name for column in wanted if column.required]
    unknown = [name for name in folded if name not in names and name not in special]
    may_name = may_name and not any(map(_like_a_value, unknown))
    close = unknown if may_name else []
    faults = [
        *(f"the required column {name} is missing{_near(name, close)}" for name in required if name not in counts),
        *(f"the column {name} occurs {counts[name]} times" for name in (*names, *special) if counts[name] > 1),
    ]
    if faults:
        raise refusal("wrong_header", source=source, table=table, faults="; ".join(faults))
    left_out = [position for position, name in enumerate(folded) if name not in names and name not in special]
    labels = [
        name if name and counts[name.casefold()] == 1 else f"{name or 'cell'} {position + 1}"
        for position, name in enumerate(header)
    ]
    return Header(
        positions={name: folded.index(name) for name in names if name in counts},
        reject_id=folded.index(REJECT_ID) if REJECT_ID in counts else None,
        names=tuple(labels),
        remark=_left_out(header, left_out, names, may_name),
    )


def _left_out(header: Sequence[str], positions: Sequence[int], known: Sequence[str], may_name: bool) -> str:
    if not positions:
        return ""
    labels = [_label(header[position].strip(), position, known, may_name) for position in positions[:_SHOWN_COLUMNS]]
    more = f" and {len(positions) - _SHOWN_COLUMNS} more" if len(positions) > _SHOWN_COLUMNS else ""
    return f"columns that are not known and were left out: {', '.join(labels)}{more}"


def _label(name: str, position: int, known: Sequence[str], may_name: bool) -> str:
    if not name:
        return f"column {position + 1} without a name"
    if len(name) > _SHOWN_LETTERS:
        return f"column {position + 1} with a name of {len(name):,} letters"
    return f"{repr(name) if may_name else f'column {position + 1}'}{_near(name.casefold(), known)}"


def _like_a_value(name: str) -> bool:
    return any(letter.isdigit() or letter == "@" for letter in name) or name in _VALUES


def _near(name: str, candidates: Sequence[str]) -> str:
    close = get_close_matches(name, candidates, n=1, cutoff=0.75)
    return f" (is it {close[0]!r}?)" if close else ""
