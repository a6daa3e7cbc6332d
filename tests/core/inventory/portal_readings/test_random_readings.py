"""Random readings, written in the shapes in which portals export them, are read back: none silently different."""

from __future__ import annotations

import csv
import random
from dataclasses import replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
import pytest
from babel.dates import get_month_names
from hypothesis import given
from hypothesis import strategies as st

import aftersun_datasets
from aftersun.inventory.office_list.vocabulary import LANGUAGES
from aftersun.inventory.portal_readings.load_readings import Sites, prepare
from aftersun.inventory.portal_readings.settings import Settings, Undecided

ZONE = "Europe/Berlin"
SITES = Sites(
    pd.DataFrame(
        {
            "site_id": ["S001", "S002"],
            "customer_id": ["K77", "K78"],
            "latitude": [50.94, 51.0],
            "longitude": [6.96, 7.0],
            "demand_kwh": [4000.0, 4000.0],
            "dc_kw": [8.0, 8.0],
        }
    ).set_index("site_id")
)
_FACTORS = {"Wh": 1000.0, "kWh": 1.0, "MWh": 0.001, "W": 1000.0, "kW": 1.0}
Cells = dict[tuple[str, str], float]  # by site and start in standard time: kWh


class Portal:
    """How one portal writes, all drawn at random."""

    def __init__(self, language: str, chance: random.Random) -> None:
        self.language, self.chance = language, chance
        self.comma = language != "en"
        self.thousands = chance.choice(["", ".", " "] if self.comma else ["", ","])
        self.day_first = language != "en" or chance.random() < 0.5
        self.words = {
            row["role"]: row[language].split("|") for row in aftersun_datasets.rows("reading_headings.csv", _PACKAGE)
        }
        self.customers = {
            row["column"]: row[language].split("|") for row in aftersun_datasets.rows("headings.csv", _PACKAGE)
        }
        self.truth: dict[str, str] = {
            "decimal": "," if self.comma else ".",
            "dates": "day first" if self.day_first else "month first",
            "meter": "production",
            "quantity": "energy",
            "site": "S001",
        }

    def heading(self, role: str) -> str:
        """Return one of the headings of a role, in whatever letters."""
        return self.chance.choice([str.title, str.upper, str])(self.chance.choice(self.words[role]))

    def number(self, value: float, decimals: int) -> str:
        """Return a number with this portal's signs."""
        text = f"{value:,.{decimals}f}" if value >= 1000 else f"{value:.{decimals}f}"
        whole, _, rest = text.partition(".")
        return whole.replace(",", self.thousands) + (f"{',' if self.comma else '.'}{rest}" if rest else "")

    def day(self, at: pd.Timestamp, form: str) -> str:
        """Return a day in the form of the export."""
        if form == "iso":
            return f"{at:%Y-%m-%d}"
        sign = "." if form == "points" else "/"
        return f"{at:%d{sign}%m{sign}%Y}" if self.day_first else f"{at:%m/%d/%Y}"


_PACKAGE = "aftersun.inventory"


def of_days(portal: Portal, sites: list[str]) -> tuple[list[list[str]], Cells]:
    """Daily energy, of one or two inverters in columns, one or two sites."""
    chance, unit, parts = portal.chance, portal.chance.choice(["Wh", "kWh"]), portal.chance.choice([1, 2])
    form = chance.choice(["iso", "points" if portal.day_first else "strokes", "strokes"])
    name = portal.heading("production energy")
    values = [f"{name} ({unit})"] if parts == 1 else [f"{name} {n} [{unit}]" for n in (1, 2)]
    table, cells = [[portal.customers["site_id"][0], portal.heading("when"), *values]], Cells()
    for site in sites:
        for at in pd.date_range(f"202{chance.randrange(4)}-03-20", periods=20):
            energy = [round(chance.uniform(0, 25), 1) for _ in range(parts)]
            written = [portal.number(kwh * _FACTORS[unit], 0 if unit == "Wh" else 1) for kwh in energy]
            table.append([site, portal.day(at, form), *written])
            cells[site, f"{at:%Y-%m-%d %H:%M}"] = sum(energy)
    return table, cells


