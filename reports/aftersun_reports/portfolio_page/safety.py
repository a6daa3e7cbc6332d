"""Safety notes with a short code each: a line of a table names all of its notes, and the page prints each once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from aftersun_reports.notes import NotesOfRun


def as_data(notes: NotesOfRun, place_of: Mapping[str, int]) -> dict[str, Any]:
    """Return what the page needs of the notes; sites by their place."""
    standing: dict[int, list[int]] = {}  # sites by note, of the dangers known to stand
    for site, positions in notes.known.items():
        for position in positions:
            standing.setdefault(position, []).extend([place_of[site]] if site in place_of else [])
    return {
        "notes": _with_codes(notes),
        "sets": [list(positions) for positions in notes.sets],
        "known": [{"note": position, "sites": sites} for position, sites in sorted(standing.items())],
    }


def _with_codes(notes: NotesOfRun) -> list[dict[str, str]]:
    """Give each note a code: first letter of its severity and a number, as D1 or W12."""
    counted: dict[str, int] = {}
    result = []
    for note in notes.notes:
        letter = note.severity[:1].upper() or "N"
        counted[letter] = counted.get(letter, 0) + 1
        code = f"{letter}{counted[letter]}"
        result.append({"code": code, "note_id": note.id, "severity": note.severity, "text": note.text, "who": note.who})
    return result
