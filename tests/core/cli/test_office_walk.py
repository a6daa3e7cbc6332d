"""An office's own list of 600 customers, from the sheet as it was typed to a stored ranking. All people are invented.

The towns are real, so that roofs can be placed.
"""

from __future__ import annotations

import csv
import random
from datetime import date, timedelta
from pathlib import Path

import pytest
from demo_support import keep_sites
from run_support import BUILT_IN

from aftersun.inventory.store.file import Inventory

ROWS = 600
HEADINGS = (
    "Customer No;Name;Street;Postcode;Town;Phone;E-mail;System size;Panels;Roof direction;Pitch;Installed;Yearly usage;"
    "Hot water;Tank;Battery;Roof;Birds;Tariff;Price/kWh;OK to call;Last contact;Favourite cake"
)
TOWNS = (*("Exeter", "EXMOUTH", "exeter ", "Exmouth", "Exeter") * 2,)  # near one another: one weather year for all
COMPANY = {"name": '"Larkmoor Solar"', "currency": '"GBP"', "base_latitude": "50.72", "base_longitude": "-3.53"}


def one_row(number: int, chance: random.Random) -> list[str]:
    """Return a row as somebody in an office types it."""
    kw, day = chance.uniform(2, 9), date(2009, 1, 1) + timedelta(days=chance.randrange(5_400))
    size = [f"{kw:.1f} kWp".replace(".", ","), f"{1000 * kw:.0f} W", f"{int(kw / 0.35) + 1} x 350 W", ""]
    installed = [f"{day:%d/%m/%Y}", f"{day:%d.%m.%y}", f"{day:%Y}", f"{day:%d %b %Y}", "", "asked in spring"]
    return [
        str(1000 + number),
        f"Household {number}",
        f"{chance.choice(['Plover Row', 'Sallow Bank'])} {number}",
        chance.choice(["EX1 1AA", "01234", ""]),
        "Nowhere-on-Sea" if number % 100 == 99 else chance.choice(TOWNS),
        f"000 {number:07}",
        "" if chance.random() < 0.3 else f"h{number}@larkmoor.invalid",
        chance.choice(size),
        chance.choice(["12", "16 panels", ""]),
        chance.choice(["S", "SSW", "SE", "South", "W", "E", "?", ""]),
        chance.choice(["30", "35°", "40 deg", "steep", "30-35", ""]),
        chance.choice(installed),
        chance.choice(["3.500", "8.000", "4.200 kWh", "4,5 MWh", "", "2.900"]),
        chance.choice(["combi", "gas", "heatpump", "oil", ""]),
        chance.choice(["200 l", "150", "none", ""]),
        chance.choice(["", "no", "9,6 kWh", "200 Ah x 48 V"]),
        chance.choice(["tile", "slate", "tin", ""]),
        chance.choice(["sí", "no", "x", "", "many"]),
        chance.choice(["home", "economy"]),
        chance.choice(["0,30", "30 p"]),
        chance.choice(["yes", "no", ""]),
        chance.choice(["12/05/2023", "25/11/2023", "2022", ""]),
        "plum",
    ]


@pytest.fixture(scope="module")
def sheet() -> list[list[str]]:
    """The rows of the sheet, a title above; with one slip of each kind, and one customer twice."""
    chance = random.Random(600)
    rows = [one_row(number, chance) for number in range(ROWS)]
    rows[10][7:9] = "4200 kWp", "12"  # W as kW
    rows[11][11] = "02/03/2099"
    rows[12][12] = "0,15 MWh"
    rows[13][5] = rows[14][5]
    return [["Larkmoor Solar, all customers, printed in June"], [], HEADINGS.split(";"), *rows]


@pytest.fixture
def office(sheet: list[list[str]], aftersun, tmp_path: Path) -> Path:
    with (tmp_path / "list.csv").open("w", encoding="cp1252", newline="") as file:
        csv.writer(file, delimiter=";").writerows(sheet)
    Inventory.create(tmp_path / "company.duckdb").close()
    aftersun("company", "new", tmp_path / "company.toml")
    lines = (tmp_path / "company.toml").read_text("utf-8").splitlines()
    filled = [f"{name} = {COMPANY[name]}" if (name := line.partition(" =")[0]) in COMPANY else line for line in lines]
    off = [name for name in BUILT_IN if name != "monitoring_add_on"]  # one is enough to see who is valued
    text = "\n".join(filled).replace("off = []", f"off = {off}")
    (tmp_path / "company.toml").write_text(text, encoding="utf-8")
    return tmp_path


def _one(inventory: Path, query: str) -> list[tuple[object, ...]]:
    with Inventory.open(inventory, read_only=True) as source:
        return source.connection.execute(query).fetchall()


