"""How numbers, amounts of money, shares and days are written for people: the one place where they become text.

Nothing that is stored or computed passes through here.
"""

from __future__ import annotations

import math
import re
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_UP, Decimal, localcontext

from babel import Locale, UnknownLocaleError
from babel.dates import format_date
from babel.numbers import format_decimal

from aftersun.model.output import Letterhead

NOT_A_NUMBER = "–"
LETTER_LANGUAGES = ("en", "de", "fr", "es", "it", "nl", "pt", "pl")  # of ISO 639-1, that letters are written in
_IN_HUNDREDS_FROM = 10_000.0  # more digits would feign knowledge
_EVERY_DIGIT = 400  # no float has more before and a few after the decimal mark


def for_reading(amount: float) -> float:
    """Return an amount that was computed as people read it: hundreds from 10,000 on. A price stays as it is."""
    return round(amount, -2) if abs(amount) >= _IN_HUNDREDS_FROM else amount


@dataclass(frozen=True)
class Figures:
    """Writes figures for one reader: in plain English, or as a company's letterhead asks for.

    ``date_format`` is as strftime takes it; names of months are those of ``language``, not of the machine's settings.
    ``usual`` gives what is usual in a language, as the Unicode locale data have it.
    """

    language: str = "en"  # two-letter code of ISO 639-1
    decimal_mark: str = "."  # before decimals
    thousands_mark: str = ","  # between groups of three digits
    date_format: str = "%Y-%m-%d"  # as strftime takes it; "" = as is usual in the language and country
    currency_first: bool = False  # currency before the number
    country: str = ""  # two letters of ISO 3166-1; "" = the language's first

    @classmethod
    def of(cls, head: Letterhead) -> Figures:
        """Return how the company of a letterhead writes."""
        return cls(
            head.language, head.decimal_mark, head.thousands_mark, head.date_format, head.currency_first, head.country
        )

    @classmethod
    def usual(cls, language: str, country: str = "") -> Figures:
        """Return how a language writes, in a country where that is known; in English of Great Britain otherwise."""
        locale = _locale(language, country)
        symbols = locale.number_symbols["latn"]
        first = locale.currency_formats["standard"].pattern.startswith("¤") and language != "en"
        return cls(language, str(symbols["decimal"]), str(symbols["group"]), "", first, country)

    def number(self, value: float, decimals: int = 0, *, sign: bool = False, spare: bool = False) -> str:
        """Return a number with so many decimals, halves rounded away from zero.

        ``sign`` writes a plus, too; ``spare`` leaves out zeros at the end of the decimals.
        """
        if not math.isfinite(value):
            return NOT_A_NUMBER
        digits = "#,##0" + ("." + ("#" if spare else "0") * decimals if decimals else "")
        with localcontext(prec=_EVERY_DIGIT, rounding=ROUND_HALF_UP):
            # through repr: 0.145 is meant as it is written, not as the binary number a little below it
            text = str(format_decimal(abs(Decimal(repr(float(value)))), format=digits, locale="en"))
        minus = value < 0 and text.strip("0.,") != ""  # never -0
        marks = str.maketrans({",": self.thousands_mark, ".": self.decimal_mark})
        return ("-" if minus else "+" if sign else "") + text.translate(marks)

    def amount(self, value: float, currency: str, decimals: int = 0, *, sign: bool = False) -> str:
        """Return an amount of money, in whole units unless more decimals are asked for."""
        text = self.number(value, decimals, sign=sign)
        if not self.currency_first or text == NOT_A_NUMBER:
            return f"{text} {currency}"
        return f"{text[0]}{currency} {text[1:]}" if text[0] in "+-" else f"{currency} {text}"

    def percent(self, share: float, decimals: int = 0, *, sign: bool = False, spare: bool = False) -> str:
        """Return a share, 0..1, in percent."""
        return f"{self.number(100 * share, decimals, sign=sign, spare=spare)} %"

    def day(self, day: date) -> str:
        """Return a date."""
        if not self.date_format:
            return str(format_date(day, "long", locale=_locale(self.language, self.country)))
        names = {"B": self.month(day.month), "b": self.month(day.month, short=True)}
        pattern = re.sub("%([Bb])", lambda hit: names[hit[1]].replace("%", "%%"), self.date_format)
        return day.strftime(pattern)

    def month(self, month: int, *, short: bool = False) -> str:
        """Return the name of a month, 1 to 12; in English where the language is unknown."""
        locale = _locale(self.language, self.country)
        # ``format``: as within a date, which many languages inflect; short ones stand alone, below a chart
        return str(locale.months["stand-alone" if short else "format"]["abbreviated" if short else "wide"][month])


def _locale(language: str, country: str) -> Locale:
    """Return the customs of a language in a country; of the language alone, or of English, where they are not known."""
    for name in (f"{language}_{country}" if country else "", "en_GB" if language == "en" else language):
        with suppress(UnknownLocaleError, ValueError):
            return Locale.parse(name)
    return Locale("en", "GB")


ENGLISH = Figures()  # how a reader in plain English has figures
