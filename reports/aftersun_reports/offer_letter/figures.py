"""Numbers, amounts and dates in the company's marks."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import date

from aftersun import api
from aftersun_reports.offer_letter.wording import Words, breakable

MINUS = "\u2212"
FIXED_SPACE = "\u00a0"  # a number is not parted from its unit
_ISOLATES = re.compile("[\u2066\u2069]")  # keep a piece together that reads from left to right
_FROM_THE_RIGHT = {"ar", "dv", "fa", "he", "ps", "ur", "yi"}  # languages written from right to left
_EXACT_BELOW = 1000.0  # numbers of this size and more are written without decimals
_DIGITS = 4  # that count, of smaller ones


class Figures:
    """Writes numbers as the letterhead asks for. Amounts are in ``currency``.

    ``prices`` are all exact amounts of the letter: where none has a fraction, no decimals are written, as suits
    currencies without a smaller coin.
    """

    def __init__(self, head: api.Letterhead, words: Words, currency: str, prices: Iterable[float]) -> None:
        self._plain, self._words, self._currency = api.Figures.of(head), words, currency
        self._isolated = head.language in _FROM_THE_RIGHT
        self._decimals = 2 if any(abs(price - round(price)) >= 0.005 for price in prices) else 0

    def fixed(self, value: float, decimals: int) -> str:
        """Return a number with so many decimals, halves rounded away from zero."""
        return self._set(_typographic(self._plain.number(value, decimals)))

    def signed(self, value: float) -> str:
        """Return a whole number with its sign, plus or minus."""
        text = self.fixed(abs(value), 0)
        return self._set(f"{MINUS if value < 0 else '+'}{text}")

    def number(self, value: float) -> str:
        """Return a number with the digits that count, no zeros at the end."""
        if not math.isfinite(value) or abs(value) >= _EXACT_BELOW or value == 0:
            return self.fixed(value, 0)
        decimals = max(_DIGITS - 1 - math.floor(math.log10(abs(value))), 0)
        return self._set(_typographic(self._plain.number(value, decimals, spare=True)))

    def percent(self, share: float) -> str:
        """Return a share, 0..1, in percent."""
        return self._set(f"{self.number(share * 100)}{FIXED_SPACE}%")

    def with_unit(self, low: float, high: float | None, unit: str) -> str:
        """Return a number, or a range of two, with its unit in words; shares and chances in percent."""
        in_percent = unit == "chance" or unit.startswith("share")
        scale = 100.0 if in_percent else 1.0
        key = "unit_" + re.sub(r"[^a-z0-9]+", "_", unit.lower())
        if high is None and low * scale == 1 and self._words.has(f"{key}_one"):
            name = self._words(f"{key}_one")
        elif self._words.has(key):
            name = self._words(key)
        else:
            name = breakable(unit.replace("share", "%", 1) if in_percent else unit)
        text = self.number(low * scale)
        if high is not None:
            text = self._words("up_to", low=text, high=self.number(high * scale))
        return self._set(f"{text}{FIXED_SPACE}{name}") if name else text

    def exact(self, amount: float, mark: bool = True) -> str:
        """Return a price."""
        return self._amount(self.fixed(amount, self._decimals), mark)

    def rounded(self, amount: float, mark: bool = True) -> str:
        """Return an amount that was calculated, in whole units: more digits would feign knowledge."""
        return self._amount(self.fixed(amount, 0), mark)

    def _set(self, text: str) -> str:
        """Return text that reads from left to right as one piece wherever it stands, such as a number with its unit."""
        return f"\u2066{_ISOLATES.sub('', text)}\u2069" if self._isolated else text

    def _amount(self, text: str, mark: bool) -> str:
        if not mark or text == "–":
            return text
        if not self._plain.currency_first:
            return self._set(f"{text}{FIXED_SPACE}{self._currency}")
        sign = MINUS if MINUS in text else ""
        return self._set(f"{sign}{self._currency}{FIXED_SPACE}{text.replace(MINUS, '')}")

    def chance(self, share: float) -> str:
        """Return a chance in whole percent; one near 0 or 1 is never written as certain."""
        if share > 0.99:
            return self._words("chance_over", percent=self.percent(0.99))
        if share < 0.01:
            return self._words("chance_under", percent=self.percent(0.01))
        return self._set(f"{self.fixed(share * 100, 0)}{FIXED_SPACE}%")

    def month(self, month: int) -> str:
        """Return the short name of a month, 1 to 12."""
        return self._plain.month(month, short=True)

    def day(self, day: date) -> str:
        """Return a date."""
        return self._set(self._plain.day(day).replace(" ", FIXED_SPACE))


def _typographic(text: str) -> str:
    """Return a figure with a true minus sign, which no line parts."""
    return text.replace("-", MINUS).replace(" ", FIXED_SPACE)
