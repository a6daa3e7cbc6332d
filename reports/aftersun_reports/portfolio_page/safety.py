"""Safety notes with a short code each: a line of a table names all of its notes, and the page prints each once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from aftersun import api

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
    """Read the notes of a run."""
    told = run.safety_notes()
    notes = [dict(zip(_KEY, (note.id, note.severity, note.text, note.who), strict=True)) for note in told.notes]
    place_of = {tuple(note.values()): place for place, note in enumerate(notes)}
    tell = run.to_tell()
    known: dict[int, list[str]] = {}
    for site_id, *key in tell.assign(who=tell["who"].fillna(""))[["site_id", *_KEY]].itertuples(index=False, name=None):
        known.setdefault(place_of[tuple(map(str, key))], []).append(str(site_id))
    where = told.where
    pairs = zip(where["site_id"].astype(str), where["retrofit"].astype(str), strict=True)
    return Notes(
        _with_codes(notes), told.sets, dict(zip(pairs, where["set"].tolist(), strict=True)), sorted(known.items())
    )


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


def _with_codes(notes: Sequence[Mapping[str, str]]) -> list[dict[str, str]]:
    """Give each note a code: first letter of its severity and a number, as D1 or W12."""
    counted: dict[str, int] = {}
    result = []
    for note in notes:
        letter = note["severity"][:1].upper() or "N"
        counted[letter] = counted.get(letter, 0) + 1
        result.append({"code": f"{letter}{counted[letter]}", **note})
    return result
