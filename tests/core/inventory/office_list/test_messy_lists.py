"""Random inventories, written as messily as offices write, are read back: what is not the same is unknown and said."""

from __future__ import annotations

import csv
import math
import random
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import aftersun_datasets
from aftersun.inventory.office_list.load_list import understand
from aftersun.inventory.office_list.vocabulary import LANGUAGES, Target, words

ROWS = 60
LEAST_EQUAL = 0.99
_KINDS = ("site.roof_kind", "site.water_heat", "site.inverter_topology", "array.mounting", "site.export_rule")
_POINTS = {
    "en": "N NE E SE S SW W NW",
    "de": "N NO O SO S SW W NW",
    "nl": "N NO O ZO Z ZW W NW",
    "fr": "N NE E SE S SO O NO",
    "es": "N NE E SE S SO O NO",
    "it": "N NE E SE S SO O NO",
    "pt": "N NE L SE S SO O NO",
}
_WORDS = {
    "en": "north north-east east south-east south south-west west north-west",
    "de": "Nord Nordost Ost Südost Süd Südwest West Nordwest",
    "nl": "noord noordoost oost zuidoost zuid zuidwest west noordwest",
    "fr": "nord nord-est est sud-est sud sud-ouest ouest nord-ouest",
    "es": "norte noreste este sureste sur suroeste oeste noroeste",
    "it": "nord nord-est est sud-est sud sud-ovest ovest nord-ovest",
    "pt": "norte nordeste leste sudeste sul sudoeste oeste noroeste",
}
_YES_NO = {
    "en": ("yes", "no"),
    "de": ("ja", "nein"),
    "nl": ("ja", "nee"),
    "fr": ("oui", "non"),
    "es": ("sí", "no"),
    "it": ("sì", "no"),
    "pt": ("sim", "não"),
}


@dataclass
class Style:
    """How one office writes."""

    language: str
    chance: random.Random
    comma: bool = field(init=False)
    thousands: str = field(init=False)
    day_first: bool = field(init=False)
    letters: bool = field(init=False)

    def __post_init__(self) -> None:
        self.comma = self.language != "en"
        self.thousands = self.chance.choice(["", ".", " ", "'"] if self.comma else ["", ",", " "])
        self.day_first = self.language != "en" or self.chance.random() < 0.5
        self.letters = self.chance.random() < 0.5

    def number(self, value: float, decimals: int) -> str:
        """Return a number with this office's signs."""
        text = f"{value:,.{decimals}f}" if value >= 1000 else f"{value:.{decimals}f}"
        whole, _, rest = text.partition(".")
        return whole.replace(",", self.thousands) + (f"{',' if self.comma else '.'}{rest}" if rest else "")

    def day(self, day: date) -> str:
        """Return a day in this office's order."""
        if self.chance.random() < 0.1:
            return day.isoformat()
        sign = self.chance.choice("/-") if not self.comma else self.chance.choice("/.-")
        year = f"{day:%y}" if self.chance.random() < 0.1 else f"{day:%Y}"
        if self.day_first:
            return f"{day.day:0{self.chance.choice('12')}}{sign}{day.month:02}{sign}{year}"
        return f"{day.month}{'/'}{day.day:02}/{year}"


def _messy(style: Style, text: str) -> str:
    """Return a cell with blanks around it, or in capitals."""
    chance = style.chance.random()
    return f" {text} " if chance < 0.1 else text.upper() if chance < 0.15 else text


