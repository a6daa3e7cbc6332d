"""Reads yes and no, choices by their synonyms, texts and positions."""

from __future__ import annotations

import re
from collections.abc import Sequence

from rapidfuzz import fuzz, process

from aftersun.inventory.office_list.grid import shown
from aftersun.inventory.office_list.reading import NOTHING, Read, says_nothing
from aftersun.inventory.office_list.vocabulary import plain, words
from aftersun.inventory.store import dictionary

_NEAR = 90  # of 100: a choice written so nearly alike is meant (assumption)
_LEAST_LETTERS = 5  # of a word that is matched nearly
_LONGEST_BLANK = 12  # characters of a text that is none, such as a dash
_LONGEST = 10_000  # characters, as the dictionary's rules
_PART = re.compile(
    r"\s*(?P<front>[NSEWO])?\s*(?P<deg>[+-]?[0-9]{1,3}(?:[.,][0-9]+)?)(?:e0)?\s*(?:[°º]\s*(?:(?P<min>[0-9]{1,2}(?:[.,][0-9]+)?)\s*['’′]\s*"
    r"(?:(?P<sec>[0-9]{1,2}(?:[.,][0-9]+)?)\s*(?:[\"”″]|''))?)?)?\s*(?P<side>[NSEWO])?\s*$",
    re.IGNORECASE,
)


def yes_or_no(texts: Sequence[str]) -> list[Read]:
    """Return distinct cells as yes or no."""
    known = words("boolean")
    return [_yes_or_no(text, known.get(plain(text) or text.strip(), "")) for text in texts]


def _yes_or_no(text: str, value: str) -> Read:
    if value:
        return Read(value)
    return NOTHING if says_nothing(text) else Read(cause="not_yes_no")


def choices(column: dictionary.Column, texts: Sequence[str]) -> list[Read]:
    """Return distinct cells as one of the column's choices: by synonym, by near spelling, by the words they hold."""
    known = {**words(f"{column.table}.{column.name}"), **{plain(choice): choice for choice in column.choices}}
    return [_choice(known, text) for text in texts]


def _choice(known: dict[str, str], text: str) -> Read:
    said = plain(text)
    if said in known:
        value = known[said]
        return Read(value, marks=() if said == plain(value) else ("choices",))
    if says_nothing(text):
        return NOTHING
    if len(said) >= _LEAST_LETTERS:
        near = process.extract(said, list(known), scorer=fuzz.ratio, score_cutoff=_NEAR, limit=5)
        values = {known[word] for word, score, _ in near}
        if len(values) == 1:
            return Read(values.pop(), marks=("choices",))
    held = [word for word in known if f" {word} " in f" {said} "]
    longest = [word for word in held if not any(word != other and f" {word} " in f" {other} " for other in held)]
    values = {known[word] for word in longest}
    if len(values) == 1 and not _denies(said):
        return Read(values.pop(), marks=("choices",))
    return Read(cause="several_choices" if len(values) > 1 else "no_choice")


def _denies(said: str) -> bool:
    return bool(
        {"no", "not", "kein", "keine", "nicht", "pas", "sin", "senza", "niet", "geen", "sem", "ohne", "or"}
        & set(said.split())
    )


def texts_of(cells: Sequence[str]) -> list[Read]:
    """Return distinct cells as texts, without blanks around them."""
    return [_text(shown(text.strip())) for text in cells]


def _text(text: str) -> Read:
    if len(text) <= _LONGEST_BLANK and says_nothing(text, word_too=False):
        return NOTHING
    return Read(cause="too_long") if len(text) > _LONGEST or "\0" in text else Read(" ".join(text.split()))


def degrees(column: dictionary.Column, texts: Sequence[str]) -> list[Read]:
    """Return distinct cells as latitude or longitude: decimal degrees, or degrees, minutes and seconds with a side."""
    return [NOTHING if says_nothing(text) else angle(column, text) for text in texts]


def angle(column: dictionary.Column, text: str) -> Read:
    """Return a cell as latitude or longitude."""
    match = _PART.match(text)
    if not match:
        return Read(cause="no_position")
    value = _number(match["deg"])
    value += (1 if value >= 0 else -1) * (_number(match["min"]) / 60 + _number(match["sec"]) / 3600)
    side = (match["side"] or match["front"] or "").upper()
    allowed = "NS" if column.name == "latitude" else "EWO"
    if side and (side not in allowed or value < 0):
        return Read(cause="no_position")
    if side == "O":
        return Read(cause="east_or_west")
    value = -value if side in ("S", "W") else value
    low, high = column.minimum or 0, column.maximum or 0
    return Read(f"{value:.10g}") if low <= value <= high else Read(cause="beyond_limits")


def _number(text: str | None) -> float:
    return float((text or "0").replace(",", "."))