def of_months(portal: Portal, sites: list[str]) -> tuple[list[list[str]], Cells]:
    """Monthly energy: a row for each month, or months side by side."""
    chance, unit = portal.chance, portal.chance.choice(["kWh", "MWh"])
    names = get_month_names(chance.choice(["wide", "abbreviated"]), "stand-alone", portal.language)
    years, wide = [2021, 2022], chance.random() < 0.5
    kwh = {(s, y, m): round(chance.uniform(50, 1300), 0) for s in sites for y in years for m in range(1, 13)}
    cells = {(s, f"{y}-{m:02}-01 00:00"): value for (s, y, m), value in kwh.items()}

    def written(value: float) -> str:
        return portal.number(value * _FACTORS[unit], 3 if unit == "MWh" else 0)

    customer = dict(SITES.table["customer_id"])
    who = portal.customers["customer_id"][0]
    if wide:
        title = [f"{portal.words['production energy'][0]} ({unit})"]
        head = [who, portal.heading("year"), *(names[m] for m in range(1, 13))]
        rows = [[customer[s], str(y), *(written(kwh[s, y, m]) for m in range(1, 13))] for s in sites for y in years]
        return [title, head, *rows], cells
    form = chance.choice(["{name} {y}", "{m:02}/{y}", "{y}-{m:02}"])
    head = [who, portal.heading("month"), f"{portal.heading('production energy')} ({unit})"]
    rows = [[customer[s], form.format(name=names[m], y=y, m=m), written(value)] for (s, y, m), value in kwh.items()]
    return [head, *rows], cells


def of_quarters(portal: Portal, sites: list[str]) -> tuple[list[list[str]], Cells]:
    """Energy or power of quarters of an hour, in whatever clock, of one site."""
    chance, unit = portal.chance, portal.chance.choice(["Wh", "kWh", "W", "kW"])
    power = not unit.endswith("h")
    clock = chance.choice(["UTC", "offset", "standard time", "summer time"])
    labels = portal.truth["labels"] = chance.choice(["start", "end"])
    portal.truth["clock"] = clock
    step, zone = pd.Timedelta(minutes=15), ZoneInfo(ZONE)
    starts = pd.date_range(
        chance.choice(["2024-01-09", "2024-03-30", "2024-06-04", "2024-10-26"]), periods=192, freq=step
    )
    table = [
        [portal.heading("when"), f"{portal.heading('production power' if power else 'production energy')} ({unit})"]
    ]
    cells = Cells()
    form = chance.choice(["%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S"])
    for at in starts:
        kwh = round(chance.uniform(0, 2), 3) if 7 <= at.hour < 19 else 0.0
        cells[sites[0], f"{at:%Y-%m-%d %H:%M}"] = kwh
        label = at if labels == "start" else at + step
        utc = (label - pd.Timedelta(hours=1)).tz_localize("UTC")  # standard time there is an hour ahead
        wall = utc.tz_convert(zone)
        offset = f"{wall:%z}"
        written = {
            "UTC": f"{utc.strftime(form)}Z",
            "offset": f"{wall.strftime(form)}{offset[:3]}:{offset[3:]}",
            "standard time": label.strftime(form),
            "summer time": wall.strftime(form),
        }[clock]
        if clock == "standard time" and labels == "end" and label.hour == label.minute == 0:
            written = at.strftime(form).replace("23:45", "24:00")
        table.append([written, portal.number(kwh * _FACTORS[unit] * (4 if power else 1), 0 if unit[0] == "W" else 3)])
    return table, cells


SHAPES = (of_days, of_months, of_quarters)


def write(path: Path, portal: Portal, table: list[list[str]]) -> None:
    encoding = portal.chance.choice(["utf-8", "utf-8-sig", "utf-16", "cp1252"])
    with path.open("w", encoding=encoding, newline="") as file:
        writer = csv.writer(file, delimiter=portal.chance.choice(";\t" if portal.comma else ",;\t"))
        for title in range(portal.chance.choice([0, 2])):
            writer.writerow([f"Report {'AB'[title]}"])
        writer.writerows(table)


@pytest.mark.slow
@given(seed=st.integers(0, 2**32), language=st.sampled_from(LANGUAGES), shape=st.sampled_from(SHAPES))
def test_an_export_is_read_back_and_nothing_is_silently_different(
    seed: int, language: str, shape: Any, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """What is asked is answered as it was meant; then every reading is there as it was meant, and no other."""
    portal = Portal(language, random.Random(seed))
    sites = ["S001"] if shape is of_quarters else portal.chance.choice([["S001"], ["S001", "S002"]])
    table, cells = shape(portal, sites)
    path = tmp_path_factory.mktemp("readings") / "S001.csv"
    write(path, portal, table)
    settings = Settings()
    for _ in range(len(portal.truth)):
        try:
            prepared = prepare(path, SITES, settings)
        except Undecided as left_open:
            settings = replace(settings, **{left_open.setting: portal.truth[left_open.setting]})
            continue
        break
    values = prepared.file.values
    assert prepared.file.problems.empty
    assert prepared.doubts == ()
    found = {
        (site, f"{at:%Y-%m-%d %H:%M}"): kwh
        for site, at, kwh in zip(values["site_id"], values["starts_at"], values["kwh"], strict=True)
    }
    assert found == {key: pytest.approx(kwh, abs=0.000_51) for key, kwh in cells.items()}  # Wh are whole
