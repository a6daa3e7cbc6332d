"""Ranking as the person at the terminal meets it: progress, stopping, going on, two at once, and what differs."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from run_support import Small, assert_same, plugin, small, stored

from aftersun.scoring.run import finished_chunks
from aftersun.scoring.run.run_folder import held_run_folder, run_folder_of

CODE = """
import sys
from aftersun.cli import main
from aftersun.scoring.run import rank
from aftersun.scoring.value import cohorts
whole = cohorts.read_portfolio
rank.read_portfolio = lambda *a, **k: whole(*a, **{**k, "chunk_sites": 2})
main()
"""

# Half a second a chunk at least, so that there is something to interrupt on the fastest machine; and Ctrl-C is heard
# also where the tests were started by a shell in the background, whose children ignore it.
SLOW = CODE.replace(
    "main()",
    """
import signal, time
from aftersun.scoring.run import work
signal.signal(signal.SIGINT, signal.default_int_handler)
score = work.score
work.score = lambda *a, **k: time.sleep(0.5) or score(*a, **k)
main()
""",
)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Small:
    return small(tmp_path_factory.mktemp("commands") / "made", 8)


@pytest.fixture
def portfolio(made: Small, tmp_path: Path) -> Small:
    shutil.copytree(made.inventory.parent, tmp_path / "copy")
    return Small(tmp_path / "copy" / made.inventory.name, tmp_path / "copy" / made.company.name)


def plain(shown: bytes) -> str:
    """Return what is read on a terminal."""
    return re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", shown.decode(errors="replace"))


def words(portfolio: Small, *more: object) -> list[str]:
    return ["rank", str(portfolio.inventory), "--as-of", "2026-06-01", "--no-ranges", "--workers", "1", *map(str, more)]


@pytest.mark.skipif(os.name != "posix", reason="terminals of POSIX systems")
@pytest.mark.slow
def test_ctrl_c_at_a_terminal_shows_progress_before_and_one_sentence_after(portfolio, tmp_path):
    """The program has a terminal of its own, and hears Ctrl-C from it."""
    import pty

    main, terminal = pty.openpty()
    (tmp_path / "program.py").write_text(SLOW)
    child = subprocess.Popen(
        [sys.executable, str(tmp_path / "program.py"), *words(portfolio)],
        stdout=subprocess.PIPE,
        stderr=terminal,
        stdin=terminal,
        start_new_session=True,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "100"},
    )
    os.close(terminal)
    shown, interrupted = b"", False
    deadline = time.monotonic() + 600
    while time.monotonic() < deadline:
        try:
            part = os.read(main, 4096)
        except OSError:  # the terminal has gone with its program
            break
        if not part:
            break
        shown += part
        if not interrupted and re.search(r" [2-6]/8 ", plain(shown)):
            os.killpg(child.pid, signal.SIGINT)
            interrupted = True
    out = child.communicate(timeout=300)[0]
    os.close(main)
    text = plain(shown)
    assert re.search(r"ranking .*\d/8 +(\d+:\d\d:\d\d|-:--:--)", text)  # progress with time left
    assert child.returncode == 130
    assert out == b""
    assert re.search(r"aftersun: stopped; [1-3] of 4 chunks are kept, rank again to go on\.", text)
    assert "Traceback" not in text
    assert run_folder_of(portfolio.inventory).exists()


def test_the_second_of_two_ranks_is_refused_with_exit_code_4(aftersun, portfolio):
    with held_run_folder(portfolio.inventory):
        ran = aftersun(*words(portfolio))
    assert (ran.code, ran.out) == (4, "")
    assert f"Another rank of {portfolio.inventory} is under way (PID {os.getpid()})." in ran.err
    assert "Traceback" not in ran.err


@pytest.mark.slow
def test_a_plugin_that_prints_does_not_spoil_json(aftersun, portfolio, tmp_path):
    folder = plugin(tmp_path / "plugins", change="print('hello'); os.write(1, b'hello')", screen="print('hello')")
    ran = aftersun(*words(portfolio, "--plugins-from", folder, "--json"))
    assert ran.code == 0
    assert json.loads(ran.out)["run_id"]


@pytest.mark.slow
def test_a_plugin_that_hangs_is_named_and_exit_code_3(aftersun, portfolio, tmp_path):
    folder = plugin(tmp_path / "plugins", change="time.sleep(600)")
    ran = aftersun(*words(portfolio, "--plugins-from", folder, "--plugin-seconds", 10))
    assert ran.code == 3
    assert "plugin odd failed during change: has not answered for 10 s" in ran.err
    assert "The results of all other retrofits are complete." in ran.err


@pytest.mark.slow
def test_compare_says_why_two_runs_differ(aftersun, portfolio):
    assert aftersun(*words(portfolio)).code == 0
    assert aftersun(*words(portfolio)).code == 0
    same = aftersun("compare", portfolio.inventory)
    assert same.code == 0
    assert "Nothing that results depend on." in same.out
    assert "All results are the same to the bit." in same.out
    assert "safety notes that only one" in same.out.lower()
    text = portfolio.company.read_text(encoding="utf-8")
    price = re.search(r"(?m)^real_discount_rate = ([\d.]+)", text)
    assert price
    changed = text.replace(price[0], "real_discount_rate = 0.001")
    changed = re.sub(r"(?m)^off = \[", 'off = ["bird_mesh", ', changed)
    portfolio.company.write_text(changed, encoding="utf-8")
    assert aftersun(*words(portfolio)).code == 0
    ran = aftersun("compare", portfolio.inventory)
    assert ran.code == 0
    assert re.search(r"company file: \S*real_discount_rate was [\d.]+, became 0.001", ran.out)
    assert re.search(r"plugin: bird_mesh was [\d.]+, became not there", ran.out)
    assert "Largest changes" in ran.out
    data = json.loads(aftersun("compare", portfolio.inventory, "--json", "--largest", 1).out)
    assert not data["same_results"]
    assert len(data["movers"]) == 1
    kinds = {(cause["kind"], cause["name"]) for cause in data["made_differently"]}
    assert ("plugin", "bird_mesh") in kinds
    # every safety note of what is no longer there is listed
    mine = stored(portfolio.inventory)["safety_note"]
    assert "bird_mesh" not in set(mine["retrofit"])
    lost = [note for note in data["safety_notes_that_differ"] if note["retrofit"] == "bird_mesh"]
    assert {note["only_in"] for note in lost} == {"first"}
    assert len({note["site_id"] for note in lost}) == 8
    for note in lost:
        assert f"[{note['note_id']}] only in the first run" in ran.out


def test_compare_without_two_runs_is_one_sentence(aftersun, portfolio):
    ran = aftersun("compare", portfolio.inventory)
    assert (ran.code, ran.out) == (2, "")
    assert "Two runs are needed" in ran.err


@pytest.mark.slow
def test_a_run_that_was_stopped_goes_on_from_the_command_line(aftersun, portfolio, monkeypatch):
    from aftersun.scoring.value import cohorts

    whole = cohorts.read_portfolio
    monkeypatch.setattr(
        "aftersun.scoring.run.rank.read_portfolio", lambda *a, **k: whole(*a, **{**k, "chunk_sites": 2})
    )
    added = finished_chunks.FinishedChunks.add

    def interrupted(self, number, result, known):
        added(self, number, result, known)
        if number == 2:
            raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(finished_chunks.FinishedChunks, "add", interrupted)
        ran = aftersun(*words(portfolio))
    assert (ran.code, ran.out) == (130, "")
    assert "aftersun: stopped; 3 of 4 chunks are kept, rank again to go on." in ran.err
    ran = aftersun(*words(portfolio))
    assert ran.code == 0
    assert "3 of 4 chunks were done before; going on" in ran.err
    tables = stored(portfolio.inventory)
    ran = aftersun(*words(portfolio, "--no-resume"))
    assert ran.code == 0
    assert "done before" not in ran.err
    assert_same(stored(portfolio.inventory), tables)
