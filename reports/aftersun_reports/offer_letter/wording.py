"""The letter's sentences and figures in the language of its reader, with the company's language file on top."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterable, Sequence
from datetime import date
from functools import cache
from importlib.resources import files
from typing import Any

from aftersun import api

MINUS = "\u2212"
FIXED_SPACE = "\u00a0"  # a number is not parted from its unit
_ISOLATES = re.compile("[\u2066\u2069]")  # keep a piece together that reads from left to right
_FROM_THE_RIGHT = {"ar", "dv", "fa", "he", "ps", "ur", "yi"}  # languages written from right to left
_EXACT_BELOW = 1000.0  # numbers of this size and more are written without decimals
_DIGITS = 4  # that count, of smaller ones

# What stands in {braces}, and how it is written: {kwh}, {share:1%}, {titles: and }
_PLACEHOLDER = re.compile(r"\{(\w+)(?::([^{}]*))?\}")
_OPTIONAL = re.compile(r"\[([^\[\]]*)\]")
_OF_A_NUMBER = re.compile(r"(\+?)(~?)(\d?)(%?)")
# Marks that reorder or hide what follows them: a name could make a price read backwards. Arabic and Hebrew need none.
_UNSEEN = re.compile("[\u202a-\u202e\u2066-\u2069\u200e\u200f\ufeff]")
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029]")
_LONG = 30  # characters without a space that may be wider than a column
_PIECE = 5
_BREAK = "\u200b"  # zero-width space: a line may end here


class Figures:
    """Writes numbers as ``plain`` does. Amounts are in ``currency``.

    ``prices`` are all exact amounts of the letter: where none has a fraction, no decimals are written, as suits
    currencies without a smaller coin.
    """

    def __init__(self, plain: api.Figures, currency: str, prices: Iterable[float]) -> None:
        self._plain, self._currency = plain, currency
        self._isolated = plain.language in _FROM_THE_RIGHT
        self._decimals = 2 if any(abs(price - round(price)) >= 0.005 for price in prices) else 0

    def fixed(self, value: float, decimals: int = 0, *, sign: bool = False) -> str:
        """Return a number with so many decimals, halves rounded away from zero; ``sign`` writes a plus, too."""
        return self._typographic(self._plain.number(value, decimals, sign=sign))

    def number(self, value: float) -> str:
        """Return a number with the digits that count, no zeros at the end."""
        if not math.isfinite(value) or abs(value) >= _EXACT_BELOW or value == 0:
            return self.fixed(value)
        decimals = max(_DIGITS - 1 - math.floor(math.log10(abs(value))), 0)
        return self._typographic(self._plain.number(value, decimals, spare=True))

    def percent(self, share: float) -> str:
        """Return a share, 0..1, in percent."""
        return self.set(f"{self.number(share * 100)}{FIXED_SPACE}%")

    def exact(self, amount: float, mark: bool = True) -> str:
        """Return a price; ``mark`` = with its currency."""
        return self._amount(amount, self._decimals, mark)

    def rounded(self, amount: float, mark: bool = True) -> str:
        """Return an amount that was calculated, in whole units, in hundreds from 10,000 on."""
        return self._amount(api.for_reading(amount), 0, mark)

    def specified(self, value: float, how: str) -> str:
        """Return a number as a text asks for it.

        + writes a plus, too, ~ leaves out zeros at the end, a digit is the number of decimals, % makes a share percent.
        """
        sign, spare, decimals, percent = (_OF_A_NUMBER.fullmatch(how) or _OF_A_NUMBER.match("")).groups()  # type: ignore[union-attr]
        write = self._plain.percent if percent else self._plain.number
        return self._typographic(write(value, int(decimals or 0), sign=bool(sign), spare=bool(spare)))

    def set(self, text: str) -> str:
        """Return text that reads from left to right as one piece wherever it stands, such as a number with its unit."""
        return f"\u2066{_ISOLATES.sub('', text)}\u2069" if self._isolated else text

    def _amount(self, amount: float, decimals: int, mark: bool) -> str:
        if not mark:
            return self.fixed(amount, decimals)
        return self._typographic(self._plain.amount(amount, self._currency, decimals))

    def _typographic(self, text: str) -> str:
        """Return a figure with a true minus sign, which no line parts."""
        return self.set(text.replace("-", MINUS).replace(" ", FIXED_SPACE))

    def month(self, month: int) -> str:
        """Return the short name of a month, 1 to 12."""
        return self._plain.month(month, short=True)

    def day(self, day: date) -> str:
        """Return a date."""
        return self.set(self._plain.day(day).replace(" ", FIXED_SPACE))


class Words:
    """Texts by key and ``figures`` in a language, "" = the letterhead's, with the company's language file on top.

    What has no translation stays English, what is unknown here is unused. The company's words and marks are those of
    its own language: a letter in another one is written as is usual there.
    """

    def __init__(self, head: api.Letterhead, currency: str, prices: Iterable[float], language: str = "") -> None:
        own = language in ("", head.language)
        self.language = language or head.language
        self._texts = {**english(), **words_in(self.language), **(head.words if own else {})}
        plain = api.Figures.of(head) if own else api.Figures.usual(self.language, head.country)
        self.figures = Figures(plain, currency, prices)

    def __call__(self, key: str, **values: object) -> str:
        """Return the text with {placeholders} filled in, in one pass: braces within a value stay as they are.

        Plain replacement, not ``str.format``: a language file is data and may not reach into objects.
        """
        return _PLACEHOLDER.sub(lambda hit: str(values.get(hit[1], hit[0])), self._text(key))

    def counted(self, key: str, n: int, **values: object) -> str:
        """Return the singular or the plural."""
        return self(f"{key}_one" if n == 1 else f"{key}_many", n=n, **values)

    def say(self, fact: api.LetterFact) -> str:
        """Return a fact of the letter in words; [what stands in brackets] only where all that it needs is known."""
        key, values = fact.code, fact.values
        if self.has(f"{key}_one"):
            key += "_one" if values.get("n") == 1 else "_many"
        if not self.has(key):  # of a later program than the words
            return breakable(fact.code.partition("_")[2].removesuffix("_kwh").replace("_", " "))

        def if_known(hit: re.Match[str]) -> str:
            return hit[1] if all(name in values for name, _ in _PLACEHOLDER.findall(hit[1])) else ""

        def value(hit: re.Match[str]) -> str:
            return self._value(values[hit[1]], hit[2] or "") if hit[1] in values else hit[0]

        return _PLACEHOLDER.sub(value, _OPTIONAL.sub(if_known, self._text(key))).lstrip(", ")

    def _value(self, value: Any, how: str) -> str:
        if isinstance(value, tuple):
            return self.listed(value, how or ", ")
        if isinstance(value, api.LetterFact):
            return self.say(value).lower() if how == "lower" else self.say(value)
        if isinstance(value, str):
            return self.figures.day(date.fromisoformat(value)) if how == "day" else self.text(value)
        return self.figures.specified(value, how)

    def text(self, text: str) -> str:
        """Return a text that came with the data in the letter's language, ready to be set; in English if it must be.

        Several with "; " between them are looked up one by one, and so is what stands behind a title and a colon.
        """
        return breakable(self._translated(text) or text)

    def note(self, text: str) -> str:
        """Return a safety note in the letter's language; one without a translation stays English and says so."""
        return self.text(text) if self.knows(text) else f"{self('note_in_english')} {breakable(text)}"

    def knows(self, text: str) -> bool:
        """Tell whether a text that came with the data can be said in the letter's language."""
        return self.language == "en" or not text.strip() or bool(self._translated(text))

    def _translated(self, text: str) -> str:
        """Return the translation of a text, or of the parts that it was put together from; "" if one has none."""
        if whole := api.translated(text, self.language):
            return whole
        for between in ("; ", ": "):
            parts = text.split(between)
            for length in range(len(parts) - 1, 0, -1):
                first = api.translated(between.join(parts[:length]), self.language)
                rest = self._translated(between.join(parts[length:])) if first else ""
                if first and rest:
                    return first + between + rest
        return ""

    def listed(self, values: Sequence[api.LetterFact | str], between: str) -> str:
        """Return several facts or texts with something between them."""
        return between.join(self._value(value, "") for value in values)

    def title(self, letter: api.Letter, option: api.LetterOption) -> str:
        """Return the title of an option: what is offered in it, or that nothing is to be done."""
        if not option.offer:
            return self("nothing_more_title" if letter.dangers else "nothing_title")
        return self.say(api.LetterFact("option_title", {"parts": tuple(part.title for part in option.parts)}))

    def with_unit(self, low: float, high: float | None, unit: str) -> str:
        """Return a number, or a range of two, with its unit in words; shares and chances in percent."""
        in_percent = unit == "chance" or unit.startswith("share")
        scale = 100.0 if in_percent else 1.0
        key = "unit_" + re.sub(r"[^a-z0-9]+", "_", unit.lower())
        if high is None and low * scale == 1 and self.has(f"{key}_one"):
            name = self(f"{key}_one")
        elif self.has(key):
            name = self(key)
        else:
            name = self.text(unit.replace("share", "%", 1) if in_percent else unit)
        text = self.figures.number(low * scale)
        if high is not None:
            text = self("up_to", low=text, high=self.figures.number(high * scale))
        return self.figures.set(f"{text}{FIXED_SPACE}{name}") if name else text

    def chance(self, share: float) -> str:
        """Return a chance in whole percent; one near 0 or 1 is never written as certain."""
        if share > 0.99:
            return self("chance_over", percent=self.figures.percent(0.99))
        if share < 0.01:
            return self("chance_under", percent=self.figures.percent(0.01))
        return self.figures.specified(share, "0%")

    def letters(self, options: int) -> list[str]:
        """Return the letter of each option; numbers go on where the language's letters end."""
        given = self._texts["option_letters"].strip()
        return [given[index] if index < len(given) else str(index + 1) for index in range(options)]

    def has(self, key: str) -> bool:
        """Tell whether there is such a text."""
        return key in self._texts

    def _text(self, key: str) -> str:
        return clean(self._texts[key]).replace(" %", f"{FIXED_SPACE}%")


def english() -> dict[str, str]:
    """Return the English texts by key."""
    return words_in("en")


@cache
def words_in(language: str) -> dict[str, str]:
    """Return the texts of a language by key; none of a language that is not among those that letters are written in."""
    if language not in api.LETTER_LANGUAGES:
        return {}
    file = files("aftersun_reports.offer_letter").joinpath("words", f"{language}.toml")
    return {key: str(value) for key, value in tomllib.loads(file.read_text(encoding="utf-8")).items()}


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
