"""Loading readings as portals export them from the command line. All systems and figures are invented."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from aftersun.cli.readings import are_readings
from aftersun.inventory.store.file import Inventory

LIST = """\
Customer No,Name,Lat,Lon,kWp,Tilt,Azimuth
1001,Ada Rook,50.94,6.96,8,30,180
1002,Bo Finch,50.72,-3.53,4,30,180
"""
DAYS = "Date,Yield (kWh)\n2024-03-14,12.5\n2024-03-15,8.25\n"
LISTS = Path(__file__).parents[1] / "inventory" / "office_list" / "lists"


@pytest.fixture
def office(aftersun, tmp_path: Path) -> Path:
    Inventory.create(tmp_path / "company.duckdb").close()
    (tmp_path / "list.csv").write_text(LIST, encoding="utf-8")
    aftersun("inventory", "load", tmp_path / "company.duckdb", tmp_path / "list.csv", "--yes")
    return tmp_path


def _readings(folder: Path) -> list[tuple[object, ...]]:
    with Inventory.open(folder / "company.duckdb", read_only=True) as inventory:
        query = "SELECT site_id, meter, strftime(starts_at, '%Y-%m-%d %H:%M'), kwh FROM reading ORDER BY ALL"
        return inventory.connection.execute(query).fetchall()


def _load(aftersun, folder: Path, name: str, text: str, *words: str):
    (folder / name).write_text(text, encoding="utf-8")
    return aftersun("inventory", "load", folder / "company.duckdb", folder / name, *words)


@pytest.mark.slow
def test_readings_are_loaded_as_lists_are(aftersun, office: Path) -> None:
    done = _load(aftersun, office, "1001 daily.csv", DAYS, "--yes")
    assert done.code == 0
    said = " ".join(done.out.split())
    assert "'Date' is when" in said
    assert "'Yield (kWh)' is production energy in kWh" in said
    assert "all of site 1001, by the file's name" in said
    assert "1001 production: 2024-03-14 00:00 to 2024-03-15 00:00, 12.5 kWh" in said
    assert "1001 daily.csv -> reading: 2 rows, 2 added, 0 changed, 0 unchanged, 0 rejected" in said
    assert _readings(office) == [
        ("1001", "production", "2024-03-14 00:00", 12.5),
        ("1001", "production", "2024-03-15 00:00", 8.25),
    ]
    again = aftersun("inventory", "load", office / "company.duckdb", office / "1001 daily.csv", "--yes", "--json")
    (loaded,) = json.loads(again.out)
    assert (loaded["tables"][0]["unchanged"], loaded["tables"][0]["load_id"]) == (2, None)


@pytest.mark.slow
def test_a_list_and_its_readings_are_loaded_in_one_command(aftersun, office: Path) -> None:
    (office / "1001.csv").write_text(DAYS, encoding="utf-8")
    Inventory.create(office / "new.duckdb").close()
    done = aftersun("inventory", "load", office / "new.duckdb", office / "1001.csv", office / "list.csv", "--yes")
    assert "1001.csv -> reading: 2 rows, 2 added" in done.out


@pytest.mark.slow
def test_what_is_left_open_is_asked_or_refused_in_one_sentence(
    aftersun, office: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    refused = _load(aftersun, office, "june.csv", DAYS, "--yes")
    assert refused.code == 2
    assert "june.csv: Of which site are these readings (its number or its customer's)?" in " ".join(refused.err.split())
    assert "--readings site=NUMBER" in " ".join(refused.err.split())
    assert _readings(office) == []
    monkeypatch.setattr("sys.stdin", io.StringIO("1002\ny\n"))
    assert _load(aftersun, office, "june.csv", DAYS).code == 0
    assert {row[0] for row in _readings(office)} == {"1002"}
    done = _load(aftersun, office, "june.csv", DAYS, "--yes", "--readings", "site=ada rook")
    assert done.code == 0
    assert {row[0] for row in _readings(office)} == {"1001", "1002"}


@pytest.mark.slow
def test_a_setting_that_is_none_is_refused(aftersun, office: Path) -> None:
    assert "nothing is called sight" in _load(aftersun, office, "j.csv", DAYS, "--yes", "--readings", "sight=1").err
    assert "meter may not be that" in _load(aftersun, office, "j.csv", DAYS, "--yes", "--readings", "meter=x").err
    assert "No site is called that" in _load(aftersun, office, "j.csv", DAYS, "--yes", "--readings", "site=77").err
    assert _readings(office) == []


@pytest.mark.slow
def test_an_answer_is_kept_for_the_next_export_of_the_kind(aftersun, office: Path) -> None:
    text = "Date,kWh\n2024-03-14,12.5\n2024-03-15,8.25\n"
    assert "--readings meter=" in _load(aftersun, office, "1001.csv", text, "--yes").err
    assert _load(aftersun, office, "1001.csv", text, "--yes", "--readings", "meter=import").code == 0
    assert _load(aftersun, office, "1002.csv", text, "--yes").code == 0
    assert [(row[0], row[1]) for row in _readings(office)][::2] == [("1001", "import"), ("1002", "import")]
    (mapping,) = office.glob("company.readings-*.mapping.toml")
    assert 'meter = "import"' in mapping.read_text("utf-8")
    assert "site = " not in mapping.read_text("utf-8")
    mapping.write_text(mapping.read_text("utf-8").replace('"kWh" = "energy"', '"kWh" = "export energy"'), "utf-8")
    assert _load(aftersun, office, "1002.csv", text, "--yes").code == 0
    assert ("1002", "export") in {row[:2] for row in _readings(office)}


@pytest.mark.slow
def test_files_of_two_inverters_are_added_up_when_that_is_said(aftersun, office: Path) -> None:
    paths = [office / "1001 east.csv", office / "1001 west.csv"]
    paths[0].write_text(DAYS, encoding="utf-8")
    paths[1].write_text(DAYS.replace("12.5", "4"), encoding="utf-8")
    words = ("inventory", "load", office / "company.duckdb", *paths, "--yes")
    refused = aftersun(*words)
    assert refused.code == 2
    assert "give the same meter different values at the same time" in " ".join(refused.err.split())
    assert _readings(office) == []
    done = aftersun(*words, "--add-up")
    assert "2 devices or columns of a site are added up" in done.out
    assert [row[3] for row in _readings(office)] == [16.5, 16.5]
    replaced = aftersun("inventory", "load", office / "company.duckdb", paths[0], "--yes")
    assert "2 readings loaded before said something else and were replaced" in " ".join(replaced.out.split())


@pytest.mark.slow
def test_wh_under_kwh_is_noticed_at_load(aftersun, office: Path) -> None:
    """8 kW make 46.08 kWh in two days (0.12 kW/kW, mean_output of the limits of readings): 40750 are 884 times that."""
    text = "Date,Yield (kWh)\n2024-03-14,22500\n2024-03-15,18250\n"
    refused = _load(aftersun, office, "1001.csv", text, "--yes")
    said = " ".join(refused.err.split())
    assert "'Yield (kWh)' holds 884 times what the systems can make or use: is it Wh, not kWh?" in said
    assert "--readings unit=" in said
    assert _load(aftersun, office, "1001.csv", text, "--yes", "--readings", "unit=wh").code == 0
    assert [row[3] for row in _readings(office)] == [22.5, 18.25]


@pytest.mark.parametrize("name", [path.name for path in sorted(LISTS.glob("*.csv"))])
def test_a_list_of_customers_is_none_of_readings(name: str) -> None:
    assert not are_readings(LISTS / name)


def test_an_export_is_one_of_readings(tmp_path: Path) -> None:
    for text in (DAYS, "Kunde;Jan;Feb;Mrz\n1;2;3;4\n", "Monat;2022;2023\nJan;1;2\n", "Tag;Leistung (W)\n1.2.2024;3\n"):
        (tmp_path / "x.csv").write_text(text, encoding="utf-8")
        assert are_readings(tmp_path / "x.csv")
