"""The page as a server: started, met by other commands, asked by twenty at once, killed while it stores."""

from __future__ import annotations

import random
import re
import shutil
import socket
import subprocess
import sys
import threading
from pathlib import Path

import httpx2
import pytest
from demo_support import SITES
from office_page_support import browser_at, send, served

from aftersun.inventory.log import call_log
from aftersun.inventory.store import trail
from aftersun.inventory.store.file import Inventory
from aftersun.scoring.run.demo import Demo

pytestmark = pytest.mark.slow
PROGRAM = (sys.executable, "-c", "from aftersun.cli import main; main()")
CLIENTS = 20
EACH = 1  # calls that each of them logs


@pytest.fixture
def inventory(demo: Demo, tmp_path: Path) -> Path:
    shutil.copytree(demo.inventory.parent, tmp_path / "demo")
    return tmp_path / "demo" / demo.inventory.name


def run(*words: object) -> tuple[int, str]:
    ended = subprocess.run([*PROGRAM, *map(str, words)], capture_output=True, text=True, timeout=120)
    return ended.returncode, ended.stderr


def test_other_commands_are_told_where_the_page_is_and_go_on_once_it_is_stopped(inventory: Path) -> None:
    with served(inventory) as page:
        for words in (["calls", inventory], ["log", "call", inventory, SITES[0], "--outcome", "unreached"]):
            code, told = run(*words)
            assert code == 4
            assert told.startswith(f"aftersun: The inventory {inventory} is open in the page at {page.address}/.")
        code, told = run("open", inventory, "--port", "0", "--no-browser")
        assert (code, page.address in told) == (4, True)
        assert page.stop() == 0
    assert run("calls", inventory)[0] == 0
    assert not list(inventory.parent.glob(".*"))


def test_a_port_in_use_is_one_sentence(inventory: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        code, told = run("open", inventory, "--port", port, "--no-browser")
    assert code == 2
    assert told.startswith(f"aftersun: Port {port} of this machine cannot be used")
    assert len(told.splitlines()) == 2
    assert run("calls", inventory)[0] == 0


def test_it_listens_on_this_machine_alone_and_logs_nothing_of_what_is_asked(inventory: Path) -> None:
    with served(inventory) as page:
        port = int(page.address.rpartition(":")[2])
        for own in {info[4][0] for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)}:
            if not own.startswith("127."):
                with socket.socket() as other:
                    assert other.connect_ex((own, port)) != 0
        assert httpx2.get(f"{page.address}/people", params={"q": "Mustermann"}, timeout=60).status_code == 200
        page.stop()
        assert page.process.stderr is not None
        assert page.process.stderr.read() == ""


def test_twenty_at_once_lose_nothing(inventory: Path) -> None:
    """Each browser reads screens and logs calls at sites of his own; all of it is there, by his name."""
    sent: list[int] = []

    def work(number: int) -> None:
        site = SITES[number]
        with browser_at(page.address) as client:
            for _ in range(EACH):
                assert client.get("/").status_code == 200
                sent.append(
                    send(client, "/call", f"/site?site={site}", who=f"P{number}", site=site, outcome="unreached")[0]
                )

    with served(inventory) as page:
        threads = [threading.Thread(target=work, args=[number]) for number in range(CLIENTS)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert page.stop() == 0
    assert sent == [200] * CLIENTS * EACH
    with Inventory.open(inventory, read_only=True) as opened:
        assert list(call_log.entries(opened)["site_id"].value_counts()) == [EACH] * CLIENTS
        by = trail.changes(opened).query("table_name == 'call_log'")
        assert {(SITES[int(who[1:])], who) for who in by["changed_by"]} == set(
            zip(by["site_id"], by["changed_by"], strict=True)
        )


def test_killed_while_it_stores_what_it_said_is_stored_is_there(inventory: Path) -> None:
    moments, said = random.Random(5), 0
    for _ in range(2):
        with served(inventory) as page, browser_at(page.address) as client:
            until = said + 2
            try:
                while True:
                    entry = {"site": SITES[0], "outcome": "unreached", "fact.storeys": str(1 + said % 9)}
                    _, answer = send(client, "/call", f"/site?site={SITES[0]}", **entry)
                    said += bool(re.search(r"Recorded as entry \d+; 1 facts learnt", answer))
                    if said == until:
                        threading.Timer(moments.uniform(0, 1), page.process.kill).start()
            except httpx2.TransportError:
                page.process.wait()
        with Inventory.open(inventory) as opened:
            entries = call_log.entries(opened)
            facts = opened.connection.execute("SELECT count(DISTINCT entry) FROM fact_origin").fetchall()
            assert said <= len(entries) <= said + 1  # the last one may have been stored and not be told any more
            assert facts == [(len(entries),)]
            said = len(entries)
    assert said >= 4


def test_a_ranking_runs_beside_the_page_is_stopped_and_stored(inventory: Path) -> None:
    with served(inventory) as page, browser_at(page.address) as client:
        before = client.get("/run-state").text
        assert "Rank now" in before
        assert send(client, "/run", "/run")[0] == 200
        assert send(client, "/run", "/run")[0] == 422  # one at a time
        assert client.get("/").status_code == 200
        assert send(client, "/call", f"/site?site={SITES[0]}", site=SITES[0], outcome="unreached")[0] == 200
        assert send(client, "/stop", "/run")[0] == 200
        assert "stopped" in _end_of(client)
        assert send(client, "/run", "/run", who="Lee")[0] == 200
        assert "stored as run" in _end_of(client)
        page.stop()
    with Inventory.open(inventory, read_only=True) as opened:
        runs = opened.connection.execute("SELECT run_id FROM run ORDER BY finished_at").fetchall()
        assert len(runs) == 2
        counts = [
            opened.connection.execute(f"SELECT count(*) FROM {table} WHERE run_id = ?", list(run)).fetchall()
            for table in ("ranking", "safety_note", "site_energy", "call")
            for run in runs
        ]
        assert counts[::2] == counts[1::2]
        assert len(call_log.entries(opened)) == 1


def _end_of(client: httpx2.Client) -> str:
    for _ in range(3000):
        text = client.get("/run-state").text
        if "Rank now" in text:
            return text
        threading.Event().wait(0.1)
    raise AssertionError("the ranking never ended")
