"""Backup, restore, prune, export, and what a customer may ask for, as the shell runs them."""

from __future__ import annotations

import json
import os
import resource
import shutil
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from aftersun.inventory.loading.load import load_file
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import EXIT_BAD_INPUT, EXIT_DONE, EXIT_IN_USE, EXIT_LOSSES

Aftersun = Callable[..., tuple[int, str, str]]

TABLES = {
    "customer": "customer_id,name,phone,contact_allowed,last_contact_on\n"
    "C1,Household A,555-0101,yes,2015-02-03\nC2,Household B,555-0102,no,2025-02-03\n",
    "site": "site_id,customer_id,latitude,longitude\nS1,C1,40.0123,-3.5\nS2,C2,-33.9,18.4\n",
    "array": "array_id,site_id,tilt_deg,azimuth_deg,dc_rating_kw\nA1,S1,30,180,4.2\n",
}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    with Inventory.create(folder / "company.duckdb") as inventory:
        for table, text in TABLES.items():
            (folder / f"{table}.csv").write_text(text)
            load_file(inventory, table, folder / f"{table}.csv")
    return folder / "company.duckdb"


@pytest.fixture
def company(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(made, tmp_path / "company.duckdb"))


@pytest.mark.slow
def test_backup_and_restore(aftersun: Aftersun, company: Path) -> None:
    copy = company.with_name("backup.duckdb")
    code, out, _ = aftersun("inventory", "backup", company, "--to", copy)
    assert code == EXIT_DONE
    assert out.startswith(f"Wrote {copy}: ")
    assert out.rstrip().endswith("compared.")
    code, _, err = aftersun("inventory", "backup", company, "--to", copy)
    assert code == EXIT_BAD_INPUT
    assert "exists already" in err
    assert aftersun("inventory", "backup", company, "--to", copy, "--replace")[0] == EXIT_DONE
    company.write_bytes(b"lost")
    assert aftersun("inventory", "restore", copy, "--to", company)[0] == EXIT_BAD_INPUT
    code, _, err = aftersun("inventory", "restore", copy, "--to", company, "--replace")
    assert (code, company.read_bytes()) == (EXIT_BAD_INPUT, b"lost")
    assert "would be forgotten" in err
    code, out, err = aftersun("inventory", "restore", copy, "--to", company, "--replace", "--although-unread")
    assert code == EXIT_DONE
    assert "Erase and log them once more" in err  # what was replaced could not be read
    assert aftersun("inventory", "check", company)[0] == EXIT_DONE


@pytest.mark.slow
def test_a_copy_a_day_its_drill_and_the_reminder(aftersun: Aftersun, company: Path, tmp_path: Path) -> None:
    reminder = "No checked copy of company.duckdb was made yet: "
    log = ("log", "call", company, "S1", "--outcome", "unreached")
    code, _, err = aftersun(*log)
    assert (code, err.count("\n")) == (EXIT_DONE, 1)
    assert err.startswith(reminder)
    assert aftersun("log", "show", company).err == ""  # which only reads
    code, out, err = aftersun("inventory", "backup", company, "--to", tmp_path / "copies", "--keep", 2)
    assert (code, err) == (EXIT_DONE, "")
    (copy,) = (tmp_path / "copies").iterdir()
    assert out.startswith(f"Wrote {copy}: ")
    assert aftersun(*log).err == ""
    code, out, _ = aftersun("inventory", "drill", company, "--copies", tmp_path / "copies")
    assert code == EXIT_DONE
    assert out.startswith(f"{copy} can be restored: ")
    assert "call_log: 1 rows in the copy, 2 in the inventory.\nchange: 6 rows in the copy, 7 in the inventory.\n" in out
    assert "\nThe rest is as in the inventory.\n" in out
    drilled = json.loads(aftersun("inventory", "drill", company, "--copies", copy, "--json").out)
    assert drilled["differences"] == {"call_log": [1, 2], "change": [6, 7]}
    assert sorted(name.name for name in tmp_path.iterdir()) == ["company.duckdb", "copies"]
    with Inventory.open(company) as inventory:
        inventory.connection.execute("UPDATE checked_copy SET copied_at = TIMESTAMP '2026-03-01 12:00:00'")
    assert aftersun(*log).err.startswith("No checked copy of company.duckdb was made since 2026-03-01: ")
    assert "555-0101" not in err


