"""Several people at one inventory: they wait for each other, and nobody holds it while computing or printing."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from subprocess import DEVNULL, PIPE
from types import SimpleNamespace

import pandas as pd
import pytest
from demo_support import SITES
from run_support import write_elsewhere

from aftersun.documents import compare
from aftersun.inventory.loading import checks, load
from aftersun.inventory.log import call_table
from aftersun.inventory.store import backup, file
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError
from aftersun.scoring.run import site_detail, what_if

SITE = SITES[0]
HOLD = """
import duckdb, sys
with duckdb.connect(sys.argv[1], read_only=bool(int(sys.argv[2]))):
    print("held", flush=True)
    sys.stdin.read()
"""
PROGRAM = (sys.executable, "-c", "from aftersun.cli import main; main()")
# Where the machine does much else, one command alone may take longer than others wait: here they wait longer.
PATIENT = "from aftersun.inventory.store import file; file._LOCK_WAIT_S = 120.0; from aftersun.cli import main; main()"
AT_ONCE = (sys.executable, "-c", PATIENT)


@pytest.fixture
def inventory(demo_folder: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(demo_folder / "demo.duckdb", tmp_path))


@contextmanager
def held(inventory: Path, read_only: bool) -> Iterator[subprocess.Popen[bytes]]:
    """Have another process hold an inventory until it is told to let go, by ``communicate``."""
    words = [sys.executable, "-c", HOLD, str(inventory), str(int(read_only))]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        yield holder


def call(inventory: Path, site: str = SITE) -> list[str]:
    return ["log", "call", str(inventory), site, "--outcome", "unreached", "--on", "2026-05-01"]


@pytest.mark.parametrize(("read_only", "words"), [(True, "log"), (False, "log"), (False, "show")])
@pytest.mark.slow
def test_who_meets_another_waits_and_says_for_whom(aftersun, inventory, monkeypatch, caplog, read_only, words):
    with held(inventory, read_only) as holder:
        now = [0.0]

        def sleep(_: float) -> None:
            if now[0] > 2:  # as long as the wait once was
                holder.communicate()
            now[0] += 1.5

        monkeypatch.setattr(file, "time", SimpleNamespace(monotonic=lambda: now[0], sleep=sleep))
        ran = aftersun(*(call(inventory) if words == "log" else ["log", "show", inventory]))
    assert ran.code == 0
    assert [text.partition(" (")[0] for text in caplog.messages] == [f"waiting for the process with PID {holder.pid}"]


@pytest.mark.slow
def test_a_logger_waits_longer_than_a_colleague_takes(inventory):
    with (
        held(inventory, True) as holder,
        subprocess.Popen(
            [*PROGRAM, *call(inventory)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        ) as logger,
    ):
        assert logger.stderr is not None
        assert logger.stderr.readline().startswith(f"waiting for the process with PID {holder.pid} (python")
        time.sleep(3)
        holder.communicate()
        out, err = logger.communicate()
    assert (logger.returncode, out, err) == (0, "Recorded as entry 1; 0 facts learnt.\n", "")


@pytest.mark.parametrize(
    ("module", "name", "words"),
    [
        (site_detail, "look_closer", ("explain", SITE, "--all")),
        (what_if, "run_with_changes", ("what-if", "--site", SITE, "--if", "tariff.export_price=0.1")),
    ],
)
@pytest.mark.slow
def test_the_file_is_free_while_a_command_computes(aftersun, inventory, monkeypatch, module, name, words):
    def computed(*_args: object) -> None:
        write_elsewhere(inventory)
        raise AftersunError("as far as this")

    monkeypatch.setattr(module, name, computed)
    ran = aftersun(words[0], inventory, *words[1:])
    assert (ran.code, ran.err) == (2, "aftersun: as far as this\n")


@pytest.mark.slow
def test_the_file_is_free_while_a_pager_waits(inventory):
    with subprocess.Popen(
        [*PROGRAM, "inventory", "changes", str(inventory), "--json"], stdout=subprocess.PIPE
    ) as pager:
        assert pager.stdout is not None
        pager.stdout.read(1)  # there is more than the pipe takes
        write_elsewhere(inventory)
        assert len(pager.stdout.read()) > 200_000


@pytest.mark.slow
def test_five_who_log_at_once_beside_readers_and_a_writer_of_letters_all_succeed(inventory, tmp_path):
    def running(*words: object) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [*AT_ONCE, *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=tmp_path
        )

    processes = [running(*call(inventory, site)) for site in SITES[:5]]
    processes += [running("calls", inventory), running("log", "show", inventory)]
    processes.append(
        running("write", inventory, "--to", tmp_path / "out", "--letters", 2, "--only", "offer_letter", "--issue")
    )
    ended = [(process.communicate(timeout=300), process.returncode) for process in processes]
    assert [code for _, code in ended] == [0] * 8, ended
    with Inventory.open(inventory, read_only=True) as opened:
        found = opened.connection.execute("SELECT site_id FROM call_log ORDER BY site_id").fetchall()
        letters = opened.connection.execute("SELECT number, version FROM letter").fetchall()
    assert found == [(site,) for site in SITES[:5]]
    assert sorted(int(number[5:]) for number, _ in letters) == list(range(1, len(letters) + 1))
    assert len(letters) > 2  # two offers, and a notice for each site with a hazard
    assert {version for _, version in letters} == {1}
    assert (tmp_path / "out" / "manifest.json").exists()


HOURS = 2000  # of readings: enough rows for the command to take longer than those who log need to begin


def _readings(path: Path) -> Path:
    """Write a large table of readings of twelve sites."""
    hours = pd.date_range("2023-01-01", periods=HOURS, freq="h").strftime("%Y-%m-%d %H:%M")
    rows = [f"{site},import,{since},{until},0.4" for site in SITES[:12] for since, until in pairwise(hours)]
    path.write_text("\n".join(["site_id,meter,starts_at,ends_at,kwh", *rows, ""]))
    return path


def _calls(path: Path) -> Path:
    """Write a table of a call at each of twelve sites."""
    rows = [f"{site},2026-05-02,unreached" for site in SITES[:12]]
    path.write_text("\n".join(["site_id,called_on,outcome", *rows, ""]))
    return path


@pytest.mark.parametrize("what", ["load", "log", "check", "compare", "backup"])
@pytest.mark.slow
def test_the_file_is_free_while_a_table_is_read_and_while_a_copy_is_looked_at(
    aftersun, inventory, tmp_path, monkeypatch, what
):
    """Of each command the part that takes long finds the file free for a writer."""
    module, name, words = {
        "load": (load, "check_file", ["inventory", "load", inventory, _readings(tmp_path / "reading.csv")]),
        "log": (call_table, "read_cells", ["log", "load", inventory, _calls(tmp_path / "calls.csv")]),
        "check": (checks, "check_inventory", ["inventory", "check", inventory]),
        "compare": (compare, "compare", ["compare", inventory]),
        "backup": (backup, "write_copy", ["inventory", "backup", inventory, "--to", tmp_path / "copy.duckdb"]),
    }[what]

    def computed(*_args: object, **_named: object) -> None:
        write_elsewhere(inventory)
        raise AftersunError("as far as this")

    monkeypatch.setattr(module, name, computed)
    ran = aftersun(*words)
    assert (ran.code, ran.err) == (2, "aftersun: as far as this\n")


@pytest.mark.slow
def test_five_log_while_a_large_table_is_loaded_checked_and_copied(inventory, tmp_path):
    """And what they log is there afterwards, beside what was loaded."""

    def running(*words: object) -> subprocess.Popen[str]:
        return subprocess.Popen([*AT_ONCE, *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)

    processes = [
        running("inventory", "load", inventory, _readings(tmp_path / "reading.csv")),
        running("log", "load", inventory, _calls(tmp_path / "calls.csv")),
        running("inventory", "check", inventory),
        running("inventory", "backup", inventory, "--to", tmp_path / "copy.duckdb"),
        *(running(*call(inventory, site)) for site in SITES[:5]),
    ]
    ended = [(process.communicate(timeout=300), process.returncode) for process in processes]
    assert [code for _, code in ended] == [0] * 9, ended
    with Inventory.open(inventory, read_only=True) as opened:
        calls = opened.connection.execute("SELECT site_id FROM call_log ORDER BY site_id").fetchall()
        readings = opened.connection.execute("SELECT count(*) FROM reading WHERE kwh = 0.4").fetchall()
    assert calls == sorted((site,) for site in (*SITES[:5], *SITES[:12]))
    assert readings == [(12 * (HOURS - 1),)]


@pytest.mark.long
@pytest.mark.slow
def test_office_hours(inventory, tmp_path):
    """Rounds of eleven commands begun within two seconds: all succeed and nothing that was said is lost."""
    moments, rounds = random.Random(int(os.environ.get("AFTERSUN_FUZZ_SEED", "0"))), 4
    table = _readings(tmp_path / "reading.csv")
    refused: list[object] = []
    for turn in range(rounds):
        words = [
            *(call(inventory, site) for site in SITES[6 * turn : 6 * turn + 6]),
            ["inventory", "load", inventory, table],
            ["inventory", "check", inventory],
            ["inventory", "backup", inventory, "--to", tmp_path / f"{turn}.duckdb"],
            ["calls", inventory],
            ["write", inventory, "--to", tmp_path / f"out-{turn}", "--letters", 1, "--only", "offer_letter", "--issue"],
        ]
        moments.shuffle(words)
        running = []
        for one in words:
            running.append((one, subprocess.Popen([*AT_ONCE, *map(str, one)], stdout=DEVNULL, stderr=PIPE, text=True)))
            time.sleep(moments.uniform(0, 0.2))
        for one, process in running:
            told = process.communicate(timeout=600)[1]
            if process.returncode:
                refused.append((one[:2], process.returncode, told))
    with Inventory.open(inventory, read_only=True) as opened:
        calls = opened.connection.execute("SELECT count(DISTINCT site_id) FROM call_log").fetchall()
        readings = opened.connection.execute("SELECT count(*) FROM reading WHERE kwh = 0.4").fetchall()
    print(11 * rounds, "commands, refused:", len(refused))
    assert not refused
    assert (calls, readings) == ([(6 * rounds,)], [(12 * (HOURS - 1),)])
