"""The safety notes of a run: looked up by site and retrofit, worst first, and never shortened."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun import api

_NOTE = ("note_id", "severity", "text", "who")
_WORST_FIRST = (api.DANGER, api.WARNING, api.CAUTION)
NO_NOTE = "none stored with this run"


@dataclass(frozen=True)
class NoteEntry:
    """One note, and where in the run it stands."""

    note: api.Note
    retrofits: tuple[str, ...]
    sites: int


class NotesOfRun:
    """All notes of a run. Holds numbers for its many rows, and each text once."""

    def __init__(self, table: pd.DataFrame) -> None:
        note_codes, first = _codes(table, _NOTE)
        self._notes = [
            api.Note(str(row[0]), str(row[1]), str(row[2]), "" if pd.isna(row[3]) else str(row[3]), "", False)
            for row in table.iloc[first][list(_NOTE)].itertuples(index=False, name=None)
        ]
        site_codes, sites = pd.factorize(table["site_id"])
        retrofit_codes, retrofits = pd.factorize(table["retrofit"])
        self._sites = {str(name): code for code, name in enumerate(sites)}
        self._retrofits = {str(name): code for code, name in enumerate(retrofits)}
        pair = site_codes.astype(np.int64) * max(len(retrofits), 1) + retrofit_codes
        order = np.argsort(pair, kind="stable")
        self._pairs, self._codes = pair[order], note_codes[order].astype(np.int32)
        self._sites_of = site_codes[order].astype(np.int32)
        self._retrofits_of = retrofit_codes[order].astype(np.int32)
        self._said: dict[tuple[int, ...], str] = {}

    def entries(self) -> list[NoteEntry]:
        """Return every note of the run once, worst first."""
        by_note = pd.DataFrame({"note": self._codes, "site": self._sites_of, "retrofit": self._retrofits_of})
        sites = by_note.groupby("note")["site"].nunique()
        pairs = by_note[["note", "retrofit"]].drop_duplicates().groupby("note")["retrofit"].agg(list)
        names = list(self._retrofits)
        found = [
            NoteEntry(note, tuple(sorted(names[code] for code in pairs[number])), int(sites[number]))
            for number, note in enumerate(self._notes)
        ]
        return sorted(found, key=lambda entry: (_rank(entry.note.severity), entry.note.id))

    def ids(self, site_id: str, retrofits: Iterable[str]) -> str:
        """Return severity and id of the notes of these retrofits at a site, worst first: DANGER a, b and WARNING c."""
        codes = tuple(sorted({code for name in retrofits for code in self._of(site_id, name)}))
        if codes not in self._said:
            by_severity: dict[str, list[str]] = {}
            for code in codes:
                by_severity.setdefault(self._notes[code].severity, []).append(self._notes[code].id)
            self._said[codes] = (
                "\n".join(
                    f"{severity.upper()} {', '.join(by_severity[severity])}"
                    for severity in sorted(by_severity, key=_rank)
                )
                or NO_NOTE
            )
        return self._said[codes]

    def _of(self, site_id: str, retrofit: str) -> npt.NDArray[np.int32]:
        site, kind = self._sites.get(site_id), self._retrofits.get(retrofit)
        if site is None or kind is None:
            return self._codes[:0]
        pair = site * max(len(self._retrofits), 1) + kind
        start, stop = np.searchsorted(self._pairs, [pair, pair + 1])
        return self._codes[start:stop]


def dangers_by_site(to_tell: pd.DataFrame) -> Mapping[str, list[Mapping[str, Any]]]:
    """Return the dangers known to stand, by site."""
    found: dict[str, list[Mapping[str, Any]]] = {}
    for site_id, note_id, severity, text, who in to_tell[["site_id", *_NOTE]].itertuples(index=False, name=None):
        said = {"note_id": note_id, "severity": severity, "text": text, "who": "" if pd.isna(who) else who}
        found.setdefault(str(site_id), []).append(said)
    for dangers in found.values():
        dangers.sort(key=lambda danger: _rank(str(danger["severity"])))
    return found


def _codes(table: pd.DataFrame, names: Sequence[str]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Number rows by their content; also return a row of each number."""
    codes: npt.NDArray[np.int64] = np.zeros(len(table), dtype=np.int64)
    for name in names:
        # Column by column: a table of millions of rows holds few different texts.
        mine, values = pd.factorize(table[name], use_na_sentinel=False)
        codes, _ = pd.factorize(codes * max(len(values), 1) + mine)
    first = np.unique(codes, return_index=True)[1]
    return codes.astype(np.int64), first.astype(np.int64)


def _rank(severity: str) -> int:
    return _WORST_FIRST.index(severity) if severity in _WORST_FIRST else 0  # an unknown one is taken for the worst