@pytest.mark.slow
def test_no_command_takes_a_danger_away_in_silence(aftersun: Aftersun, company: Path, tmp_path: Path) -> None:
    """Seen on a visit; the customer system's table knows nothing of it, or says no."""
    log = ("log", "fact", company, "S1", "--origin", "visit")
    assert aftersun(*log, "hot_connector=yes")[0] == EXIT_DONE
    table = tmp_path / "site.csv"
    for cell, code in (("", EXIT_DONE), ("no", EXIT_LOSSES)):
        table.write_text(f"site_id,customer_id,latitude,longitude,hot_connector\nS1,C1,40.0123,-3.5,{cell}\n")
        done = aftersun("inventory", "load", company, table)
        assert done.code == code
        assert ("not taken over: line 2, hot_connector: a hazard is on record" in done.out) == (cell == "no")
        with Inventory.open(company, read_only=True) as inventory:
            assert inventory.connection.execute("SELECT hot_connector FROM site ORDER BY site_id").fetchall()[0] == (
                True,
            )
    assert "A danger" not in aftersun(*log, "birds_seen=no").err
    assert "A hazard is no longer on record: hot_connector of S1" in aftersun(*log, "hot_connector=no").err
    assert "A danger" not in aftersun(*log, "open_string=yes").err
    clear = ("inventory", "clear", company, "site", "open_string", "S1", "--why", "wrong house")
    assert "A hazard is no longer on record: open_string of S1" in aftersun(*clear).err
    code, out, _ = aftersun("inventory", "changes", company, "S1", "--json")
    told = [(row["command"], row["source"], row["before"], row["after"], row["applied"]) for row in json.loads(out)]
    assert code == EXIT_DONE
    assert told == [
        ("inventory load", "site.csv", None, None, True),  # the row was added
        ("inventory load", "array.csv", None, None, True),
        ("log", "visit", None, "yes", True),
        ("inventory load", "site.csv", "yes", "no", False),
        ("log", "visit", None, "no", True),
        ("log", "visit", "yes", "no", True),
        ("log", "visit", None, "yes", True),
        ("inventory clear", "wrong house", "yes", None, True),
    ]
    trail = tmp_path / "trail.csv"
    assert aftersun("inventory", "changes", company, "--conflicts", "--to", trail)[0] == EXIT_DONE
    assert len(trail.read_text().splitlines()) == 2
    assert stat.S_IMODE(trail.stat().st_mode) == 0o600
    assert "hot_connector" in aftersun("inventory", "changes", company)[1]


@pytest.mark.slow
def test_prune_says_what_it_did(aftersun: Aftersun, company: Path) -> None:
    with Inventory.open(company) as inventory, inventory.transaction() as connection:
        for n in range(3):
            connection.execute(
                "INSERT INTO run (run_id, started_at, finished_at, program_version, as_of) "
                "VALUES (?, ?::TIMESTAMP, ?::TIMESTAMP, '0', '2026-01-01')",
                [f"r{n}", f"2026-01-0{n + 1}", f"2026-01-0{n + 1}"],
            )
        connection.execute(
            "INSERT INTO offer_made VALUES (1, 'S1', 'bird_mesh', 'r0', '2026-01-01', 1, 'EUR', 'open', NULL)"
        )
    code, out, _ = aftersun("inventory", "prune", company, "--keep", 1)
    assert code == EXIT_DONE
    assert "Kept r0: offer_made name it." in out
    assert "Deleted 1 runs; the file had" in out
    assert "No run was deleted." in aftersun("inventory", "prune", company, "--keep", 1)[1]
    assert "Deleted 1 runs" in aftersun("inventory", "prune", company, "--keep", 1, "--also-referenced")[1]


@pytest.mark.slow
def test_export(aftersun: Aftersun, company: Path, tmp_path: Path) -> None:
    code, out, err = aftersun("inventory", "export", company, "--to", tmp_path / "out")
    assert code == EXIT_DONE
    assert f"{tmp_path / 'out' / 'site.csv'}  (2 rows)" in out
    assert "hand this out with care" in err
    assert "S1" not in (tmp_path / "out" / "site.csv").read_text()
    assert aftersun("inventory", "export", company, "--to", tmp_path / "out")[0] == EXIT_BAD_INPUT


@pytest.mark.slow
def test_show_erase_and_load_again(aftersun: Aftersun, company: Path, made: Path) -> None:
    code, out, err = aftersun("customer", "show", company, "C1")
    assert code == EXIT_DONE
    assert "contact: 1 row" in out
    assert "Household A" in out
    assert "Not looked at: backups" in err
    told = json.loads(aftersun("customer", "show", company, "C1", "--json")[1])
    assert told["site"][0]["site_id"] == "S1"
    assert set(told) == {"customer", "contact", "site", "array", "change"}

    code, out, err = aftersun("customer", "erase", company, "C1")
    assert code == EXIT_BAD_INPUT
    assert "Nothing was erased yet." in err
    assert "contact" in out
    code, out, err = aftersun("customer", "erase", company, "C1", "--yes")
    assert code == EXIT_DONE
    assert "Erased the customer with 1 site." in out
    assert "Out of reach, to be dealt with by hand: backups" in err
    assert b"Household A" not in company.read_bytes()
    for command in ("show", "erase"):
        code, _, err = aftersun("customer", command, company, "C1")
        assert code == EXIT_BAD_INPUT
        assert "Nothing is held" in err
        assert "C1" not in err

    code, out, err = aftersun("inventory", "load", company, made.with_name("customer.csv"))
    assert code == EXIT_LOSSES
    assert "erased on request" in out
    assert "are not kept" in err
    assert "inventory rejects" not in err
    assert aftersun("inventory", "load", company, made.with_name("customer.csv"), "--allow-again")[0] == EXIT_DONE
    assert aftersun("customer", "show", company, "C1")[0] == EXIT_DONE


