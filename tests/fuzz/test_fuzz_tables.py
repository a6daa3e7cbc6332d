"""Tables that were damaged on the way here: each is loaded, row for row, or refused with a sentence.

Always: nothing but a report or an `AftersunError`; accepted + rejected = rows in; after a refusal the inventory is what
it was; no message holds what stands in a customer's personal columns.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from fuzz.damage import MARKER, WRITERS, Case, cases, good_table, write_csv
from fuzz.fuzzed_inventory import FuzzedInventory
from fuzz.trials import run, run_side_by_side
from hypothesis import HealthCheck, given, seed, settings

from aftersun.inventory.store.dictionary import tables
from aftersun.inventory.store.file import Inventory


@pytest.fixture(scope="module")
def fuzzed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FuzzedInventory]:
    with closing(FuzzedInventory(tmp_path_factory.mktemp("fuzz"))) as made:
        yield made


@pytest.mark.parametrize(("kind", "files"), [("csv", 25), ("xlsx", 12), ("parquet", 12), ("calls", 25)])
@pytest.mark.slow
def test_damaged_tables(fuzzed: FuzzedInventory, kind: str, files: int) -> None:
    counts = run((kind, files), fuzzed=fuzzed)
    assert counts["refused"] > 0
    assert counts["with rejects"] > 0


@pytest.mark.long
@pytest.mark.slow
def test_thousands_of_damaged_tables() -> None:
    counts = run_side_by_side([("csv", 2_400), ("xlsx", 1_000), ("parquet", 800), ("calls", 800)])
    assert counts.total() >= 5_000
    assert min(counts.values()) > 300


@pytest.mark.parametrize("files", [40, pytest.param(1_000, marks=pytest.mark.long)])
@pytest.mark.slow
def test_damaged_company_files(files: int) -> None:
    counts = run(("company", files))
    assert min(counts["loaded"], counts["refused"]) > 0


def _write(folder: Path, data: bytes, name: str = "customer.csv") -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


_TEXT = "customer_id,name,last_contact_on\nC1,Zoë,2024-05-01\nC2,Jürgen,2024-05-02\n"


@pytest.mark.slow
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_utf_8_with_and_without_mark(fuzzed: FuzzedInventory, encoding: str) -> None:
    report = fuzzed.try_table("customer", _write(fuzzed.folder, _TEXT.encode(encoding)), 2)
    assert report is not None
    assert report.rejected == 0


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252"])
def test_other_encodings_are_refused_whole(fuzzed: FuzzedInventory, encoding: str) -> None:
    assert fuzzed.try_table("customer", _write(fuzzed.folder, _TEXT.encode(encoding))) is None


def test_one_row_in_another_encoding_is_not_loaded_as_something_else(fuzzed: FuzzedInventory) -> None:
    first, second, third = _TEXT.splitlines(keepends=True)
    mixed = first.encode() + second.encode() + third.encode("cp1252")
    assert fuzzed.try_table("customer", _write(fuzzed.folder, mixed)) is None


def test_nul_in_a_cell_rejects_its_row_alone(fuzzed: FuzzedInventory) -> None:
    report = fuzzed.try_table("customer", _write(fuzzed.folder, _TEXT.replace("Zo", "Z\0o").encode()), 2)
    assert report is not None
    assert (report.accepted, report.rejected) == (1, 1)
    assert "NUL" in report.problems[0]


@pytest.mark.slow
def test_day_first_dates_and_decimal_commas_are_told_and_never_guessed(fuzzed: FuzzedInventory) -> None:
    header = "tariff_id,valid_from,import_price\n"
    report = fuzzed.try_table("tariff", _write(fuzzed.folder, f"{header}T,03.04.2024,0.3\n".encode()), 1)
    assert report is not None
    assert report.rejected == 1
    report = fuzzed.try_table("tariff", _write(fuzzed.folder, f"{header}T,2024-04-03,0,3\n".encode()), 1)
    assert report is not None
    assert report.rejected == 1
    semicolons = f"{header}T,2024-04-03,0.3\n".replace(",", ";").replace(".", ",")
    report = fuzzed.try_table("tariff", _write(fuzzed.folder, semicolons.encode()), 1)
    assert report is not None
    assert report.rejected == 0


def test_a_name_twice_in_the_header_refuses_the_file(fuzzed: FuzzedInventory) -> None:
    data = "customer_id,name,Name\nC1,A,B\n"
    assert fuzzed.try_table("customer", _write(fuzzed.folder, data.encode())) is None


def test_a_key_too_long_for_the_database_is_rejected(fuzzed: FuzzedInventory) -> None:
    data = f"customer_id,name\n{'x' * 130_000},A\nC1,B\n"
    report = fuzzed.try_table("customer", _write(fuzzed.folder, data.encode()), 2)
    assert report is not None
    assert report.rejected == 1


_TORN_HEADERS = {
    "lost line break": f"customer_id,name,C1,{MARKER}\nC2,B\n",
    "lost bytes": f"customer_id,name,emai 3,no,{MARKER}\nC2,A,,yes,C\n",
}


@pytest.mark.parametrize("text", _TORN_HEADERS.values(), ids=_TORN_HEADERS)
def test_a_customer_in_the_header_is_not_told(fuzzed: FuzzedInventory, text: str) -> None:
    report = fuzzed.try_table("customer", _write(fuzzed.folder, text.encode()), 1)
    assert report is not None
    assert "column 4" in report.problems[0]


# ---- through the command line


def _aftersun(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    program = [sys.executable, "-c", "from aftersun.cli import main; main()"]
    return subprocess.run([*program, *map(str, arguments)], capture_output=True, text=True, check=False, timeout=120)


def _cli_holds(done: subprocess.CompletedProcess[str], codes: tuple[int, ...]) -> None:
    assert done.returncode in codes, done.stderr
    assert "Traceback" not in done.stderr
    assert MARKER not in done.stdout + done.stderr


@pytest.mark.slow
def test_the_command_ends_with_2_or_3_and_a_sentence(tmp_path: Path) -> None:
    inventory = tmp_path / "company.duckdb"
    Inventory.create(inventory).close()
    text = "\n".join(",".join(cells) for cells in good_table("customer"))
    utf_16 = _write(tmp_path, text.encode("utf-16"))
    done = _aftersun("inventory", "load", inventory, utf_16)
    _cli_holds(done, (2,))
    assert "not UTF-8" in done.stderr
    holes = _write(tmp_path, f"{text}\nC9,{MARKER},too,many,cells,for,the,header,of,this,file,here\n".encode())
    _cli_holds(_aftersun("inventory", "load", inventory, holes), (3,))


@pytest.mark.slow
def test_the_command_never_ends_with_1(tmp_path: Path) -> None:
    inventory = tmp_path / "company.duckdb"
    Inventory.create(inventory).close()
    for table in tables():
        path = tmp_path / f"{table}.csv"
        write_csv(Case(table, [], (0, 19, 0, 0), []), path)
        assert _aftersun("inventory", "load", inventory, path).returncode == 0

    @seed(0)
    @settings(max_examples=15, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(cases())
    def tried(case: Case) -> None:
        kind = sorted(WRITERS)[case.style[0] % len(WRITERS)]
        path = tmp_path / f"{case.table}-damaged.{kind}"
        WRITERS[kind](case, path)
        _cli_holds(_aftersun("inventory", "load", inventory, path), (0, 2, 3))

    tried()
