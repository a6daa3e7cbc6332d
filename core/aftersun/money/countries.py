"""What a company begins with in its own country: tax, price level, language, rules, each with its day and source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache

import aftersun_datasets
from aftersun.model.errors import AftersunError

FROM_MEMORY = "from memory, check"  # stands in the company file until somebody has looked and taken it away


@dataclass(frozen=True)
class Said:
    """One thing that is known of a country: a value or a sentence, the day it is of and where it was read."""

    value: str  # "" where the meaning says it all
    day: str  # as year-month-day
    source: str  # a citation, or FROM_MEMORY
    meaning: str  # in plain words


REDUCED = "reduced"  # of a tax: another rate for some work; the other kind is reverse charge


@dataclass(frozen=True)
class OtherTax:
    """A rate of sales tax beside the standard one, or reverse charge, with the days that it holds between."""

    kind: str  # REDUCED or "reverse charge"
    rate: float  # share of the price before tax
    from_day: date | None  # None = not known, or always
    until_day: date | None  # the last day; None = no end is known
    source: str
    day: str  # that the source is of
    meaning: str  # what it holds for

    def holds(self, day: date) -> bool:
        """Tell whether it holds on a day, as far as is known."""
        begun = self.from_day is None or self.from_day <= day
        return begun and (self.until_day is None or day <= self.until_day)


@dataclass(frozen=True)
class Country:
    """A country that a company file can be begun for, by its two letters of ISO 3166-1."""

    code: str
    said: Mapping[str, Said]
    taxes: tuple[OtherTax, ...] = ()

    @property
    def level(self) -> Mapping[str, float]:
        """Own currency for each GBP of the price book: of labour and hired equipment, and of goods."""
        return {name: float(self.said[f"{name}_level"].value) for name in ("labour", "goods")}


@cache
def countries() -> Mapping[str, Country]:
    """Return the countries that there is a start for, by code, from ``countries.csv`` and ``country_taxes.csv``."""
    found: dict[str, dict[str, Said]] = {}
    for row in aftersun_datasets.rows("countries.csv"):
        said = Said(row["value"], row["day"], row["source"], row["meaning"])
        found.setdefault(row["country"], {})[row["name"]] = said
    taxes: dict[str, list[OtherTax]] = {}
    for row in aftersun_datasets.rows("country_taxes.csv"):
        begins, ends = (date.fromisoformat(row[name]) if row[name] else None for name in ("from_day", "until_day"))
        tax = OtherTax(row["kind"], float(row["rate"]), begins, ends, row["source"], row["day"], row["meaning"])
        taxes.setdefault(row["country"], []).append(tax)
    return {code: Country(code, said, tuple(taxes.get(code, ()))) for code, said in found.items()}


def country_of(code: str) -> Country:
    """Return a country by its two letters.

    Raises
    ------
    AftersunError
        If there is no start for it; the hint says for which there is one.
    """
    if code.upper() not in countries():
        raise AftersunError(
            f"There is no start for the country '{code}'.",
            f"There is one for {', '.join(countries())}; without a country the file is written for any.",
        )
    return countries()[code.upper()]


def usual_tariffs(country: Country) -> dict[str, list[dict[str, str]]]:
    """Return a usual household contract as rows of the tables tariff and tariff_period, as they are loaded."""
    mine = {
        table: [row for row in aftersun_datasets.rows(f"country_{table}s.csv") if row["country"] == country.code]
        for table in ("tariff", "tariff_period")
    }
    apart = ("country", "export_rule", "export_rule_until", "export_rule_after", "source", "meaning")
    return {
        table: [{name: value for name, value in row.items() if name not in apart} for row in rows]
        for table, rows in mine.items()
    }
