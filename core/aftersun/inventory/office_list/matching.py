"""Proposes which column of a list is what: by its heading, by near spelling, by what its cells look like."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from aftersun.inventory.loading.bad_rows import EXPORT_COLUMNS
from aftersun.inventory.office_list import compass
from aftersun.inventory.office_list.grid import Grid
from aftersun.inventory.office_list.vocabulary import (
    LANGUAGES,
    MOST_ARRAYS,
    Target,
    near_synonyms,
    plain,
    synonyms,
    wordings,
)

HEADING, NEAR, CELLS, MAPPING = "heading", "near spelling", "cells", "mapping file"
_EXACT = 100.0
_SHORTER = 97.0  # without brackets, unit or number
_BY_CELLS = 70.0
_MOST_CELLS = 0.9  # of the cells that must look so
_SAMPLE = 2_000
_LOOKS = (
    (Target("customer", "email"), re.compile(r"[^@\s]+@[^@\s]+\.[a-z]{2,}$", re.IGNORECASE)),
    (Target("customer", "phone"), re.compile(r"(?=(?:\D*\d){7,15}\D*$)(?:\+|00|0|\()[0-9 ()/.\-]+$")),
    (Target("array", "dc_rating_kw"), re.compile(r"[0-9]+(?:[.,][0-9]+)?\s*kw[pc]$", re.IGNORECASE)),
)


@dataclass(frozen=True)
class Proposal:
    """What a column of a list is taken for; ``target`` is None if nobody needs it. ``score`` is 0 to 100."""

    position: int
    heading: str
    target: Target | None
    score: float = 0.0
    by: str = ""
    unit: str = ""


@dataclass(frozen=True)
class _Candidate:
    target: Target
    score: float
    by: str


def labels(headings: Sequence[str]) -> list[str]:
    """Return a name for each column: its heading, with ``#2`` where it stands there again, ``column 3`` without one."""
    counts: Counter[str] = Counter()
    found = []
    for position, heading in enumerate(headings, start=1):
        counts[heading] += 1
        again = f" #{counts[heading]}" if counts[heading] > 1 else ""
        found.append(f"{heading}{again}" if heading else f"column {position}")
    return found


def language_of(headings: Sequence[str]) -> str:
    """Return the language that most headings are of, empty if two have as many or none is of one alone."""
    points = dict.fromkeys(LANGUAGES, 0.0)
    for heading in headings:
        form = next((form for form, _ in wordings(heading) if form in synonyms()), "")
        who = frozenset().union(*(languages for _, languages in synonyms().get(form, ())))
        for language in who:
            points[language] += 1 / len(who)
    first, second = sorted(points.values(), reverse=True)[:2]
    return max(points, key=lambda language: points[language]) if first > second + 0.01 else ""


def propose(grid: Grid, language: str) -> list[Proposal]:
    """Return what each column is taken for. No two are taken for the same: the better one is, then the first."""
    found = [_candidates(heading, language) for heading in grid.headings]
    found = [each or _by_cells(grid, position) for position, each in enumerate(found)]
    found = _untwined(grid.headings, found)
    found = _numbered(grid.headings, found)
    names = [plain(heading) for heading in grid.headings]
    taken: dict[Target, int] = {}
    for position in sorted(range(len(found)), key=lambda n: -max((c.score for c in found[n]), default=0)):
        free = sorted(found[position], key=lambda candidate: -candidate.score)
        found[position] = []
        for candidate in free:
            target: Target | None = candidate.target
            if target in taken and names[taken[target]] == names[position]:  # the same heading again: another array
                target = _next_array(target, taken)
            if target is not None and target not in taken:
                taken[target] = position
                found[position] = [replace(candidate, target=target)]
                break
    found = _in_order(found)
    return [
        Proposal(position, label, each[0].target if each else None, *((each[0].score, each[0].by) if each else ()))
        for position, (label, each) in enumerate(zip(labels(grid.headings), found, strict=True))
    ]


def _candidates(heading: str, language: str) -> list[_Candidate]:
    if plain(heading) in _OUR_OWN:
        return []
    known = synonyms()
    for n, (form, number) in enumerate(wordings(heading)):
        if form in known:
            score = _EXACT if n == 0 else _SHORTER + _of_year(heading)
            meanings = [
                _Candidate(
                    replace(target, number=number if target.table == "array" else 1),
                    score - _foreign(who, language),
                    HEADING,
                )
                for target, who in known[form]
                if number == 1 or target.table == "array"
            ]
            if meanings:
                return meanings
    for form, number in wordings(heading):
        meanings = [
            _Candidate(replace(target, number=number), score - 10 - _foreign(who, language), NEAR)
            for word, score in near_synonyms(form)
            for target, who in known[word]
            if number == 1 or target.table == "array"
        ]
        best = max((m.score for m in meanings), default=0)
        if len({m.target for m in meanings if m.score == best}) == 1:
            return [max(meanings, key=lambda m: m.score)]
    return []


