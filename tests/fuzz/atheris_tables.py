"""Byte-level fuzzing of the readers, led by what code the bytes reach. Run by hand where atheris is installed.

    pip install atheris
    PYTHONPATH=tests python tests/fuzz/atheris_tables.py csv seeds-csv -max_total_time=300

The first word is what the bytes are: csv, xlsx, parquet, weather or rain; the second a folder of files to begin with,
made and filled with good ones if it is missing; the rest goes to libFuzzer. What must hold is the same as in the tests
beside this file. A file that breaks it is left in the working folder as ``crash-...``; give its name in place of the
folder to try it again.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["aftersun", "openpyxl"]):
    from fuzz.damage import WRITERS, Case
    from fuzz.fuzzed_inventory import FuzzedInventory, check_words
    from fuzz.skies import RAIN, WEATHER, good_text

    from aftersun.climate.rain_file import read_rain
    from aftersun.climate.read import read_weather
    from aftersun.inventory.store.dictionary import tables
    from aftersun.model.errors import AftersunError

_AS_IT_IS = (0, 19, 0, 0)


def _seeds(kind: str) -> list[bytes]:
    """Good files: for a table, after a byte that says which it is."""
    if kind not in WRITERS:
        return [good_text(one, short=True).encode() for one in (RAIN if kind == "rain" else WEATHER)]
    made = []
    for number, table in enumerate(tables()):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"good.{kind}"
            WRITERS[kind](Case(table, [], _AS_IT_IS, []), path)
            made.append(bytes([number]) + path.read_bytes())
    return made


def _trial(kind: str, folder: Path) -> Callable[[bytes], None]:
    path = folder / f"file.{kind}"
    if kind in WRITERS:
        fuzzed = FuzzedInventory(folder)

        def try_table(data: bytes) -> None:
            if data:
                path.write_bytes(data[1:])
                fuzzed.try_table(tables()[data[0] % len(tables())], path)

        return try_table

    def try_sky(data: bytes) -> None:
        path.write_bytes(data)
        try:
            (read_rain if kind == "rain" else read_weather)(path)
        except AftersunError as error:
            check_words(error)

    return try_sky


def main() -> None:
    """Fuzz until libFuzzer's options say stop."""
    kind, start = sys.argv[1], Path(sys.argv[2])
    if not start.exists():
        start.mkdir(parents=True)
        for number, seed in enumerate(_seeds(kind)):
            (start / f"good-{number}").write_bytes(seed)
    with tempfile.TemporaryDirectory() as folder:
        atheris.Setup([sys.argv[0], *sys.argv[2:]], _trial(kind, Path(folder)))
        atheris.Fuzz()


if __name__ == "__main__":
    main()
