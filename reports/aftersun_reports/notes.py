"""The safety notes of a run as outputs need them: each once, worst first, never shortened, and where it holds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from aftersun import api

LOCAL_FIRST = "Local codes and licensed practice come first; these notes replace neither."


@dataclass(frozen=True)
class NotesOfRun:
    """All notes of a run, worst first; elsewhere a note is its position in ``notes``.

    ``sets`` holds each different set of notes once, rising, so worst first; ``set_of`` gives the set of a site and
    retrofit; ``known`` the dangers known to stand, by site.
    """

    notes: Sequence[api.Note]
    sets: Sequence[Sequence[int]]
    set_of: Mapping[tuple[str, str], int]
    known: Mapping[str, Sequence[int]]

    @classmethod
    def of(cls, run: api.RunView) -> NotesOfRun:
        """Read the notes of a run."""
        stored, dangers = run.safety_notes(), run.to_tell()
        keys: list[tuple[str, ...]] = [(note.id, note.severity, note.text, note.who) for note in stored.notes]
        positions = {key: position for position, key in enumerate(keys)}
        rows = dangers.assign(who=dangers["who"].fillna("")).astype({"site_id": str})
        known: dict[str, list[int]] = {}
        for site, *key in rows[["site_id", "note_id", "severity", "text", "who"]].itertuples(index=False, name=None):
            known.setdefault(site, []).append(positions[tuple(map(str, key))])
        pairs = zip(stored.where["site_id"].astype(str), stored.where["retrofit"].astype(str), strict=True)
        set_of = dict(zip(pairs, stored.where["set"].tolist(), strict=True))
        return cls(stored.notes, stored.sets, set_of, {site: sorted(standing) for site, standing in known.items()})

    def at(self, site_id: str, retrofits: Iterable[str]) -> list[int]:
        """Return the notes of these retrofits at a site, each once, worst first."""
        sets = {self.set_of[pair] for pair in ((site_id, name) for name in retrofits) if pair in self.set_of}
        return sorted({note for number in sets for note in self.sets[number]})


def in_full(note: api.Note) -> str:
    """Return a note as one paragraph: severity, name, whole text, who may do it."""
    who = f" Who: {note.who}." if note.who else ""
    return f"{note.severity.upper()} [{note.id}] {note.text}{who}"