def _of_year(heading: str) -> float:
    """Return a little for a year in a heading, so that of several years the last counts."""
    year = re.search(r"20[0-9]{2}", heading)
    return (int(year[0]) - 2000) / 1000 if year else 0.0


_OUR_OWN = frozenset(map(plain, EXPORT_COLUMNS))


def _foreign(languages: frozenset[str], language: str) -> float:
    """Return how much less a meaning counts that a heading has in another language than the list's."""
    return 0.0 if not language or not languages or language in languages else 20.0


def _untwined(headings: Sequence[str], found: list[list[_Candidate]]) -> list[list[_Candidate]]:
    """Settle headings that mean a whole name alone, and a part of it beside a fellow: Nombre, Nom, Nome, Name."""
    targets = [{candidate.target for candidate in each} for each in found]
    has_first, has_last = (any(part in each for each in targets) for part in (_FIRST, _LAST))
    mere = next((n for n, each in enumerate(targets) if each == {_WHOLE} and plain(headings[n]) == "name"), None)
    if has_first and not has_last and mere is not None:  # "Name" beside "Vorname"
        found = [*found[:mere], [replace(found[mere][0], target=_LAST)], *found[mere + 1 :]]
        has_last = True
    if has_first and has_last:
        return [each if len(each) < 2 else [c for c in each if c.target != _WHOLE] for each in found]
    return [[replace(c, target=_WHOLE) if c.target in (_FIRST, _LAST) else c for c in each] for each in found]


_FIRST, _LAST, _WHOLE = Target("list", "first_name"), Target("list", "last_name"), Target("customer", "name")


def _numbered(headings: Sequence[str], found: list[list[_Candidate]]) -> list[list[_Candidate]]:
    """Prefer "kWp 1" to "System size" where there is a "kWp 2": what has no number is the sum of them then."""
    further = {(c.target.table, c.target.column) for each in found for c in each if c.target.number > 1}
    return [
        [
            replace(c, score=c.score - _UNNUMBERED)
            if (c.target.table, c.target.column) in further and not re.search(r"[1-9]\b", heading)
            else c
            for c in each
        ]
        for heading, each in zip(headings, found, strict=True)
    ]


_UNNUMBERED = 10.0


def _next_array(target: Target, taken: Mapping[Target, int]) -> Target | None:
    """Return a target if it is free, or that of the next array; None if there is no other."""
    if target not in taken:
        return target
    if target.table != "array" or target.column == "array_id":
        return None
    numbers = (replace(target, number=number) for number in range(target.number + 1, MOST_ARRAYS + 1))
    return next((other for other in numbers if other not in taken), None)


def _in_order(found: list[list[_Candidate]]) -> list[list[_Candidate]]:
    """Give arrays their numbers in the order of their columns, where a heading was there several times."""
    by_column: dict[tuple[str, str], list[int]] = {}
    for position, each in enumerate(found):
        if each and each[0].target.table == "array":
            by_column.setdefault((each[0].target.table, each[0].target.column), []).append(position)
    for positions in by_column.values():
        if len({found[position][0].score for position in positions}) == 1:
            numbers = sorted(found[position][0].target.number for position in positions)
            for position, number in zip(positions, numbers, strict=True):
                candidate = found[position][0]
                if not any(other.score < _EXACT for other in found[position]):
                    found[position] = [replace(candidate, target=replace(candidate.target, number=number))]
    return found


def _by_cells(grid: Grid, position: int) -> list[_Candidate]:
    heading = grid.headings[position]
    if plain(heading) in _OUR_OWN:
        return []
    cells = grid.cells[position].dropna().str.strip()
    cells = cells[cells != ""].head(_SAMPLE)
    if len(cells) < 2:
        return []
    for target, pattern in _LOOKS:
        if cells.str.match(pattern).mean() >= _MOST_CELLS:
            return [_Candidate(target, _BY_CELLS, CELLS)]
    directions = cells.map(compass.is_direction).astype(bool)
    if directions.mean() >= _MOST_CELLS and cells.nunique() > 1:
        return [_Candidate(Target("array", "azimuth_deg"), _BY_CELLS, CELLS)]
    return []