def _columns(style: Style) -> dict[str, tuple[list[Any], list[str]]]:
    """Return by target what is meant and what is written, row by row."""
    chance, made = style.chance, {}

    def add(target: str, values: list[Any], written: list[str]) -> None:
        blanks = [chance.random() < 0.1 for _ in values]
        unknown = [chance.choice(["", "-", "?", "n/a"]) for _ in values]
        made[target] = (
            [None if blank else value for value, blank in zip(values, blanks, strict=True)],
            [u if blank else _messy(style, text) for text, blank, u in zip(written, blanks, unknown, strict=True)],
        )

    made["customer.customer_id"] = ([f"K{n}" for n in range(ROWS)], [f"K{n}" for n in range(ROWS)])
    rating = [round(chance.uniform(1, 30), chance.choice([1, 2, 3])) for _ in range(ROWS)]
    forms = chance.choice([("{n}",), ("{n} kWp", "{n}kWp"), ("{w} Wp", "{n} kW", "{n}")])
    texts = [
        chance.choice(forms).format(n=style.number(v, 3 if v != round(v, 2) else 2), w=style.number(round(v * 1000), 0))
        for v in rating
    ]
    add("array.dc_rating_kw", rating, texts)
    tilt = [float(chance.randint(5, 60)) for _ in range(ROWS)]
    add("array.tilt_deg", tilt, [f"{v:.0f}{chance.choice(['', '°', ' °', ' deg'])}" for v in tilt])
    bearing = [chance.choice([1, 2, 3, 4, 4, 5, 6]) for _ in range(ROWS)]
    names = (_POINTS if style.letters else _WORDS)[style.language].split()
    if chance.random() < 0.3:
        names = chance.choice([[f"{45 * n}°" for n in range(8)], [str(45 * n - 180) for n in range(8)]])
    add("array.azimuth_deg", [45.0 * n for n in bearing], [names[n] for n in bearing])
    usage = [float(chance.randint(900, 20_000)) for _ in range(ROWS)]
    add(
        "site.annual_demand_kwh", usage, [f"{style.number(v, 0)}{chance.choice(['', ' kWh', ' kWh/a'])}" for v in usage]
    )
    days = [date(2005, 1, 1) + timedelta(days=chance.randrange(7_500)) for _ in range(ROWS)]
    add("site.commissioned_on", [day.isoformat() for day in days], list(map(style.day, days)))
    store = [float(chance.randrange(100, 500, 10)) for _ in range(ROWS)]
    add("site.water_store_litres", store, [f"{v:.0f}{chance.choice(['', ' l', ' L', 'l'])}" for v in store])
    battery = [chance.choice([0.0, 5.2, 9.6, 12.5]) for _ in range(ROWS)]
    ampere_hours = "200 Ah x 48 V"  # 9.6 kWh
    add(
        "site.battery_kwh",
        battery,
        [ampere_hours if v == 9.6 and chance.random() < 0.3 else style.number(v, 1) + " kWh" for v in battery],
    )
    birds = [chance.choice(["yes", "no"]) for _ in range(ROWS)]
    add("site.birds_seen", birds, [_YES_NO[style.language][value == "no"] for value in birds])
    for kind in _KINDS:
        pairs = [(word, value) for word, value in words(kind).items()]
        drawn = [chance.choice(pairs) for _ in range(ROWS)]
        add(kind, [value for _, value in drawn], [word for word, _ in drawn])
    price = [round(chance.uniform(0.1, 0.5), 2) for _ in range(ROWS)]
    add("tariff.import_price", price, [style.number(v, 2) + chance.choice(["", " €"]) for v in price])
    return made


def _headings(language: str) -> dict[str, list[str]]:
    rows = aftersun_datasets.rows("headings.csv", "aftersun.inventory")
    # "Wp" above cells in kW would be a contradiction
    return {
        f"{row['table']}.{row['column']}": [word for word in row[language].split("|") if "wp" not in word.split()]
        for row in rows
    }


def _write(path: Path, style: Style, made: dict[str, tuple[list[Any], list[str]]]) -> None:
    known = _headings(style.language)
    order = list(made)
    style.chance.shuffle(order)
    header = [style.chance.choice([str.title, str.upper, str])(style.chance.choice(known[name])) for name in order]
    encoding = style.chance.choice(["utf-8", "utf-8-sig", "utf-16", "cp1252"])
    with path.open("w", encoding=encoding, newline="") as file:
        writer = csv.writer(file, delimiter=style.chance.choice(";\t" if style.comma else ",;\t"))
        for title in range(style.chance.choice([0, 1, 3])):
            writer.writerow([f"Title {title}"] + [""] * (len(order) - 1))
        writer.writerow(header)
        writer.writerows(zip(*(made[name][1] for name in order), strict=True))


def _same(value: Any, text: Any) -> bool:
    if pd.isna(text) or value is None:
        return value is None and pd.isna(text)
    return math.isclose(float(text), value, abs_tol=1e-9) if isinstance(value, float) else str(text) == value


@given(seed=st.integers(0, 2**32), language=st.sampled_from(LANGUAGES))
def test_a_messy_list_is_read_back_and_nothing_is_silently_different(
    seed: int, language: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    style = Style(language, random.Random(seed))
    made = _columns(style)
    path = tmp_path_factory.mktemp("messy") / "list.csv"
    _write(path, style, made)
    understood = understand(path)
    equal = cells = 0
    for name, (values, written) in made.items():
        column = understood.columns[Target(*name.split("."))]
        for value, text, cause, said in zip(values, column.text, column.cause, written, strict=True):
            cells += 1
            equal += _same(value, text)
            silently = not _same(value, text) and pd.isna(cause)
            assert not silently, f"{name}: {said!r} meant {value!r} and was read as {text!r}"
    assert equal >= LEAST_EQUAL * cells
