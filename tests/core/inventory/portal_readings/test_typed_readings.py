"""Exports of readings as portals write them, typed by hand in seven languages. All systems and figures are invented."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from aftersun.inventory.portal_readings.load_readings import (
    Prepared,
    Sites,
    doubt_lines,
    first_rows,
    note_lines,
    prepare,
    question,
)
from aftersun.inventory.portal_readings.settings import ALLOWED, Settings, Undecided
from aftersun.model.errors import AftersunError

Write = Callable[[str, str], Path]
Row = tuple[str, str, str, str, float]

# S001 stands near Cologne (central European time, clocks are put forward), S002 in Exeter, S003 on Tenerife
SITES = Sites(
    pd.DataFrame(
        {
            "site_id": ["S001", "S002", "S003", "S003b"],
            "customer_id": ["1001", "1002", "1003", "1003"],
            "latitude": [50.94, 50.72, 28.47, 28.47],
            "longitude": [6.96, -3.53, -16.25, -16.25],
            "demand_kwh": [4000.0, 3500.0, None, None],
            "dc_kw": [8.0, 4.0, 5.0, None],
        }
    ).set_index("site_id")
)


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def written(name: str, text: str) -> Path:
        (tmp_path / name).write_text(text, encoding="utf-8")
        return tmp_path / name

    return written


def rows(prepared: Prepared) -> list[Row]:
    """Return the readings as they are to be stored."""
    assert prepared.file.problems.empty
    table = prepared.file.values
    return [
        (
            site,
            meter,
            f"{start:%Y-%m-%d %H:%M}",
            "" if pd.isna(end) else f"{end:%Y-%m-%d %H:%M}",
            round(float(counter if pd.isna(kwh) else kwh), 9),
        )
        for site, meter, start, end, kwh, counter in zip(
            table["site_id"],
            table["meter"],
            table["starts_at"],
            table["ends_at"],
            table.get("kwh", table["site_id"]),
            table.get("register_kwh", table["site_id"]),
            strict=True,
        )
    ]


def loaded(path: Path, **settings: str) -> list[Row]:
    return rows(prepare(path, SITES, Settings(**settings)))


def day(site: str, date: str, kwh: float, meter: str = "production") -> Row:
    following = pd.Timestamp(date) + pd.Timedelta(days=1)
    return site, meter, f"{date} 00:00", f"{following:%Y-%m-%d} 00:00", kwh


def month(site: str, year: int, number: int, kwh: float) -> Row:
    first = pd.Timestamp(year, number, 1)
    return site, "production", f"{first:%Y-%m-%d} 00:00", f"{first + pd.DateOffset(months=1):%Y-%m-%d} 00:00", kwh


# name, text, what it says
TYPED: dict[str, tuple[str, str, list[Row]]] = {
    "English, days, site by the file's name": (
        "S002 daily.csv",
        "Date,Production (kWh)\n14/03/2024,12.5\n15/03/2024,8.25\n16/03/2024,\n",
        [day("S002", "2024-03-14", 12.5), day("S002", "2024-03-15", 8.25)],
    ),
    "German, days, decimal comma, feed-in beside production": (
        "export.csv",
        "Anlage;Datum;Ertrag [kWh];Netzeinspeisung [kWh];Netzbezug [kWh];Eigenverbrauchsquote\n"
        "1001;14.03.2024;21,5;12,25;3,1;43 %\n1001;15.03.2024;9,75;1,5;7,25;84 %\n",
        [
            day("S001", "2024-03-14", 21.5),
            day("S001", "2024-03-15", 9.75),
            day("S001", "2024-03-14", 12.25, "export"),
            day("S001", "2024-03-15", 1.5, "export"),
            day("S001", "2024-03-14", 3.1, "import"),
            day("S001", "2024-03-15", 7.25, "import"),
        ],
    ),
    "French, months in words, no end": (
        "relevés.csv",
        "N° client;Mois;Production (kWh)\n1001;janvier 2023;210,5\n1001;février 2023;320,25\n1001;mars 2023;540\n",
        [month("S001", 2023, 1, 210.5), month("S001", 2023, 2, 320.25), month("S001", 2023, 3, 540)],
    ),
    "Spanish, months side by side, a row for each year": (
        "1002.csv",
        "Producción FV en kWh;;;;;;\nAño;Ene;Feb;Mar;Abr;May;Jun\n2022;250,5;300;410;480;560;590\n"
        "2023;260;310,5;;470;550;600\n",
        [
            *[month("S002", 2022, n, kwh) for n, kwh in enumerate([250.5, 300, 410, 480, 560, 590], 1)],
            *[month("S002", 2023, n, kwh) for n, kwh in zip((1, 2, 4, 5, 6), (260, 310.5, 470, 550, 600), strict=True)],
        ],
    ),
    "Italian, months of one year side by side, a row for each customer": (
        "produzione 2023.csv",
        "Codice cliente;gen;feb;mar;apr\n1001;300;420,5;610;730\n1002;150;200;310;390\n",
        [
            *[month("S001", 2023, n, kwh) for n, kwh in enumerate([300, 420.5, 610, 730], 1)],
            *[month("S002", 2023, n, kwh) for n, kwh in enumerate([150, 200, 310, 390], 1)],
        ],
    ),
    "Dutch, months as rows and years as columns": (
        "S002 opbrengst.csv",
        "Maand;2022;2023\njanuari;90,5;85\nfebruari;160;170,25\nmaart;300;310\n",
        [
            *[month("S002", 2022, n, kwh) for n, kwh in enumerate([90.5, 160, 300], 1)],
            *[month("S002", 2023, n, kwh) for n, kwh in enumerate([85, 170.25, 310], 1)],
        ],
    ),
    "Portuguese, year and month in columns of their own": (
        "leituras.csv",
        "Nº cliente;Ano;Mês;Energia produzida (kWh)\n1001;2023;1;333,5\n1001;2023;2;444\n",
        [month("S001", 2023, 1, 333.5), month("S001", 2023, 2, 444)],
    ),
    "English, headings with month and year": (
        "sites.csv",
        "Site,Meter,Jan 2024 (kWh),Feb 2024 (kWh),Mar 2024 (kWh)\n"
        "S001,Yield,310.5,420,650\nS001,Grid import,300,250,200\n",
        [
            ("S001", "production", "2024-01-01 00:00", "2024-02-01 00:00", 310.5),
            ("S001", "import", "2024-01-01 00:00", "2024-02-01 00:00", 300),
            ("S001", "production", "2024-02-01 00:00", "2024-03-01 00:00", 420),
            ("S001", "import", "2024-02-01 00:00", "2024-03-01 00:00", 250),
            ("S001", "production", "2024-03-01 00:00", "2024-04-01 00:00", 650),
            ("S001", "import", "2024-03-01 00:00", "2024-04-01 00:00", 200),
        ],
    ),
    "two inverters in columns": (
        "S001.csv",
        "Tag;Wechselrichter 1 (kWh);Wechselrichter 2 (kWh)\n14.03.2024;10,5;4,25\n15.03.2024;11;5\n",
        [day("S001", "2024-03-14", 14.75), day("S001", "2024-03-15", 16)],
    ),
    "two inverters in rows": (
        "S001.csv",
        "Date,Serial number,Energy produced kWh\n"
        "2024-03-14,A1,10.5\n2024-03-14,B2,4.25\n2024-03-15,A1,11\n2024-03-15,B2,5\n",
        [day("S001", "2024-03-14", 14.75), day("S001", "2024-03-15", 16)],
    ),
    "a span with its last day": (
        "S002.csv",
        "From,To,Yield (kWh)\n01/02/2024,29/02/2024,180.5\n01/03/2024,31/03/2024,290\n",
        [month("S002", 2024, 2, 180.5), month("S002", 2024, 3, 290)],
    ),
    "counters with a time": (
        "S001.csv",
        "Datum;Uhrzeit;Zählerstand (kWh)\n01.01.2024;08:00;12.500,5\n01.02.2024;08:15;12.790,25\n",
        [
            ("S001", "production", "2024-01-01 08:00", "", 12500.5),
            ("S001", "production", "2024-02-01 08:15", "", 12790.25),
        ],
    ),
    "MWh named in the heading, units in cells": (
        "S001.csv",
        "Month;PV production [MWh];Grid export\n2023-05;1,05;800,5 kWh\n2023-06;1,1;820 kWh\n",
        [
            month("S001", 2023, 5, 1050),
            month("S001", 2023, 6, 1100),
            ("S001", "export", "2023-05-01 00:00", "2023-06-01 00:00", 800.5),
            ("S001", "export", "2023-06-01 00:00", "2023-07-01 00:00", 820),
        ],
    ),
}


@pytest.mark.parametrize("case", TYPED)
def test_an_export_is_read_as_it_was_meant(case: str, write: Write) -> None:
    name, text, meant = TYPED[case]
    assert sorted(loaded(write(name, text))) == sorted(meant)


def quarters(first: str, count: int, form: str = "%Y-%m-%d %H:%M", step: str = "15min") -> list[str]:
    return [f"{moment:{form}}" for moment in pd.date_range(first, periods=count, freq=step)]


def test_power_every_quarter_of_an_hour_becomes_energy(write: Write) -> None:
    """2 kW for a quarter of an hour are half a kWh; a day is closed by its 24:00, so times are ends."""
    times = [*quarters("2024-01-10 00:15", 95, "%d.%m.%Y %H:%M:%S"), "10.01.2024 24:00:00"]
    power = [2.0 if 40 <= n < 60 else 0.0 for n in range(96)]
    lines = "".join(f"{time};{kw:.2f}\n".replace(".00", ",00") for time, kw in zip(times, power, strict=True))
    found = loaded(write("S001.csv", f"Zeitstempel;Leistung (kW)\n{lines}"))
    assert found[0] == ("S001", "production", "2024-01-10 00:00", "2024-01-10 00:15", 0)
    assert found[40] == ("S001", "production", "2024-01-10 10:00", "2024-01-10 10:15", 0.5)
    assert found[-1][3] == "2024-01-11 00:00"
    assert sum(row[4] for row in found) == 10  # 20 quarters at 2 kW


def test_power_in_w_with_starts_of_intervals(write: Write) -> None:
    lines = "".join(f"{t},{1500 if n == 40 else 0}\n" for n, t in enumerate(quarters("2024-01-10", 96)))
    found = loaded(write("S002.csv", f"Timestamp,AC power (W)\n{lines}"))
    assert found[40] == ("S002", "production", "2024-01-10 10:00", "2024-01-10 10:15", 0.375)


@pytest.mark.parametrize(
    ("times", "first"),
    [
        (quarters("2024-06-10", 96, "%Y-%m-%dT%H:%M:%SZ"), "2024-06-10 01:00"),  # UTC is an hour behind CET
        (quarters("2024-06-10", 96, "%Y-%m-%dT%H:%M:%S+02:00"), "2024-06-09 23:00"),  # CEST is an hour ahead of it
        (quarters("2024-06-10", 96, "%Y-%m-%d %H:%M+0100"), "2024-06-10 00:00"),
        # seconds since 1970 are of UTC
        ([f"{t.timestamp():.0f}" for t in pd.date_range("2024-06-10", periods=96, freq="15min")], "2024-06-10 01:00"),
    ],
)
def test_offsets_are_brought_to_the_standard_time_of_the_place(times: list[str], first: str, write: Write) -> None:
    lines = "".join(f"{t},{0.25 if n == 50 else 0}\n" for n, t in enumerate(times))
    found = loaded(write("S001.csv", f"time,yield kWh\n{lines}"), labels="start")
    assert found[0][2] == first


def test_a_site_without_a_position_has_the_clock_of_the_others_or_is_refused(write: Write) -> None:
    times = quarters("2024-06-10", 96, "%Y-%m-%dT%H:%M:%SZ")
    path = write("S001.csv", "time,yield kWh\n" + "".join(f"{t},{n % 3}\n" for n, t in enumerate(times)))
    nowhere = SITES.table.loc[["S001", "S002"]].copy()
    nowhere.loc["S001", ["latitude", "longitude"]] = float("nan")
    found = rows(prepare(path, Sites(nowhere), Settings(labels="start")))
    assert found[0][2] == "2024-06-10 00:00"  # that of S002 in Exeter: UTC
    with pytest.raises(AftersunError, match="no site has a position"):
        prepare(path, Sites(nowhere.loc[["S001"]]), Settings(labels="start"))


def a_year_of_wall_clock(zone: str, hours: pd.DatetimeIndex) -> list[str]:
    return [f"{t:%Y-%m-%d %H:%M}" for t in hours.tz_localize("UTC").tz_convert(zone)]


@pytest.mark.slow
def test_clocks_put_forward_are_told_by_the_hours_of_change(write: Write) -> None:
    """At the end of March an hour is left out, at the end of October one comes twice: all 24 a day are there."""
    utc = pd.date_range("2024-03-29 23:00", "2024-11-01 22:00", freq="h")
    times = a_year_of_wall_clock("Europe/Berlin", utc)
    values = [1.5 if time.endswith("13:00") else 0.0 for time in times]
    lines = "".join(f"{time},{value}\n" for time, value in zip(times, values, strict=True))
    prepared = prepare(write("S001.csv", f"Date and time,Energy produced (kWh)\n{lines}"), SITES, Settings())
    assert "clocks were put forward, and times are brought to standard time" in note_lines(prepared)
    found = rows(prepared)
    starts = pd.to_datetime([row[2] for row in found])
    assert (starts[1:] - starts[:-1] == pd.Timedelta(hours=1)).all()
    noon = {row[2] for row in found if row[4]}
    assert {"2024-03-30 13:00", "2024-07-01 12:00", "2024-10-31 13:00"} <= noon


def test_standard_time_all_year_is_told_likewise(write: Write) -> None:
    times = quarters("2024-03-30", 48 + 24 * 3, step="h")
    lines = "".join(f"{time},{n % 7}\n" for n, time in enumerate(times))
    prepared = prepare(write("S001.csv", f"Time,Yield (kWh)\n{lines}"), SITES, Settings())
    assert "times are standard time all year" in note_lines(prepared)
    assert [row[2] for row in rows(prepared)] == times


def test_where_no_clock_is_put_forward_nobody_is_asked(write: Write) -> None:
    sites = Sites(SITES.table.assign(latitude=28.6, longitude=77.2))  # Delhi
    lines = "".join(f"{time},{n % 7}\n" for n, time in enumerate(quarters("2024-06-10", 48, step="h")))
    assert rows(prepare(write("S001.csv", f"Time,Yield (kWh)\n{lines}"), sites, Settings()))[0][2] == "2024-06-10 00:00"


HOURS = "".join(f"{time},{n % 7}\n" for n, time in enumerate(quarters("2024-01-10", 48, step="h")))
SUMMER = HOURS.replace("2024-01", "2024-06")
LATE = "".join(f"{time},{n % 7}\n" for n, time in enumerate(quarters("2024-01-10 06:00", 12, step="h")))
WATT_HOURS = "".join(f"{time},{1000 - n % 7}\n" for n, time in enumerate(quarters("2024-01-10", 48, step="h")))
GROWS = "".join(f"2024-01-{n:02},{100 + 3 * n}\n" for n in range(1, 20))
TOTALS = "".join(f"2024-01-1{n // 24} {n % 24:02}:00,{n % 24}\n" for n in range(72))

ASKED = {
    "standard or summer time": ("S001.csv", f"Time,Yield (kWh)\n{SUMMER}", "clock", "standard time"),
    "start or end": ("S001.csv", f"Time,Yield (kWh)\n{LATE}", "labels", "end"),
    "which meter": ("S001.csv", "Date,kWh\n2024-01-10,3.5\n2024-01-11,4.5\n", "meter", "import"),
    "whose": ("readings.csv", "Date,Yield (kWh)\n2024-01-10,3.5\n2024-01-11,4.5\n", "site", "S001"),
    "whose of two of a customer": ("1003.csv", "Date,Yield (kWh)\n2024-01-10,3.5\n2024-01-11,4.5\n", "site", "S003"),
    "which year": ("S001.csv", "Month,Yield (kWh)\nJanuary,3.5\nFebruary,4.5\n", "year", "2023"),
    "day or month": ("S001.csv", "Date,Yield (kWh)\n1/2/2024,3.5\n2/2/2024,4.5\n", "dates", "day first"),
    "decimal or thousands": ("S001.csv", 'Date,Yield (kWh)\n2024-01-10,"3,512"\n', "decimal", ","),
    "a counter": ("S001.csv", f"Date,Yield (kWh)\n{GROWS}", "quantity", "counter"),
    "Wh under kWh": ("S001.csv", f"Time,Yield (kWh)\n{WATT_HOURS}", "unit", "wh"),
    "no unit, and nothing known": ("S003b.csv", "Date,Yield\n2024-01-10,3.5\n2024-01-11,4.5\n", "unit", "kwh"),
}


@pytest.mark.parametrize("case", ASKED)
def test_what_cannot_be_told_is_asked_and_an_answer_settles_it(case: str, write: Write) -> None:
    name, text, setting, answer = ASKED[case]
    path = write(name, text)
    with pytest.raises(Undecided) as left_open:
        prepare(path, SITES, Settings())
    assert left_open.value.setting == setting
    assert loaded(path, **{setting: answer})


def test_wh_under_kwh_is_noticed_with_the_figure_and_mended_by_the_answer(write: Write) -> None:
    """8 kW make about 0.96 kWh an hour (mean_output of the limits of readings): a thousand are Wh."""
    lines = "".join(f"{time},{960 + n % 7}\n" for n, time in enumerate(quarters("2024-01-10", 48, step="h")))
    path = write("S001.csv", f"Time,Yield (kWh)\n{lines}")
    with pytest.raises(Undecided) as noticed:
        prepare(path, SITES, Settings())
    assert noticed.value.figures["named"] == "kwh"
    assert noticed.value.figures["likely"] == "wh"
    assert 900 < float(str(noticed.value.figures["ratio"])) < 1100
    assert loaded(path, unit="wh")[0][4] == 0.96


def test_a_unit_that_nothing_names_is_told_by_the_size_of_the_system(write: Write) -> None:
    path = write("S001.csv", "Date,Yield\n2024-05-10,31000\n2024-05-11,28500\n")
    prepared = prepare(path, SITES, Settings())
    assert [row[4] for row in rows(prepared)] == [31, 28.5]
    assert "no unit is named; by the size of the systems the values are in Wh" in note_lines(prepared)


def test_a_total_of_the_day_so_far_is_no_energy(write: Write) -> None:
    with pytest.raises(Undecided) as refused:
        prepare(write("S001.csv", f"Time,Yield (kWh)\n{TOTALS}"), SITES, Settings())
    assert refused.value.setting == "running_total"


def test_two_columns_that_say_the_same_are_not_added_up(write: Write) -> None:
    text = "Date,Production (kWh),PV energy (kWh)\n2024-03-14,10.5,10.4\n2024-03-15,11,10.9\n"
    with pytest.raises(Undecided) as refused:
        prepare(write("S001.csv", text), SITES, Settings())
    assert refused.value.setting == "columns_alike"


def test_power_beside_energy_is_left_out(write: Write) -> None:
    text = "Date;Leistung (kW);Ertrag (kWh)\n14.03.2024;1,5;10,5\n15.03.2024;2,5;11,5\n"
    prepared = prepare(write("S001.csv", text), SITES, Settings())
    assert [row[4] for row in rows(prepared)] == [10.5, 11.5]
    assert "'Leistung (kW)' holds the same once more and is left out" in note_lines(prepared)


def test_cells_that_cannot_be_read_are_told_and_the_rest_is_taken(write: Write) -> None:
    text = (
        "Customer No,Date,Yield (kWh)\n1001,2024-03-14,10.5\n1001,2024-03-15,err\n1001,soon,9.5\n"
        "9999,2024-03-14,3.5\n1003,2024-03-14,3.5\n1001,2024-03-17,8.5\n1001,2024-03-17,9.5\n1001,2024-03-14,10.5\n"
    )
    prepared = prepare(write("readings.csv", text), SITES, Settings())
    assert rows(prepared) == [day("S001", "2024-03-14", 10.5)]
    assert sorted(doubt_lines(prepared)) == [
        "'Customer No': 1 row, no site or customer of this number is loaded, e.g. '9999' on line 5.",
        "'Customer No': 1 row, the customer has several sites: name the site, e.g. '1003' on line 6.",
        "'Date': 1 row, no day can be read, e.g. 'soon' on line 4.",
        "'Yield (kWh)': 1 row, no number can be read, e.g. 'err' on line 3.",
        "'Yield (kWh)': 2 rows, the same time is there twice with different values; neither was taken, "
        "e.g. '8.5' on line 7.",
    ]


def test_where_one_of_two_devices_is_silent_nothing_is_added_up(write: Write) -> None:
    """The second inverter came later; a hole in its readings would make the sum too small."""
    text = (
        "Date,Inverter 1 (kWh),Inverter 2 (kWh)\n2024-03-13,10.5,\n2024-03-14,10.5,4\n2024-03-15,10.5,\n"
        "2024-03-16,10.5,5\n"
    )
    prepared = prepare(write("S001.csv", text), SITES, Settings())
    assert rows(prepared) == [
        day("S001", "2024-03-13", 10.5),
        day("S001", "2024-03-14", 14.5),
        day("S001", "2024-03-16", 15.5),
    ]
    (told,) = doubt_lines(prepared)
    assert told.startswith("'Inverter 1 (kWh)': 1 row, one of several devices says nothing at that time")


def test_none_of_the_sites_known_is_one_sentence(write: Write) -> None:
    text = "Customer No,Date,Yield (kWh)\n8888,2024-03-14,10.5\n9999,2024-03-14,9.5\n"
    with pytest.raises(AftersunError, match="none of the sites that it names is loaded"):
        prepare(write("readings.csv", text), SITES, Settings())


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("S001", {"S001"}),
        ("portal_s001_2024-03", {"S001"}),
        ("1002 March", {"S002"}),
        ("2024", set()),
        ("S0012", set()),
        ("S001 and S002", {"S001", "S002"}),
        ("S003b-June", {"S003b"}),
    ],
)
def test_a_site_is_found_in_the_name_of_a_file(name: str, found: set[str]) -> None:
    assert SITES.in_name(name) == found


def test_a_workbook_with_real_times_on_a_sheet_named_after_the_site(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "S001"
    sheet.append(["Plant report"])
    sheet.append([])
    sheet.append(["Time", "Yield (kWh)", "Remark"])
    for n, at in enumerate(pd.date_range("2024-01-10", periods=24, freq="h")):
        sheet.append([at.to_pydatetime(), 0.125 * (n % 5), "fine"])
    notes = book.create_sheet("Notes")
    notes.append(["Nothing of note"])
    book.save(tmp_path / "report.xlsx")
    prepared = prepare(tmp_path / "report.xlsx", SITES, Settings())
    found = rows(prepared)
    assert len(found) == 24
    assert found[3] == ("S001", "production", "2024-01-10 03:00", "2024-01-10 04:00", 0.375)
    assert "all of site S001, by the name of the sheet" in note_lines(prepared)


def test_a_row_of_totals_below_the_years_is_told_and_left(write: Write) -> None:
    text = "Jahr;Jan;Feb;Mrz\n2022;100,5;200;300\n2023;110;210;310\nSumme;210,5;410;610\n"
    prepared = prepare(write("S001 Ertrag kWh.csv", text), SITES, Settings(unit="kwh"))
    assert len(rows(prepared)) == 6
    assert doubt_lines(prepared) == ["'Jahr': 1 row, no year is named, e.g. 'Summe' on line 4."]


POWER = "".join(f"{time},{n}\n" for n, time in enumerate(quarters("2024-03-30", 300)))
SOUND = [(name, text) for name, text, *_ in [*TYPED.values(), *ASKED.values()]]
SOUND.append(("S001.csv", f"Timestamp,AC power (W)\n{POWER}"))
ODD = ("", "-", "x", "2024", "13/13/2024", "1,5", "1.234", "24:00", "2024-03-31 02:15", "2024-03-31T02:15:00Z", "S001")
ODD += ("9999", "Jan", "\0", "1e9", "-5", "25:00", "01.01.2024", "NaN", "1 000,5 kWh", "3 MW")


def damaged(text: str, chance: random.Random) -> str:
    """Return a text with cells replaced, lines lost, doubled or cut."""
    lines, sign = text.split("\n"), ";" if text.count(";") > text.count(",") else ","
    for _ in range(chance.randrange(1, 6)):
        at, kind = chance.randrange(len(lines)), chance.random()
        if kind < 0.6:
            cells = lines[at].split(sign)
            cells[chance.randrange(len(cells))] = chance.choice(ODD)
            lines[at] = sign.join(cells)
        elif kind < 0.75:
            lines.insert(at, lines[chance.randrange(len(lines))])
        elif kind < 0.9:
            lines = lines[: at + 1]
        else:
            lines[at] = lines[at][: chance.randrange(len(lines[at]) + 1)]
    return "\n".join(lines)


@pytest.mark.parametrize(
    "first", [pytest.param(0, marks=pytest.mark.slow), pytest.param(40, marks=[pytest.mark.slow, pytest.mark.long])]
)
def test_a_damaged_export_ends_in_readings_a_question_or_a_sentence(first: int, tmp_path: Path) -> None:
    ends = set()
    for seed in range(first, 40 if first == 0 else 2_000):
        chance = random.Random(seed)
        name, text = chance.choice(SOUND)
        (tmp_path / name).write_text(damaged(text, chance), encoding="utf-8")
        setting = chance.choice(["clock", "labels", "unit", "meter", "quantity", "decimal", "dates"])
        said = {setting: chance.choice(ALLOWED[setting])} if chance.random() < 0.5 else {}
        try:
            prepared = prepare(tmp_path / name, SITES, Settings(**said))
        except Undecided as left_open:
            ends.add("question")
            if left_open.setting in ALLOWED:
                question(left_open)
        except AftersunError as refused:
            ends.add("sentence")
            str(refused)
        else:
            ends.add("readings")
            for lines in (note_lines, doubt_lines, first_rows):
                lines(prepared)
    assert ends == {"question", "sentence", "readings"}
