"""Safety notes of a run gathered row by row, for runs made up in tests and to hold the program's own way to."""

from __future__ import annotations

import pandas as pd

from aftersun import api

_SEVERITIES = ("danger", "warning", "caution")  # worst first, as ANSI Z535.6 has them


def gathered(table: pd.DataFrame) -> api.SafetyNotes:
    """Return the notes of a table safety_note."""
    named = [
        (
            str(row.site_id),
            str(row.retrofit),
            (row.severity, row.note_id, row.text, "" if pd.isna(row.who) else row.who),
        )
        for row in table.itertuples()
    ]
    severities = {severity for _, _, (severity, *_) in named}
    order = {severity: place for place, severity in enumerate(_SEVERITIES)}
    rank = {severity: order.get(severity, 0) for severity in severities}
    told = sorted(dict.fromkeys(note for _, _, note in named), key=lambda note: rank[note[0]])
    place = {note: number for number, note in enumerate(told)}
    pairs: dict[tuple[str, str], set[int]] = {}
    for site_id, retrofit, note in named:
        pairs.setdefault((site_id, retrofit), set()).add(place[note])
    sets = sorted({tuple(sorted(found)) for found in pairs.values()})
    where = pd.DataFrame(
        [(*pair, sets.index(tuple(sorted(found)))) for pair, found in sorted(pairs.items())],
        columns=["site_id", "retrofit", "set"],
    )
    notes = tuple(api.Note(note_id, severity, text, who, "", False) for severity, note_id, text, who in told)
    return api.SafetyNotes(notes, tuple(sets), where)
