"""The weather commands as a user meets them: what is kept, what is said, and exit codes."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pvlib
import pytest
from loopback import serving
from weather_support import as_json, pvgis_tmy

from aftersun.inventory.store.file import Inventory

GREENSBORO = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"


@pytest.fixture(scope="module")
def empty(tmp_path_factory):
    path = tmp_path_factory.mktemp("weather") / "company.duckdb"
    Inventory.create(path).close()
    return path


@pytest.fixture
def inventory(empty, tmp_path):
    return shutil.copy(empty, tmp_path / "company.duckdb")


@pytest.fixture
def pvgis(tmp_path):
    path = tmp_path / "place.json"
    path.write_text(as_json(pvgis_tmy()), encoding="utf-8")
    return path


@pytest.fixture
def rain(tmp_path):
    path = tmp_path / "rain.csv"
    path.write_text("month,rain_mm\n" + "".join(f"{month},50\n" for month in range(1, 13)), encoding="utf-8")
    return path


def stations(aftersun, inventory):
    return json.loads(aftersun("weather", "list", inventory, "--json").out)


@pytest.mark.slow
def test_add_says_source_rain_and_remarks(aftersun, inventory, pvgis):
    ran = aftersun("weather", "add", inventory, pvgis)
    assert ran.code == 0
    text = " ".join(ran.out.split())
    assert "45.000_8.000 45.000_8.000 (45.00, 8.00, 250 m)" in text
    assert "source: PVGIS typical year (PVGIS-SARAH3)" in text
    assert "rain: no rain: the file has no rain values" in text
    assert "note: its hours were turned from UTC to UTC+1" in text
    assert "already there, unchanged" in aftersun("weather", "add", inventory, pvgis).out


@pytest.mark.slow
def test_rain_of_a_separate_file_replaces_what_was_kept(aftersun, inventory, pvgis, rain):
    assert aftersun("weather", "add", inventory, pvgis).code == 0
    ran = aftersun("weather", "add", inventory, pvgis, "--rain", rain)
    assert ran.code == 0
    assert "; added" in ran.out
    (station,) = stations(aftersun, inventory)
    assert station["rain_basis"].startswith("monthly totals of a separate file, laid on ")
    assert "600 mm in it" in station["rain_basis"]


@pytest.mark.slow
def test_standard_time_can_be_given(aftersun, inventory, pvgis):
    assert aftersun("weather", "add", inventory, pvgis, "--utc-offset", -2).code == 0
    assert stations(aftersun, inventory)[0]["utc_offset_h"] == -2.0


@pytest.mark.slow
def test_two_clocks_are_refused_and_mended_if_asked(aftersun, inventory, tmp_path):
    head, names, *lines = GREENSBORO.read_text(encoding="utf-8").splitlines()
    columns = names.split(",")
    cells = np.array([line.split(",") for line in lines], dtype=object)
    june = np.array([line.startswith("06/") for line in lines])
    for name in ("GHI (W/m^2)", "DNI (W/m^2)", "DHI (W/m^2)"):
        at = columns.index(name)
        cells[june, at] = np.roll(cells[june, at], -1)
    path = tmp_path / "year.csv"
    path.write_text("\n".join([head, names, *(",".join(row) for row in cells)]) + "\n", encoding="utf-8")
    ran = aftersun("weather", "add", inventory, path)
    assert (ran.code, ran.out) == (2, "")
    assert "--correct-clock" in ran.err
    ran = aftersun("weather", "add", inventory, path, "--correct-clock")
    assert ran.code == 0
    assert "as asked, irradiance of Jun was moved 1 h later" in " ".join(ran.out.split())
    assert "as asked, irradiance of Jun was moved 1 h later" in stations(aftersun, inventory)[0]["source"]


@pytest.mark.slow
def test_a_bad_file_among_good_ones_leaves_all_as_it_was(aftersun, inventory, pvgis, tmp_path):
    bad = tmp_path / "bad.csv"
    bad.write_text("no weather\n", encoding="utf-8")
    assert aftersun("weather", "add", inventory, pvgis, bad).code == 2
    assert stations(aftersun, inventory) == []


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["add", "{}", "{}.none"], "cannot be read"),
        (["add", "{}", GREENSBORO, "--rain", "{}.none"], "cannot be read"),
        (["add", "{}", GREENSBORO, GREENSBORO, "--rain", "{}.none"], "belong to one place"),
        (["add", "{}", GREENSBORO, "--utc-offset", "1"], "states its own time zone"),
        (["fetch", "{}", "--latitude", "95", "--longitude", "8"], "no such place"),
        (["fetch", "{}", "--latitude", "45", "--longitude", "8", "--url", "nowhere"], "address of the service"),
        (["fetch", "{}", "--latitude", "45", "--longitude", "8", "--url", "http://127.0.0.1:9"], "cannot be reached"),
        (["fetch", "{}.none", "--latitude", "45", "--longitude", "8", "--url", "http://127.0.0.1:9"], ".none"),
        (["fetch", "{}", "--latitude", "north", "--longitude", "8"], "valid number"),
        (["fetch", "{}", "--latitude", "45"], "--longitude"),
    ],
)
@pytest.mark.few_quick
@pytest.mark.few_quick
def test_what_a_user_can_do_wrong(aftersun, inventory, monkeypatch, words, says):
    monkeypatch.setenv("NO_PROXY", "*")
    ran = aftersun("weather", *(str(word).format(inventory) for word in words))
    assert (ran.code, ran.out) == (2, "")
    assert says in ran.err
    assert "Traceback" not in ran.err


@pytest.mark.slow
def test_fetch_keeps_the_year(aftersun, inventory, monkeypatch, rain):
    monkeypatch.setenv("NO_PROXY", "*")
    with serving() as service:
        service.answer(as_json(pvgis_tmy()))
        place = ["--latitude", 45, "--longitude", 8]
        ran = aftersun("weather", "fetch", inventory, *place, "--url", service.url, "--rain", rain)
    assert ran.code == 0
    assert "; added" in ran.out
    (station,) = stations(aftersun, inventory)
    assert (station["station_id"], station["source"]) == ("45.000_8.000", "PVGIS typical year (PVGIS-SARAH3)")
    assert station["rain_basis"].startswith("monthly totals")


def test_help_of_fetch_says_what_is_sent(aftersun):
    ran = aftersun("weather", "fetch", "--help")
    text = " ".join(ran.out.split())
    assert "Example: aftersun weather fetch" in text
    assert "Sends the two coordinates given here" in text
