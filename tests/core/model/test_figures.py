"""Numbers, amounts, shares and days as people read them. Names of months: Unicode CLDR; the rest by arithmetic."""

from __future__ import annotations

from datetime import date

import pytest

from aftersun.model.figures import ENGLISH, Figures

GERMAN = Figures("de", ",", ".", "%d. %B %Y")


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (0.145, 2, "0.15"),  # by halves away from zero, though its binary number lies below
        (2.5, 0, "3"),
        (-2.5, 0, "-3"),
        (-0.4, 0, "0"),
        (1234567.891, 2, "1,234,567.89"),
        (1e30, 0, "1,000,000,000,000,000,000,000,000,000,000"),
        (float("nan"), 0, "–"),
        (float("inf"), 2, "–"),
    ],
)
def test_numbers_are_rounded_by_halves_and_grouped(value, decimals, text):
    assert ENGLISH.number(value, decimals) == text


def test_signs_and_zeros_are_written_only_where_asked_for():
    assert ENGLISH.number(12, sign=True) == "+12"
    assert ENGLISH.number(-12, sign=True) == "-12"
    assert ENGLISH.number(1.5, 2, spare=True) == "1.5"
    assert ENGLISH.number(1.5, 2) == "1.50"


def test_amounts_and_shares_take_the_marks_of_the_reader():
    assert ENGLISH.amount(1234.5, "EUR", 2) == "1,234.50 EUR"
    assert GERMAN.amount(1234.5, "EUR", 2) == "1.234,50 EUR"
    assert Figures(currency_first=True).amount(-1234, "EUR") == "-EUR 1,234"
    assert GERMAN.percent(0.1234, 1) == "12,3 %"
    assert ENGLISH.percent(-0.02, sign=True) == "-2 %"


def test_days_are_in_the_readers_language_whatever_the_machine_speaks():
    day = date(2026, 3, 7)
    assert ENGLISH.day(day) == "2026-03-07"
    assert GERMAN.day(day) == "07. März 2026"
    assert Figures("fr", date_format="%-d %B").day(day) == "7 mars"
    assert Figures("zz", date_format="%B").day(day) == "March"  # a language that nobody knows
