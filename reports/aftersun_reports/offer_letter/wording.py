"""Sentences by key: the English ones of the package with the company's language file on top, and harmless text."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files

_PLACEHOLDER = re.compile(r"\{(\w+)\}")
# Marks that reorder or hide what follows them: a name could make a price read backwards. Arabic and Hebrew need none.
_UNSEEN = re.compile("[\u202a-\u202e\u2066-\u2069\u200e\u200f\ufeff]")
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029]")
_LONG = 30  # characters without a space that may be wider than a column
_PIECE = 5
_BREAK = "\u200b"  # zero-width space: a line may end here


class Words:
    """Texts by key. ``own`` replaces the English ones: what it lacks stays English, what is unknown here is unused."""

    def __init__(self, own: Mapping[str, str]) -> None:
        self._texts = {**english(), **own}

    def __call__(self, key: str, **values: object) -> str:
        """Return the text with {placeholders} filled in, in one pass: braces within a value stay as they are.

        Plain replacement, not ``str.format``: a language file is data and may not reach into objects.
        """
        text = clean(self._texts[key]).replace(" %", "\u00a0%")
        return _PLACEHOLDER.sub(lambda hit: str(values.get(hit[1], hit[0])), text)

    def counted(self, key: str, n: int, **values: object) -> str:
        """Return the singular or the plural."""
        return self(f"{key}_one" if n == 1 else f"{key}_many", n=n, **values)

    def letters(self, options: int) -> list[str]:
        """Return the letter of each option; numbers go on where the language's letters end."""
        given = self._texts["option_letters"].strip()
        return [given[index] if index < len(given) else str(index + 1) for index in range(options)]

    def has(self, key: str) -> bool:
        """Tell whether there is such a text."""
        return key in self._texts


@lru_cache(maxsize=1)
def english() -> dict[str, str]:
    """Return the English texts by key."""
    text = files("aftersun_reports.offer_letter").joinpath("words.toml").read_text(encoding="utf-8")
    return {key: str(value) for key, value in tomllib.loads(text).items()}


def clean(text: str) -> str:
    """Return text that can be set: no control characters, no marks of direction, nothing that Unicode cannot write."""
    written = text.encode("utf-8", "replace").decode("utf-8").replace("\r\n", "\n").replace("\t", " ")
    return _CONTROL.sub(" ", _UNSEEN.sub("", written)).strip()


def breakable(text: str) -> str:
    """Return cleaned text whose overlong words may break anywhere, so that none leaves its column.

    A percent sign stays with its number.
    """
    words = re.sub(r"(?<=\d) (?=%)", "\u00a0", clean(text)).split(" ")
    return " ".join(_in_pieces(word) if len(word) > _LONG else word for word in words)


def _in_pieces(word: str) -> str:
    return _BREAK.join(word[start : start + _PIECE] for start in range(0, len(word), _PIECE))


def sentence(text: str) -> str:
    """Return text with a full stop, unless it ends in a mark already."""
    text = text.strip()
    return text if not text or text[-1] in ".!?:;。" else f"{text}."


def file_stem(number: str, version: int) -> str:
    """Return a file name without its ending, of letters, digits, underscores and hyphens alone."""
    plain = re.sub(r"[^A-Za-z0-9_]+", "-", number).strip("-_")[:60]
    return f"{plain or 'letter'}-v{version}"