@pytest.mark.parametrize("every", [pytest.param(5, marks=pytest.mark.slow), pytest.param(1, marks=pytest.mark.long)])
def test_two_commands_lead_from_the_sheet_to_a_stored_ranking(aftersun, office: Path, every: int) -> None:
    """Six of 600 live where no town is known here; all others are valued, whatever was left blank.

    To be quick only every fifth is valued, all of them with ``-m long``.
    """
    words = ("--yes", "--merge-doubles", "--for-all", "customer.contact_basis=agreed in the contract")
    loaded = aftersun("inventory", "load", office / "company.duckdb", office / "list.csv", *words)
    said = " ".join(loaded.out.split())
    assert loaded.code == 3
    assert "600 rows under headings of its own" in said
    assert "left out, nobody needs them: 'Favourite cake'" in said
    assert "594 by town; country GB" in said
    assert "1 customer under several numbers, taken for one each" in said
    assert "site: 600 rows, 600 added, 0 changed, 0 unchanged, 0 rejected" in said
    for doubt in (
        "array.tilt_deg: 107 cells, no number can be read, e.g. 'steep' on line 4.",
        "array.tilt_deg: 94 cells, two numbers in one cell; write the one that is meant, e.g. '30-35' on line 14.",
        "site.commissioned_on: 98 cells, no day can be read, e.g. 'asked in spring' on line 16.",
        "site.birds_seen: 114 cells, neither yes nor no, e.g. 'many' on line 22.",
        "list.town: 6 cells, no place of this name is known in its country",
    ):
        assert f"doubtful, {doubt}" in said
    for slip in (
        "1 of 600 arrays: rating of a module outside 0.05 to 0.8 kW: 1010-A1.",
        "1 of 600 sites are commissioned in the future: 1011.",
        "1 of 600 sites use less than 200 kWh a year: 1012.",
        "1 of 600 arrays have more than 100 times the rating of the middle one: 1010-A1.",
    ):
        assert f"odd: {slip}" in said
    assert "odd: 6 of 600 sites have no position" in said
    query = "SELECT site_id, latitude IS NOT NULL FROM site ORDER BY 1"
    placed = dict(_one(office / "company.duckdb", query))
    sites = list(placed)
    keep_sites(office / "company.duckdb", [str(site) for site in sites[::every]])
    ranked = aftersun("rank", office / "company.duckdb", "--no-ranges")
    assert ranked.code == 0
    ((valued,),) = _one(office / "company.duckdb", "SELECT count(DISTINCT site_id) FROM ranking")
    assert valued == sum(placed[site] for site in sites[::every])
    assert sum(placed.values()) >= 0.97 * ROWS


@pytest.mark.slow
def test_a_later_list_without_the_slips_mends_them(aftersun, sheet: list[list[str]], office: Path) -> None:
    """What was odd is odd no longer, and nothing else changes."""
    words = ("inventory", "load", office / "company.duckdb", office / "list.csv", "--yes")
    aftersun(*words)
    mended = [list(row) for row in sheet]
    mended[13][7], mended[14][11], mended[15][12] = "4,2 kWp", "02/03/2019", "1,5 MWh"
    with (office / "list.csv").open("w", encoding="cp1252", newline="") as file:
        csv.writer(file, delimiter=";").writerows(mended)
    said = aftersun(*words).out
    assert "site: 600 rows, 0 added, 2 changed, 598 unchanged" in said
    assert "array: 600 rows, 0 added, 1 changed, 599 unchanged" in said
    assert "commissioned in the future" not in said
    assert "less than 200 kWh" not in said
    assert "100 times" not in said


@pytest.mark.slow
def test_a_postcode_table_and_the_base_place_a_list(aftersun, tmp_path: Path) -> None:
    """Neustadt is the name of several towns: which one is taken is said. A plus code goes before all else."""
    rows = "1;A;01067;;4;\n2;B;1067;;4;\n3;C;;Neustadt;4;\n4;D;;;4;9F4M3MX4+RQ\n"
    (tmp_path / "list.csv").write_text(f"Kundennummer;Name;PLZ;Ort;kWp;Plus Code\n{rows}", encoding="utf-8")
    codes = "DE\t01067\tDresden\tSachsen\tSN\t\t00\tDresden\t14612\t51.0600\t13.7200\t\n"
    (tmp_path / "codes.txt").write_text(codes, encoding="utf-8")
    Inventory.create(tmp_path / "company.duckdb").close()
    words = ("--yes", "--country", "DE", "--postcodes", tmp_path / "codes.txt")
    done = aftersun("inventory", "load", tmp_path / "company.duckdb", tmp_path / "list.csv", *words)
    said = " ".join(done.out.split())
    assert "placed without latitude and longitude: 1 by plus code, 2 by postcode, 1 by town; country DE" in said
    assert "1 live in a town whose name several places bear" in said
    found = _one(
        tmp_path / "company.duckdb", "SELECT site_id, round(latitude, 2), placed_within_km FROM site ORDER BY 1"
    )
    assert [row[1] for row in found[:2]] == [51.06, 51.06]  # as the table says, with the zero a spreadsheet took
    assert all(isinstance(row[2], float) for row in found)  # how far off it may be is kept
    mapping = (tmp_path / "company.mapping.toml").read_text("utf-8")
    assert 'country = "DE"' in mapping
    assert "codes.txt" in mapping