@pytest.mark.slow
def test_what_commands_write_is_for_its_owner_only(aftersun: Aftersun, company: Path, tmp_path: Path) -> None:
    source = tmp_path / "customer.csv"
    source.write_text("customer_id,contact_allowed\nC5,perhaps\n")
    before = os.umask(0o022)
    try:
        aftersun("inventory", "create", tmp_path / "new.duckdb")
        aftersun("inventory", "load", company, source)
        aftersun("inventory", "rejects", company, "--to", tmp_path / "mend")
        aftersun("inventory", "backup", company, "--to", tmp_path / "backup.duckdb")
        aftersun("inventory", "export", company, "--to", tmp_path / "out")
    finally:
        os.umask(before)
    for name in ("new.duckdb", "backup.duckdb", "mend/customer.csv", "out/site.csv"):
        assert stat.S_IMODE((tmp_path / name).stat().st_mode) == 0o600, name
    for name in ("mend", "out"):
        assert stat.S_IMODE((tmp_path / name).stat().st_mode) == 0o700, name


@pytest.mark.slow
def test_retention_tells_numbers_and_days_only(aftersun: Aftersun, company: Path) -> None:
    code, out, _ = aftersun("customer", "retention", company, "--years", 5, "--as-of", "2026-03-01")
    assert code == EXIT_DONE
    assert "C1           2015-02-03" in out
    assert "Household" not in out
    found = json.loads(aftersun("customer", "retention", company, "--years", 5, "--as-of", "2026-03-01", "--json")[1])
    assert found == [{"customer_id": "C1", "last_on": "2015-02-03"}]


@pytest.mark.parametrize(
    "command",
    [
        ("inventory", "backup"), ("inventory", "drill"), ("inventory", "restore"),
        ("inventory", "prune"), ("inventory", "export"), ("inventory", "clear"), ("inventory", "changes"),
        ("customer", "show"), ("customer", "erase"), ("customer", "retention"),
    ],
)  # fmt: skip
@pytest.mark.few_quick
@pytest.mark.few_quick
def test_help_has_an_example(aftersun: Aftersun, command: tuple[str, str]) -> None:
    code, out, _ = aftersun(*command, "--help")
    assert code == EXIT_DONE
    assert f"Example: aftersun {' '.join(command)} company" in " ".join(out.split())


PROGRAM = [sys.executable, "-c", "from aftersun.cli import main; main()"]


@pytest.mark.slow
def test_full_disk_is_one_sentence(company: Path) -> None:
    """A limit to the size of files stands for the disk."""
    source = company.with_name("customer.csv")
    source.write_text("customer_id,name\n" + "".join(f"K{n},Household {n}\n" for n in range(3000)))
    before = company.read_bytes()
    ran = subprocess.run(
        [*PROGRAM, "inventory", "load", str(company), str(source)],
        capture_output=True,
        text=True,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000)),
    )
    assert ran.returncode == EXIT_BAD_INPUT
    assert "Traceback" not in ran.stderr
    assert ran.stderr.startswith(f"aftersun: The inventory {company} could not be read or written: the disk is full")
    assert company.read_bytes() == before


@pytest.mark.slow
def test_second_process_is_told_file_and_holder(
    aftersun: Aftersun, company: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("aftersun.inventory.store.file._LOCK_WAIT_S", 0)
    hold = "import sys, duckdb; c = duckdb.connect(sys.argv[1]); print('held', flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", hold, str(company)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        other.stdout.readline()
        for words in (
            ("inventory", "backup", company, "--to", company.with_name("b.duckdb")),
            ("inventory", "prune", company, "--keep", 1),
            ("inventory", "export", company, "--to", company.with_name("out")),
            ("customer", "erase", company, "C1", "--yes"),
            ("customer", "show", company, "C1"),
        ):
            code, out, err = aftersun(*words)
            assert code == EXIT_IN_USE
            assert out == ""
            assert err.startswith(f"aftersun: The inventory {company} is in use by the process with PID {other.pid} (")
            assert "Traceback" not in err
        other.communicate()
    assert os.listdir(company.parent) == ["company.duckdb"]
