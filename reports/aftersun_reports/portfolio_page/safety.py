"""Safety notes with a short code each: a line of a table names all of its notes, and the page prints each once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun import api

_WORST_FIRST = (api.DANGER, api.WARNING, api.CAUTION)
_KEY = ["note_id", "severity", "text", "who"]


@dataclass(frozen=True)
class Notes:
    """All notes of a run, worst first, and which stand with what: sets of positions in ``notes``.

    ``set_of`` gives the set of a (site, retrofit); a set is sorted, so worst first too. ``known`` has a row of
    (position of the note, sites) for each danger known to stand.
    """

    notes: Sequence[Mapping[str, str]]
    sets: Sequence[Sequence[int]]
    set_of: Mapping[tuple[str, str], int]
    known: Sequence[tuple[int, Sequence[str]]]

    def of(self, site_id: str, retrofits: Iterable[str]) -> list[int]:
        """Return the notes of several retrofits on a site, each once, worst first."""
        found: set[int] = set()
        for retrofit in retrofits:
            place = self.set_of.get((site_id, retrofit))
            if place is not None:
                found.update(self.sets[place])
        return sorted(found)


def read_notes(run: api.RunView) -> Notes:
    """Read the notes of a run. Memory grows with the table safety_note, about 70 rows a site."""
    table = run.table("safety_note")[["site_id", "retrofit", *_KEY]]
    tell = run.to_tell()
    both = pd.concat([table[_KEY], tell[_KEY]], ignore_index=True).astype(object)
    both = both.where(both.notna(), "")
    code, unique = pd.MultiIndex.from_frame(both).factorize()
    rows = [dict(zip(_KEY, map(str, row), strict=True)) for row in unique]
    order = sorted(range(len(rows)), key=lambda place: (_severity(rows[place]), place))
    new_place = np.empty(len(order), dtype=np.intp)
    new_place[order] = np.arange(len(order))
    placed = new_place[code]
    sets, set_of = _sets(table, placed[: len(table)])
    known: dict[int, list[str]] = {}
    for place, site_id in zip(placed[len(table) :], tell["site_id"], strict=True):
        known.setdefault(int(place), []).append(str(site_id))
    return Notes(_with_codes([rows[place] for place in order]), sets, set_of, sorted(known.items()))


def as_data(notes: Notes, place_of: Mapping[str, int]) -> dict[str, Any]:
    """Return what the page needs of the notes; sites by their place."""
    return {
        "notes": [dict(note) for note in notes.notes],
        "sets": [list(one) for one in notes.sets],
        "known": [
            {"note": place, "sites": [place_of[site] for site in sites if site in place_of]}
            for place, sites in notes.known
        ],
    }


def _sets(
    table: pd.DataFrame, placed: npt.NDArray[np.intp]
) -> tuple[list[tuple[int, ...]], dict[tuple[str, str], int]]:
    sets: dict[tuple[int, ...], int] = {}
    set_of: dict[tuple[str, str], int] = {}
    of_pair: dict[tuple[str, str], set[int]] = {}
    for site_id, retrofit, place in zip(table["site_id"], table["retrofit"], placed.tolist(), strict=True):
        of_pair.setdefault((site_id, retrofit), set()).add(place)
    for pair, found in of_pair.items():
        set_of[pair] = sets.setdefault(tuple(sorted(found)), len(sets))
    return list(sets), set_of


def _severity(note: Mapping[str, str]) -> int:
    severity = note["severity"]
    return _WORST_FIRST.index(severity) if severity in _WORST_FIRST else len(_WORST_FIRST)


def _with_codes(notes: Sequence[Mapping[str, str]]) -> list[dict[str, str]]:
    """Give each note a code: first letter of its severity and a number, as D1 or W12."""
    counted: dict[str, int] = {}
    result = []
    for note in notes:
        letter = note["severity"][:1].upper() or "N"
        counted[letter] = counted.get(letter, 0) + 1
        result.append({"code": f"{letter}{counted[letter]}", **note})
    return result
