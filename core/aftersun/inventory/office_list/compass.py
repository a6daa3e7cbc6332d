"""Reads where modules face: points of the compass in seven languages, degrees from north or from south."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache
from statistics import median

from aftersun.inventory.office_list.reading import NOTHING, Read, says_nothing
from aftersun.inventory.office_list.vocabulary import plain

EAST, WEST = "E", "W"
_POINTS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")
_DEGREES = {point: 22.5 * n for n, point in enumerate(_POINTS)}
_WORDS = {
    "N": "north northern norden nord norte noorden noord nor",
    "E": "east eastern osten ost est este oosten oost leste",
    "S": "south southern suden sued sud sur sul zuiden zuid",
    "W": "west western westen ouest oeste ovest westen",
}
_ATOMS = {word: point for point, words in _WORDS.items() for word in words.split()}
_LETTERS = {"N": "N", "S": "S", "Z": "S", "E": EAST, "L": EAST, "W": WEST}
_AROUND = re.compile(r"\b(facing|roof|dach|richtung|orientado|orientada|vers|al|a|plein|pleno|pieno|exakt|due|full)\b")
_NUMBER = re.compile(
    r"([+\-−]?[0-9]+(?:[.,][0-9]+)?)(?:e0)?\s*(?:°|º|deg|degrees|grad|grados|gradi|graus|graden|degrés)?"
)
_USUAL = 95.0
_WIDE = 23.0  # degrees between a point of the compass and degrees beside it: half a sector (own choice)
_O_EAST, _O_WEST = ("de", "nl"), ("fr", "es", "it", "pt")


def meaning_of_o(texts: Sequence[str], language: str) -> str:
    """Return what the letter O stands for, by the other letters of the column and by the list's language.

    A column that has W in letters has O for east, one that has E or L has it for west. Empty if it cannot be told.
    """
    letters = {letter for text in texts for letter in _as_letters(text)}
    has_west, has_east = "W" in letters, bool(letters & {"E", "L"})
    by_language = EAST if language in _O_EAST else WEST if language in _O_WEST else ""
    if has_west and has_east:
        return by_language if by_language == WEST else ""
    if has_west:
        return EAST if by_language != WEST else ""
    if has_east:
        return WEST if by_language != EAST else ""
    return by_language


def uses_o(texts: Sequence[str]) -> bool:
    """Tell whether any cell has the letter O for a direction."""
    return any("O" in _as_letters(text) for text in texts)


def _as_letters(text: str) -> str:
    """Return the letters of a cell that names a point of the compass by letters, empty for any other."""
    letters = re.sub(r"[^a-z]", "", plain(_NUMBER.sub(" ", text))).upper()
    return letters if 0 < len(letters) <= 3 and set(letters) <= set("NESWOZL") else ""


def is_direction(text: str) -> bool:
    """Tell whether a cell names a point of the compass, in letters or words."""
    return bool(_as_letters(text)) or bool(_point(text, WEST)) or bool(_point(text, EAST))


def counted_from(values: Sequence[float]) -> str:
    """Return what bearings without words count from, "north" or "south"; empty if it cannot be told.

    Signs are of those who count from south. Without any, the middle one of a portfolio lies within 95 degrees of the
    equator's direction (the limit of the check of a whole column): where that holds for north as zero and not for
    south, it is north. The other way round may be a list of the southern half of the Earth, and nobody can tell.
    """
    if not values:
        return "north"
    if min(values) < 0:
        return "south" if max(values) <= 180 else ""
    by_north, by_south = median(abs(value - 180) for value in values), median(values)
    return "north" if by_north <= _USUAL and (by_south > _USUAL or max(values) > 180) else ""


def numbers(texts: Sequence[str]) -> list[float]:
    """Return the bearings of the cells that hold nothing but one."""
    return [float(m[1].replace(",", ".").replace("−", "-")) for text in texts if (m := _NUMBER.fullmatch(text.strip()))]


def read(texts: Sequence[str], o_is: str, zero: str) -> list[Read]:
    """Return the distinct cells of a column as degrees clockwise from north."""
    return [NOTHING if says_nothing(text) else _read(text.strip(), o_is, zero) for text in texts]


def _read(text: str, o_is: str, zero: str) -> Read:
    number = _NUMBER.fullmatch(text)
    if number:
        value = float(number[1].replace(",", ".").replace("−", "-"))
        if not zero:
            return Read(cause="zero_north_or_south")
        if zero == "south":
            return Read(f"{(180 + value) % 360:.10g}") if -180 <= value <= 180 else Read(cause="no_direction")
        return Read(f"{value:.10g}") if 0 <= value <= 360 else Read(cause="no_direction")
    beside = _NUMBER.search(text)
    words = _NUMBER.sub(" ", text)
    letters = _as_letters(words)
    if "O" in letters and not o_is:
        return Read(cause="east_or_west")
    point = _point(words, o_is)
    if not point:
        return Read(cause="two_directions" if _two(words, o_is) else "no_direction")
    degrees = _DEGREES[point]
    if not beside:
        return Read(f"{degrees:.10g}", marks=("compass",))
    value = float(beside[1].replace(",", ".").replace("−", "-"))
    if zero == "south":
        value = (180 + value) % 360
    if abs((value - degrees + 180) % 360 - 180) > _WIDE or not zero:
        return Read(cause="direction_and_number")
    return Read(f"{value:.10g}")


def _point(text: str, o_is: str) -> str:
    """Return the point of the compass that a text names, empty if it names none."""
    flat = _AROUND.sub(" ", plain(text))
    parts = flat.split()
    if not parts:
        return ""
    found = ""
    for part in parts:
        letters = part.upper()
        if len(letters) <= 3 and set(letters) <= set("NESWOZL"):
            found += "".join(o_is if letter == "O" else _LETTERS[letter] for letter in letters)
        else:
            atoms = _atoms(part)
            if not atoms:
                return ""
            found += atoms
    if found in _DEGREES:
        return found
    turned = found[::-1]  # "west-north" is said in some places
    return turned if len(turned) == 2 and turned in _DEGREES else ""


@cache
def _atoms(word: str) -> str:
    """Return the letters of the points that a word is put together of, as in suroeste; empty if it is not."""
    if word in _ATOMS:
        return _ATOMS[word]
    for head in sorted(_ATOMS, key=len, reverse=True):
        if word.startswith(head) and (rest := _atoms(word[len(head) :])):
            return _ATOMS[head] + rest
    return ""


def _two(text: str, o_is: str) -> bool:
    parts = [part for part in re.split(r"[/&+,;\-]| und | and | et | y | e | en ", f" {text} ") if part.strip()]
    return len(parts) > 1 and all(_point(part, o_is) for part in parts)
