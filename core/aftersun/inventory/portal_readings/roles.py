"""Proposes what each column of a file of readings is, by its heading in seven languages and by its cells."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache

from rapidfuzz import fuzz, process

import aftersun_datasets
from aftersun.inventory.office_list.grid import Grid
from aftersun.inventory.office_list.matching import CELLS, HEADING, NEAR, labels
from aftersun.inventory.office_list.vocabulary import LANGUAGES, plain, wordings
from aftersun.inventory.portal_readings import moments
from aftersun.inventory.portal_readings.settings import COUNTER, ENERGY, METERS, POWER, PRODUCTION, QUANTITIES

WHEN, BEGINS, ENDS, YEAR, MONTH = "when", "start", "end", "year", "month"
DEVICE, METER, SITE, CUSTOMER = "device", "meter", "site", "customer"
VALUE, MONTH_OF, YEAR_OF = "value", "month of", "year of"
_KINDS = (WHEN, BEGINS, ENDS, YEAR, MONTH, DEVICE, METER, SITE, CUSTOMER)
_NEAR, _LEAST_LETTERS = 88.0, 6  # as of the headings of lists
_MOST_CELLS, _SAMPLE = 0.9, 200
_LEAST_MONTHS = 3  # headings that are months, from which they stand side by side (own choice)
_UNIT = re.compile(r"(?<![a-z])(mwh|kwh|wh|mw|kw)(?![a-z])")
_WATT = re.compile(r"[(\[]\s*w\s*[)\]]|\sW$", re.IGNORECASE)
_YEAR = re.compile(r"(?:19|20)[0-9]{2}$")
_OF_LISTS = {"site": "site_id", "customer": "customer_id"}


@dataclass(frozen=True, order=True)
class Role:
    """What a column is: ``kind``, of a value its meter and quantity as far as said, of a month or year which."""

    kind: str
    meter: str = ""
    quantity: str = ""
    month: int = 0
    year: int = 0

    def __str__(self) -> str:
        return " ".join(filter(None, (self.meter, self.quantity))) if self.kind == VALUE else self.kind


@dataclass(frozen=True)
class Proposal:
    """What a column of a file of readings is taken for; ``role`` is None if nobody needs it. ``score`` is 0 to 100."""

    position: int
    heading: str
    role: Role | None
    score: float = 0.0
    by: str = ""
    unit: str = ""


def role_called(text: str) -> Role | None:
    """Return the role of that name, as ``str`` gives it; None if there is none."""
    if text in _KINDS:
        return Role(text)
    words = text.split()
    meter, quantity = words if len(words) == 2 else ("", text)
    known = quantity in QUANTITIES and meter in ("", *METERS)
    return Role(VALUE, meter, quantity) if known else None


@cache
def _synonyms() -> Mapping[str, Mapping[Role, frozenset[str]]]:
    """Return by plain heading what it may be, with the languages in which it is that."""
    found: dict[str, dict[Role, set[str]]] = {}
    rows = [(row, row["role"]) for row in aftersun_datasets.rows("reading_headings.csv", "aftersun.inventory")]
    listed = aftersun_datasets.rows("headings.csv", "aftersun.inventory")
    rows += [(row, kind) for kind, column in _OF_LISTS.items() for row in listed if row["column"] == column]
    for row, name in rows:
        role = role_called(name)
        if role is None:
            raise ValueError(f"no role is called {name!r}")
        for language in LANGUAGES:
            for word in map(plain, filter(None, row[language].split("|"))):
                found.setdefault(word, {}).setdefault(role, set()).add(language)
    return {word: {role: frozenset(who) for role, who in roles.items()} for word, roles in found.items()}


def is_known(heading: str) -> bool:
    """Tell whether a heading is one of readings."""
    return bool(_YEAR.match(heading.strip()) or _by_heading(heading, "")) or month_of(heading) is not None


def language_of(headings: Sequence[str]) -> str:
    """Return the language that most headings are of; empty if two have as many, or none is of one alone."""
    points = dict.fromkeys(LANGUAGES, 0.0)
    for heading in headings:
        form = next((form for form, _ in wordings(heading) if form in _synonyms()), "")
        who = frozenset().union(*_synonyms().get(form, {}).values())
        for language in who:
            points[language] += 1 / len(who)
    first, second = sorted(points.values(), reverse=True)[:2]
    return max(points, key=lambda language: points[language]) if first > second + 0.01 else ""


def month_of(heading: str) -> tuple[int, int] | None:
    """Return year and month that a heading names, the year 0 if it names none; None if it is no month."""
    bare = _UNIT.sub(" ", re.sub(r"[()\[\]]", " ", heading.casefold())).strip(" .-/")
    return moments.month(bare) if bare else None


def unit_of(heading: str) -> str:
    """Return the unit that a heading names, empty if it names none."""
    if found := _UNIT.findall(heading.casefold().replace("·", "")):
        return str(found[-1])
    return "w" if _WATT.search(heading) else ""


def without_unit(heading: str) -> str:
    """Return a heading without the unit that it names."""
    return _WATT.sub(" ", _UNIT.sub(" ", heading.casefold()))


def meter_called(text: str) -> str:
    """Return the meter that a cell names, empty if it names none."""
    return next((role.meter for role in _synonyms().get(plain(text), {}) if role.meter), "")


def names_production(text: str) -> bool:
    """Tell whether a text has a word for production and for no other meter; "export" may be one of data."""
    said = f" {plain(text)} "
    return any(
        f" {word} " in said and {role.meter for role in found} == {PRODUCTION} for word, found in _synonyms().items()
    )


def quantity_in(unit: str) -> str:
    """Return whether a unit is one of energy or power; empty if there is none."""
    return "" if not unit else ENERGY if unit.endswith("h") else POWER


def propose(grid: Grid, language: str) -> list[Proposal]:
    """Return what each column is taken for."""
    names = labels(grid.headings)
    months = [month_of(heading) for heading in grid.headings]
    side_by_side = sum(found is not None for found in months) >= _LEAST_MONTHS
    found = []
    for position, (heading, name) in enumerate(zip(grid.headings, names, strict=True)):
        unit = unit_of(heading)
        month = months[position]
        if month is not None and side_by_side:
            role = Role(MONTH_OF, month=month[1], year=month[0])
            found.append(Proposal(position, name, role, 100.0, HEADING, unit))
            continue
        if _YEAR.match(heading.strip()):
            role = Role(YEAR_OF, year=int(heading))
            found.append(Proposal(position, name, role, 100.0, HEADING, unit))
            continue
        score, by, candidate = _by_heading(heading, language) or _by_cells(grid, position) or (0.0, "", None)
        found.append(Proposal(position, name, _with_unit(candidate, unit), score, by, unit))
    return _one_of_each(found)


def _by_heading(heading: str, language: str) -> tuple[float, str, Role | None] | None:
    for n, (form, _) in enumerate(wordings(heading)):
        if form in _synonyms():
            return (100.0 if n == 0 else 97.0), HEADING, _meant(_synonyms()[form], language)
    if len(plain(heading)) < _LEAST_LETTERS:
        return None
    for form, _ in wordings(heading):
        near = process.extract(form, list(_synonyms()), scorer=fuzz.ratio, score_cutoff=_NEAR, limit=3)
        meant = {_meant(_synonyms()[word], language) for word, *_ in near if len(word) >= _LEAST_LETTERS}
        if len(meant) == 1:
            return near[0][1] - 10, NEAR, meant.pop()
    return None


def _meant(roles: Mapping[Role, frozenset[str]], language: str) -> Role:
    """Return what a heading means in a language, else the first that it may mean."""
    return next((role for role, who in roles.items() if language in who), next(iter(roles)))


def _with_unit(role: Role | None, unit: str) -> Role | None:
    """Return a role with the quantity that its unit says; a device with a unit is a value of that device."""
    if role is None or not unit:
        return role
    if role.kind == DEVICE:
        return Role(VALUE, METERS[0], quantity_in(unit))
    if role.kind == VALUE and not (role.quantity == COUNTER and quantity_in(unit) == ENERGY):
        return replace(role, quantity=quantity_in(unit))
    return role


def _by_cells(grid: Grid, position: int) -> tuple[float, str, Role | None] | None:
    """Return that a column without a heading that is known has moments, if nearly all of its cells are."""
    column = grid.cells[position].dropna().str.strip()
    cells = [cell for cell in column.head(_SAMPLE) if cell]
    dated = [cell for cell in cells if moments.has_date(cell)]
    return (70.0, CELLS, Role(WHEN)) if len(cells) > 1 and len(dated) >= _MOST_CELLS * len(cells) else None


def _one_of_each(found: list[Proposal]) -> list[Proposal]:
    """Leave out columns that say again what a better one says: a year beside moments, another site's name."""
    kept: list[Proposal] = list(found)
    for kind in (SITE, CUSTOMER, DEVICE, METER, YEAR, MONTH, BEGINS, ENDS):
        several = sorted((p for p in found if p.role and p.role.kind == kind), key=lambda p: -p.score)
        for proposal in several[1:]:
            kept[proposal.position] = replace(proposal, role=None)
    return kept


def are_readings(heads: Sequence[Sequence[str]], of_a_list: int) -> bool:
    """Tell whether one of the first rows of a sheet is headings of readings, rather than ``of_a_list`` known ones."""
    best = max(heads, key=lambda row: sum(map(is_known, row)), default=())
    roles = [found[2] for found in (_by_heading(name, "") for name in best if name) if found]
    kinds = {role.kind for role in roles if role}
    months = sum(month_of(name) is not None for name in best if name) >= _LEAST_MONTHS
    years = sum(bool(_YEAR.match(name.strip())) for name in best if name) >= 1
    timed = bool({WHEN, BEGINS, ENDS} & kinds) or {YEAR, MONTH} <= kinds
    valued = VALUE in kinds or (DEVICE in kinds and any(unit_of(name) for name in best))
    return months or (years and MONTH in kinds) or (timed and valued and of_a_list < _LIST_LIKE)


_LIST_LIKE = 3  # headings that only a list of customers has: then it is one (own choice)
