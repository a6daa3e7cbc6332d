"""What a company begins with in its own country: tax, price level, language, rules, each with its day and source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
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


@dataclass(frozen=True)
class Country:
    """A country that a company file can be begun for, by its two letters of ISO 3166-1."""

    code: str
    said: Mapping[str, Said]

    @property
    def level(self) -> Mapping[str, float]:
        """Own currency for each GBP of the price book: of labour and hired equipment, and of goods."""
        return {name: float(self.said[f"{name}_level"].value) for name in ("labour", "goods")}


@cache
def countries() -> Mapping[str, Country]:
    """Return the countries that there is a start for, by code, from ``countries.csv``."""
    found: dict[str, dict[str, Said]] = {}
    for row in aftersun_datasets.rows("countries.csv"):
        said = Said(row["value"], row["day"], row["source"], row["meaning"])
        found.setdefault(row["country"], {})[row["name"]] = said
    return {code: Country(code, said) for code, said in found.items()}


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
