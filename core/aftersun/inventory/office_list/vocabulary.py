"""What headings and cells of lists are called, in seven languages, from ``headings.csv`` and its fellows."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, lru_cache

from rapidfuzz import fuzz, process

import aftersun_datasets
from aftersun.inventory.store.dictionary import BOOLEAN, INTEGER, NUMBER, TEXT, Column, columns

LANGUAGES = ("en", "de", "fr", "es", "it", "nl", "pt")
LIST = "list"
"""The table of targets that no table has: parts of a name, a place or a permission, which are put together."""
TABLES = ("customer", "tariff", "site", "array")
"""What a list is split into, in the order to load it."""
MOST_ARRAYS = 9
_PACKAGE = "aftersun.inventory"
_BRACKETS = re.compile(r"[(\[{][^)\]}]*[)\]}]")
_NUMBERED = re.compile(r"(?<![0-9])([1-9])(?![0-9])")
_NUMBER_SIGN = re.compile(r"#(?![0-9])")
_NO_LETTERS = re.compile(r"[^0-9a-z]+")
_YEAR = re.compile(r"\b20[0-9]{2}\b")
_ARRAY_WORDS = "roof array dach feld dachflache toit toiture champ pan tejado campo tetto falda dak veld telhado"
_OF_AN_ARRAY = frozenset(_ARRAY_WORDS.split())


@dataclass(frozen=True, order=True)
class Target:
    """What a column of a list is: a column of a table, or of ``LIST``; ``number`` is that of an array, from 1."""

    table: str
    column: str
    number: int = 1

    def __str__(self) -> str:
        return f"{self.table}.{self.column}{f' {self.number}' if self.number > 1 else ''}"

    @property
    def personal(self) -> bool:
        """Whether its cells are a customer's own data, or say where somebody lives."""
        return self.table == LIST or of(self).personal


_LIST_TYPES = {"no_contact": BOOLEAN}


@cache
def of(target: Target) -> Column:
    """Return the dictionary's column; those of ``LIST`` are texts but for a yes or no."""
    if target.table == LIST:
        kind = _LIST_TYPES.get(target.column, TEXT)
        return Column(LIST, target.column, kind, "", None, None, (), "", False, False, True, "")
    return next(column for column in columns(target.table) if column.name == target.column)


@lru_cache(maxsize=100_000)
def plain(text: str) -> str:
    """Return a text in small letters without accents, with single blanks for whatever is neither letter nor digit."""
    if text.isascii():
        return " ".join(_NO_LETTERS.sub(" ", text.lower()).split())
    flat = unicodedata.normalize("NFKD", text.casefold().replace("ß", "ss"))
    kept = (sign if sign.isalnum() else " " for sign in flat if not unicodedata.combining(sign))
    return " ".join("".join(kept).split())


@cache
def synonyms() -> Mapping[str, tuple[tuple[Target, frozenset[str]], ...]]:
    """Return by plain heading what it may mean, each with the languages in which it does."""
    found: dict[str, dict[Target, set[str]]] = {}
    for row in aftersun_datasets.rows("headings.csv", _PACKAGE):
        target = Target(row["table"], row["column"])
        for language in LANGUAGES:
            for name in map(plain, filter(None, row[language].split("|"))):
                found.setdefault(name, {}).setdefault(target, set()).add(language)
    for target in targets().values():  # the dictionary's own names are of no language
        if target.table != LIST:
            found.setdefault(plain(target.column), {}).setdefault(target, set())
    return {name: tuple((t, frozenset(who)) for t, who in by.items()) for name, by in found.items()}


@lru_cache(maxsize=10_000)
def near_synonyms(form: str) -> tuple[tuple[str, float], ...]:
    """Return the headings known that are spelt nearly like a plain one, with how nearly, 100 = alike."""
    if len(form) < _LEAST_LETTERS:
        return ()
    near = process.extract(form, list(synonyms()), scorer=fuzz.ratio, score_cutoff=_NEAR, limit=3)
    return tuple((word, score) for word, score, _ in near if len(word) >= _LEAST_LETTERS)


_NEAR = 88.0  # of 100 (assumption: one slip in eight letters)
_LEAST_LETTERS = 6  # of a heading that is matched nearly: short ones are alike by chance


