"""The safety notes of a run: looked up by site and retrofit, worst first, and never shortened."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from aftersun import api

_NOTE = ("note_id", "severity", "text", "who")
NO_NOTE = "none stored with this run"


@dataclass(frozen=True)
class NoteEntry:
    """One note, and where in the run it stands."""

    note: api.Note
    retrofits: tuple[str, ...]
    sites: int


class NotesOfRun:
    """All notes of a run."""

    def __init__(self, told: api.SafetyNotes) -> None:
        self._told = told
        pairs = zip(told.where["site_id"].astype(str), told.where["retrofit"].astype(str), strict=True)
        self._set_of = dict(zip(pairs, told.where["set"].tolist(), strict=True))
        self._said: dict[tuple[int, ...], str] = {}

    def entries(self) -> list[NoteEntry]:
        """Return every note of the run once, worst first and by name, as one looks for it."""
        where, found = self._told.where, []
        for place, note in enumerate(self._told.notes):
            with_it = [number for number, one in enumerate(self._told.sets) if place in one]
            rows = where[where["set"].isin(with_it)]
            retrofits = tuple(sorted(rows["retrofit"].unique().astype(str)))
            found.append(NoteEntry(note, retrofits, int(rows["site_id"].nunique())))
        return sorted(found, key=lambda entry: (api.severity_order(entry.note.severity), entry.note.id))

    def ids(self, site_id: str, retrofits: Iterable[str]) -> str:
        """Return severity and id of the notes of these retrofits at a site, worst first: DANGER a, b and WARNING c."""
        sets = {self._set_of[pair] for pair in ((site_id, name) for name in retrofits) if pair in self._set_of}
        codes = tuple(sorted({code for one in sets for code in self._told.sets[one]}))
        if codes not in self._said:
            by_severity: dict[str, list[str]] = {}
            for code in codes:
                note = self._told.notes[code]
                by_severity.setdefault(note.severity, []).append(note.id)
            lines = [f"{severity.upper()} {', '.join(ids)}" for severity, ids in by_severity.items()]
            self._said[codes] = "\n".join(lines) or NO_NOTE
        return self._said[codes]


def dangers_by_site(to_tell: pd.DataFrame) -> Mapping[str, list[Mapping[str, Any]]]:
    """Return the dangers known to stand, by site."""
    found: dict[str, list[Mapping[str, Any]]] = {}
    for site_id, note_id, severity, text, who in to_tell[["site_id", *_NOTE]].itertuples(index=False, name=None):
        said = {"note_id": note_id, "severity": severity, "text": text, "who": "" if pd.isna(who) else who}
        found.setdefault(str(site_id), []).append(said)
    for dangers in found.values():
        dangers.sort(key=lambda danger: api.severity_order(str(danger["severity"])))
    return found
