"""Writes the demo's company file: the template filled in for an invented company, with invented prices.

``python datasets/build/build_demo_company.py`` writes the demo's ``company.toml``; run it
again whenever ``price_items.csv`` or the template changes. A price is the mode of its range times a factor
between 0.9 and 1.15 that depends on its key alone, so that a new item leaves the others as they are.
"""

from __future__ import annotations

import random
import re
from pathlib import Path

import aftersun_datasets
from aftersun.money.template import TRAVEL, company_template

FILE = Path(__file__).parents[1] / "aftersun_datasets" / "demo" / "company.toml"

HEADER = """\
# INVENTED DEMO DATA: this company does not exist, and neither do its prices, tariffs, customers and sites.
# The remark above a figure tells what it is and the range it was invented in; the figure has no other source.

"""
# An example of a company's own figure, which decides on every coating and is named there.
OVERRIDES = """
[system]
rain_threshold_mm = {value = 15, who = "workshop", why = "invented: lighter rain left the quarry dust"}
"""
SETTINGS = {
    "name": '"Larkmoor Roofs & Light (invented)"',
    "currency": '"EUR"',
    "price_date": "2026-05-01",
    "base_latitude": "36.12",
    "base_longitude": "-79.98",
    "real_discount_rate": "0.03",
    "horizon_years": "20",
    "sales_tax_rate": "0.19",
}


# What its two crews have in a month, in place of the template's examples.
MONTH = {
    "# electrician = 120": "electrician = 90\nhelper = 110\nplumber = 12\nroofer = 5",
    "# scaffold = 8": "scaffold = 4\ntower = 6",
}

# How it writes.
LETTER = {
    "address = []": 'address = ["Slate Lane 3", "LK 1 Larkmoor (invented)"]',
    "contact = []": 'contact = ["Telephone 0555 0100", "office@larkmoor.example"]',
    "closing = []": 'closing = ["Invented for a demo: no such company exists, and nothing here is for sale."]',
    '# logo = "logo.svg"': 'logo = "logo.svg"',
    'accent_colour = "#2b5a66"': 'accent_colour = "#2f5d50"',
}


def invented_price(key: str, mode: float) -> str:
    """Return a price near ``mode``, rounded to two figures as people round prices."""
    price = mode * random.Random(key).uniform(0.9, 1.15)
    return f"{float(f'{price:.2g}'):g}"


def demo_company() -> str:
    """Return the text of the demo's company file."""
    rows = aftersun_datasets.rows("price_items.csv")
    figures = {
        row["key"]: invented_price(row["key"], float(row["mode"]))
        for row in rows
        if row["kind"] != TRAVEL or row["key"] == "cost_per_km"
    }
    figures |= SETTINGS
    text = company_template(rows)
    text = re.sub(r"^# FILL IN:.*\n", "", text[text.index("[company]") :], flags=re.MULTILINE)
    filled = re.sub(
        r"^(\w+) = .*$",
        lambda line: f"{line[1]} = {figures[line[1]]}" if line[1] in figures else line[0],
        text,
        flags=re.MULTILINE,
    )
    for example, own in (MONTH | LETTER).items():
        if example not in filled:
            raise ValueError(f"the template has no line {example}")
        filled = filled.replace(example, own)
    return HEADER + filled + OVERRIDES


if __name__ == "__main__":
    FILE.write_text(demo_company(), encoding="utf-8")
