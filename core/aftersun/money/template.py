"""Writes a new company file: every item with its unit, usual range, source and price date as a remark."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from string import Template

import aftersun_datasets
from aftersun.model.change import (
    ACCESS,
    AVOIDED_KINDS,
    INCOME,
    INSPECTION,
    LABOUR,
    MATERIAL,
    OWN_WORK,
    STANDING,
    PriceItem,
)
from aftersun.model.codes import CostKind
from aftersun.model.errors import AftersunError
from aftersun.model.figures import ENGLISH
from aftersun.money.countries import REDUCED, Country, OtherTax

TRAVEL = CostKind.TRAVEL  # kind of the price items that describe the way to a site; no cost line has it

_WIDTH = 100
_GOODS = (MATERIAL, TRAVEL)
# what is said of a country, by the place of the template where it stands
_SAID: Mapping[str, tuple[str, ...]] = {
    "said_of_country": ("labour_level", "goods_level", "contact_rule", "wind_code"),
    "said_of_tax": ("reduced_tax",),
    "said_of_language": ("language",),
}
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")

# section of the template and, but for equipment and travel, of the company file that an item stands in, by its kind
SECTIONS: Mapping[str, str] = {
    LABOUR: "work",
    ACCESS: "equipment",
    TRAVEL: "travel",
    MATERIAL: "materials",
    INSPECTION: "inspections",
    STANDING: "yearly",
    OWN_WORK: "yearly",
    **dict.fromkeys(AVOIDED_KINDS, "avoided"),
    INCOME: "income",
}


def company_template(price_rows: Sequence[Mapping[str, str]], country: Country | None = None) -> str:
    """Return the text of a new company file, from ``company_template.toml``.

    It loads once the company's name, currency and base position are filled in; of a ``country`` the currency is known,
    and its tax, price level and language are put in.

    Parameters
    ----------
    price_rows
        Rows of ``price_items.csv`` and of the same files of plugins: key, kind, unit, low, mode, high,
        price_date, source, meaning. An item may come more than once; the first is taken.

    Raises
    ------
    AftersunError
        If a row has an unknown kind or a key that cannot stand in the file as it is.
    """
    items: dict[str, dict[str, Mapping[str, str]]] = {section: {} for section in SECTIONS.values()}
    for row in price_rows:
        if row["kind"] not in SECTIONS or not _BARE_KEY.fullmatch(row["key"]):
            raise AftersunError(
                f"The price item '{row['key']}' of kind '{row['kind']}' cannot go into a company file.",
                f"A key has letters, digits and underscores only; kinds are {', '.join(sorted(SECTIONS))}.",
            )
        items[SECTIONS[row["kind"]]].setdefault(row["key"], _at_level(row, country))
    settings = [_taxed(row, country) for row in aftersun_datasets.rows("money.csv")]
    blocks = {section: _block(rows.values()) for section, rows in items.items()}
    for section in ("money", "access", "pv_system", "month", "calls"):
        blocks[section] = _block(row for row in settings if row["section"] == section)
    oldest = min((row["price_date"] for row in price_rows if "price_date" in row), default="2025-01-01")
    page = aftersun_datasets.path("company_template.toml").read_text(encoding="utf-8")
    if country is not None:  # its currency is known
        page = page.replace("FILL IN: three capital letters", "Three capital letters")
    text = Template(page)
    return text.substitute(
        blocks,
        price_date=oldest,
        currency=country.said["currency"].value if country else "XXX",
        country=country.code if country else "",
        language=country.said["language"].value if country else ENGLISH.language,
        **{name: _remarks(country, names) for name, names in _SAID.items()},
    )


def _remarks(country: Country | None, names: Sequence[str]) -> str:
    """Return what is said of a country as remarks, each followed by a line end; "" without a country."""
    lines: list[str] = []
    if country is None:
        return ""
    known = [country.said[name] for name in names if name in country.said]
    told = [(said.meaning, said.source, said.day) for said in known]
    if "reduced_tax" in names:
        told += [(_tax_said(tax), tax.source, tax.day) for tax in country.taxes]
    for meaning, source, day in told:
        lines += textwrap.wrap(f"{meaning} ({source}; {day})", _WIDTH, subsequent_indent="  ")
    return "".join(f"# {line}\n" for line in lines)


def _tax_said(tax: OtherTax) -> str:
    """Return for what a rate or reverse charge holds and when, such as "5 % from 2027-04-01: work on homes"."""
    what = f"{100 * tax.rate:g} %" if tax.kind == REDUCED else "Reverse charge"
    days = (("from", tax.from_day), ("until", tax.until_day))
    return what + "".join(f" {word} {day}" for word, day in days if day) + f": {tax.meaning}"


def _at_level(row: Mapping[str, str], country: Country | None) -> Mapping[str, str]:
    """Return a price item at the level of a country; it says by how much that lies from the book's."""
    if country is None or not row["unit"].startswith("per ") or "price level" not in row["source"]:
        return row
    level = country.level["goods" if row["kind"] in _GOODS else "labour"]
    figures = {name: f"{float(f'{float(row[name]) * level:.2g}'):g}" for name in ("low", "mode", "high")}
    source = row["source"].replace("price level GBP", f"{level:g} times the price level GBP", 1)
    return {**row, **figures, "source": source}


def _taxed(row: Mapping[str, str], country: Country | None) -> Mapping[str, str]:
    """Return a setting, with the country's rate where it is that of sales tax."""
    if country is None or row["name"] != "sales_tax_rate":
        return row
    said = country.said["sales_tax_rate"]
    return {**row, "mode": said.value, "source": f"{said.source}; {said.day}", "meaning": said.meaning}


def price_row(item: PriceItem) -> dict[str, str]:
    """Return a price item that a retrofit brings as a row of ``price_items.csv``."""
    usual = item.usual
    ends = {end: f"{getattr(usual, end):.12g}" for end in ("low", "mode", "high")}
    told = {"unit": usual.unit, "source": usual.source, "meaning": usual.meaning or item.key.replace("_", " ")}
    return {"key": item.key, "kind": item.kind, **ends, **told}


def _block(rows: Iterable[Mapping[str, str]]) -> str:
    return "\n".join(_entry(row) for row in rows) or "# none yet"


def _entry(row: Mapping[str, str]) -> str:
    """Return the remark and the line of one item, of a price item or of a setting."""
    dated = f" (price of {row['price_date']})" if "price_date" in row else ""
    parts = (row["meaning"], f"{row['unit']}; usually {row['low']} to {row['high']}{dated}; {row['source']}")
    remark = [line for part in parts for line in textwrap.wrap(part, _WIDTH, subsequent_indent="  ")]
    line = f"{row.get('key') or row['name']} = {float(row['mode']):.12g}"
    return "\n".join([*(f"# {text}" for text in remark), line])
