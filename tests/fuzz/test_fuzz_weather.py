"""Weather and rain files that were damaged on the way here: each gives a whole year or is refused with a sentence."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from fuzz.fuzzed_inventory import check_words
from fuzz.skies import RAIN, WEATHER, good_text
from fuzz.trials import run, run_side_by_side

from aftersun.climate.rain_file import read_rain
from aftersun.climate.read import read_weather
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError


@pytest.mark.slow
@pytest.mark.parametrize("kind", [*WEATHER, *RAIN])
def test_the_good_files_are_good(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "good.txt"
    path.write_text(good_text(kind, short=False), encoding="utf-8")
    if kind in RAIN:
        assert read_rain(path).mm is not None
    else:
        assert len(read_weather(path).year.ghi) == 8760


@pytest.mark.parametrize(("kind", "files"), [("short weather", 60), ("whole weather", 4), ("rain", 46)])
@pytest.mark.slow
def test_damaged_weather(kind: str, files: int) -> None:
    assert run((kind, files))["refused"] > 0


@pytest.mark.long
@pytest.mark.slow
def test_thousands_of_damaged_weather_files() -> None:
    counts = run_side_by_side([("short weather", 3_400), ("whole weather", 400), ("rain", 2_000)])
    assert counts.total() >= 5_800
    assert min(counts.values()) > 100


_BROKEN = {
    "nested": '{"inputs": {}, "tmy_hourly": [' + "[" * 100_000,
    "no record": "LOCATION,a,b,c,d,1,45,8,1,250\n",
    "endless number": '{"tmy_hourly": [' + "9" * 10_000 + "]}",
    "endless cell": "date,rain_mm\n2023-01-01," + "x" * 200_000,
    "endless cell in a plain table": '# latitude = 45\nhour,ghi,"' + "x" * 200_000,
    "empty": "",
    "zeros": "\0" * 10_000,
}


@pytest.mark.parametrize("text", _BROKEN.values(), ids=_BROKEN)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le"])
def test_what_is_hardly_a_file(tmp_path: Path, text: str, encoding: str) -> None:
    path = tmp_path / "odd.txt"
    path.write_bytes(text.encode(encoding))
    for read in (read_weather, read_rain):
        with pytest.raises(AftersunError) as error:
            read(path)
        check_words(error.value)


@pytest.mark.slow
def test_the_command_ends_with_2(tmp_path: Path) -> None:
    inventory, path = tmp_path / "company.duckdb", tmp_path / "odd.json"
    Inventory.create(inventory).close()
    path.write_text(_BROKEN["nested"], encoding="utf-8")
    program = [sys.executable, "-c", "from aftersun.cli import main; main()"]
    arguments = [*program, "weather", "add", str(inventory), str(path)]
    done = subprocess.run(arguments, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