@cache
def targets() -> Mapping[str, Target]:
    """Return by its name everything that a column may be said to be, arrays unnumbered."""
    named = {Target(row["table"], row["column"]) for row in aftersun_datasets.rows("headings.csv", _PACKAGE)}
    named |= {Target(table, column.name) for table in TABLES for column in columns(table)}
    return {str(target): target for target in named}


def wordings(heading: str) -> list[tuple[str, int]]:
    """Return the plain forms that a heading may be known by, the fullest first, each with the number of an array.

    Left away are, one after the other, years, what stands in brackets, units, and the number of an array.
    """
    written, heading = heading, _NUMBER_SIGN.sub(" no ", heading)
    bare = _BRACKETS.sub(" ", heading)
    known = all_unit_words()
    unitless = " ".join(word for word in bare.split() if len(word) < 2 or word.casefold().strip(".,;:") not in known)
    forms: list[tuple[str, int]] = []
    for text in (heading, bare, unitless, written):
        name = plain(text)
        forms += [(name, 1), (" ".join(_YEAR.sub(" ", name).split()), 1)]
        if number := _NUMBERED.search(re.sub(r"([a-z])([1-9])\b", r"\1 \2", name)):
            left = _NUMBERED.sub(" ", re.sub(r"([a-z])([1-9])\b", r"\1 \2", name)).split()
            forms.append((" ".join(left), int(number[1])))
            forms.append((" ".join(word for word in left if word not in _OF_AN_ARRAY), int(number[1])))
    return [form for form in dict.fromkeys(forms) if form[0]]


@cache
def units_of(column: Column) -> Mapping[str, float]:
    """Return the words for units that a column's cells may have, with what turns them into the dictionary's unit."""
    if column.type not in (NUMBER, INTEGER):
        return {}
    return {
        word: float(row["factor"])
        for row in aftersun_datasets.rows("cell_units.csv", _PACKAGE)
        if row["of"] == column.unit
        for word in row["words"].split("|")
    }


@cache
def all_unit_words() -> frozenset[str]:
    """Return the words for units of any column that have a unit."""
    rows = aftersun_datasets.rows("cell_units.csv", _PACKAGE)
    return GALLONS | {word for row in rows if row["of"] for word in row["words"].split("|")}


GALLON = "gal"
GALLONS = frozenset(["gal", "gals", "gallon", "gallons", "gal/day", "gallons per day", "gpd"])
"""Words for gallons of which it is not said whether they are of the US or imperial."""


def unit_in_heading(column: Column, heading: str) -> str:
    """Return the unit that a heading names for its column, empty if it names none."""
    known = units_of(column)
    if not column.unit:
        return ""
    inside = [part.strip("()[]{} ").casefold() for part in _BRACKETS.findall(heading)]
    words = [word.casefold().strip(".,;:") for word in _BRACKETS.sub(" ", heading).split()]
    # a letter alone is a unit in brackets only: "p" and "c" stand for other things too
    said = (*inside, *(word for word in words if len(word) > 1 or not word.isalpha()))
    if column.unit in VOLUMES and not any(word in known for word in inside) and set(said) & GALLONS:
        return next((gallon for word, gallon in _WHOSE_GALLON.items() if word in words), GALLON)
    return next((word for word in said if word in known), "")


_WHOSE_GALLON = {"us": "us gal", "uk": "imp gal", "imp": "imp gal", "imperial": "imp gal"}
VOLUMES = ("L", "L/d")
"""Units of columns in which an office may write gallons."""


@cache
def words(of_what: str) -> Mapping[str, str]:
    """Return by plain word the value that it stands for, of the group or column named."""
    rows = [row for row in aftersun_datasets.rows("words.csv", _PACKAGE) if row["of"] == of_what]
    return {plain(word) or word: row["value"] for row in rows for word in row["words"].split("|")}


def sentence(code: str, **figures: object) -> str:
    """Return what ``list_sentences.csv`` says of a code, with its figures."""
    return _sentences()[code].format_map(figures)


@cache
def _sentences() -> Mapping[str, str]:
    return {row["code"]: row["sentence"] for row in aftersun_datasets.rows("list_sentences.csv", _PACKAGE)}
