"""What a company file still lacks though it can be used: whom to phone, where the company is, its own prices."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import date
from types import MappingProxyType
from typing import Any, NamedTuple

import aftersun_datasets
from aftersun.model.toml_file import parse_toml
from aftersun.money.company import Company
from aftersun.money.countries import FROM_MEMORY, REDUCED, countries
from aftersun.money.template import company_template

_LEAST_DIGITS = 5  # of a telephone number
_PRICED = ("work", "access.cost_per_visit", "materials")  # what most of a price is made of


class Missing(NamedTuple):
    """One thing that is missing: a code, and what its sentence needs."""

    code: str
    figures: Mapping[str, Any] = MappingProxyType({})


def still_missing(company: Company, text: str, today: date) -> list[Missing]:
    """Return what a company file lacks before letters leave the office; ``text`` is the file's own."""
    return [*_letterhead(company), *_prices(company), *_tax(company, today), *_to_check(text)]


def _letterhead(company: Company) -> Iterator[Missing]:
    if not any(len(re.findall(r"\d", line)) >= _LEAST_DIGITS for line in company.letter.contact):
        yield Missing("no_phone")
    if not company.letter.address:
        yield Missing("no_address")


def _prices(company: Company) -> Iterator[Missing]:
    """Yield the sections whose prices are all as the file of this country began with."""
    country = countries().get(company.identity.country)
    begun = parse_toml(company_template(aftersun_datasets.rows("price_items.csv"), country).encode())
    own = company.model_dump(by_alias=True)
    for section in _PRICED:
        first, now = begun, own
        for part in section.split("."):
            first, now = first[part], now[part]
        if first == now:
            yield Missing("start_prices", {"section": section})


def _tax(company: Company, today: date) -> Iterator[Missing]:
    """Yield the rate of sales tax where it is a reduced one of the country that does not hold today."""
    country = countries().get(company.identity.country)
    rate = company.money.sales_tax_rate
    if country is None or rate == float(country.said["sales_tax_rate"].value):
        return
    same = [tax for tax in country.taxes if tax.kind == REDUCED and tax.rate == rate]
    if same and not any(tax.holds(today) for tax in same):
        last = same[-1]
        if last.until_day and last.until_day < today:
            yield Missing("tax_over", {"rate": 100 * rate, "day": last.until_day, "source": last.source})
        else:
            yield Missing("tax_not_begun", {"rate": 100 * rate, "day": last.from_day, "source": last.source})


def _to_check(text: str) -> Iterator[Missing]:
    """Yield the remarks of the file that say that something stands there from memory."""
    remark: list[str] = []
    for number, line in enumerate([*text.splitlines(), ""], start=1):
        if line.startswith("#") and (not remark or line.startswith("#   ")):
            remark.append(line.lstrip("# "))
            continue
        if FROM_MEMORY in (whole := " ".join(remark)):
            yield Missing("from_memory", {"line": number - len(remark), "text": whole})
        remark = [line.lstrip("# ")] if line.startswith("#") else []
