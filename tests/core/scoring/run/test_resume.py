"""A run that was stopped goes on where it was, and comes to the very result of one that was not."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from run_support import Small, alive, assert_same, copied, plugin, processes_of, small, stored

from aftersun.inventory.privacy.customer_rows import erase
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import EXIT_IN_USE, AftersunError, InUse
from aftersun.scoring.run import engine, finished_chunks, work
from aftersun.scoring.run.finished_chunks import FinishedChunks
from aftersun.scoring.run.rank import rank
from aftersun.scoring.run.run_folder import EXIT_STOPPED, Stopped, discard, held_run_folder, run_folder_of

CHILD = Path(__file__).with_name("ranking_child.py")
SITES, CHUNKS = 5, 4
posix = pytest.mark.skipif(os.name != "posix", reason="signals of POSIX systems")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Small:
    return small(tmp_path_factory.mktemp("resume") / "made", SITES, keep=["bird_mesh", "connector_replacement"])


@pytest.fixture(scope="module")
def unbroken(made: Small, tmp_path_factory: pytest.TempPathFactory):
    path = copied(made, tmp_path_factory.mktemp("unbroken"))
    rank(path.inventory, path.settings())
    return stored(path.inventory)


@pytest.fixture
def portfolio(made: Small, tmp_path: Path) -> Small:
    return copied(made, tmp_path)


@pytest.fixture(scope="module")
def after_two(made: Small, tmp_path_factory: pytest.TempPathFactory) -> Small:
    """An inventory of which a run was broken off after two chunks; not to be changed."""
    path = copied(made, tmp_path_factory.mktemp("after_two"))
    halted(path, 2)
    return path


@pytest.fixture
def one_after_two(after_two: Small, tmp_path: Path) -> Small:
    return copied(after_two, tmp_path / "after_two")


class Halt(Exception):
    """Stands for a crash in the middle of a run."""


def halted(portfolio: Small, after: int, **given: object) -> None:
    """Rank and break off after so many chunks."""
    seen = []

    def progress(done: int, _total: int) -> None:
        seen.append(done)
        if len(seen) == after + 1:
            raise Halt

    with pytest.raises(Halt):
        rank(portfolio.inventory, portfolio.settings(**given), progress)


def go_on(portfolio: Small, **given: object) -> list[str]:
    """Rank and return what was said."""
    said: list[str] = []
    rank(portfolio.inventory, portfolio.settings(**given), say=said.append)
    return said


class Child:
    """A process that ranks and may be killed."""

    def __init__(self, errors: int | None = None) -> None:
        known = [str(CHILD.parents[3]), *filter(None, [os.environ.get("PYTHONPATH")])]
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join(known)}
        self.process = subprocess.Popen(
            [sys.executable, str(CHILD)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
            env=environment,
            start_new_session=True,
        )
        assert self.line() == "ready"

    def line(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline().strip()

    def start(self, portfolio: Small, **given: object) -> None:
        assert self.process.stdin is not None
        told = {
            "inventory": str(portfolio.inventory),
            "company": str(portfolio.company),
            "ranges": False,
            "chunk_sites": 2,
        }
        self.process.stdin.write(json.dumps({**told, **given}) + "\n")
        self.process.stdin.flush()
        assert self.line() == "begun"

    def until(self, sites: int) -> None:
        """Wait until so many sites are done."""
        while True:
            line = self.line()
            assert line, "the child has ended"
            if line.isdigit() and int(line) >= sites:
                return

    def kill(self) -> None:
        os.killpg(self.process.pid, signal.SIGKILL)
        self.close()

    def close(self) -> None:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        self.process.wait(60)
        self.process.stdout.close()
        if self.process.stderr is not None:
            self.process.stderr.close()


@pytest.mark.parametrize("after", [1, pytest.param(CHUNKS, marks=pytest.mark.slow)])
@pytest.mark.slow
def test_a_run_that_broke_off_goes_on_and_says_so(portfolio, unbroken, after, monkeypatch):
    halted(portfolio, after)
    assert len(list(run_folder_of(portfolio.inventory).glob("00000[0-9]"))) == after
    computed = []
    monkeypatch.setattr(engine, "compute", lambda task: computed.append(task.number) or work.compute(task))
    assert go_on(portfolio) == [f"{after} of {CHUNKS} chunks were done before; going on"]
    assert computed == list(range(after, CHUNKS))
    assert_same(stored(portfolio.inventory), unbroken)
    assert not run_folder_of(portfolio.inventory).exists()


@posix
@pytest.mark.slow
def test_killed_at_random_moments_it_goes_on(portfolio, unbroken):
    kill_often(portfolio, unbroken, kills=2, seed=1)


@posix
@pytest.mark.long
@pytest.mark.slow
@pytest.mark.parametrize("workers", [1, 2])
def test_killed_many_times_it_goes_on(portfolio, unbroken, workers):
    kill_often(portfolio, unbroken, kills=20, seed=workers, workers=workers, again=True)


def kill_often(portfolio: Small, unbroken, kills: int, seed: int, again: bool = False, **given: object) -> None:
    """Kill a run so many times; where it ends before that, begin anew if ``again``."""
    moments, killed, before = random.Random(seed), 0, 0
    while killed < kills:
        child = Child()
        child.start(portfolio, **given)
        child.until(2 * min(before + 1, CHUNKS) if moments.random() < 0.5 else 0)  # so that it gets on, now and then
        time.sleep(moments.uniform(0.0, 0.5))
        helpers = processes_of(child.process.pid)
        child.kill()
        killed += 1
        deadline = time.monotonic() + 20
        while any(alive(pid) for pid in helpers):
            assert time.monotonic() < deadline, "its workers outlive it"
            time.sleep(0.05)
        before = len(list(run_folder_of(portfolio.inventory).glob("00000[0-9]")))
        if again and not run_folder_of(portfolio.inventory).exists():  # it was faster
            assert_same(stored(portfolio.inventory), unbroken)
    if run_folder_of(portfolio.inventory).exists():
        said = go_on(portfolio)
        assert said == ([f"{before} of {CHUNKS} chunks were done before; going on"] if before else [])
    assert_same(stored(portfolio.inventory), unbroken)


@posix
@pytest.mark.slow
def test_workers_go_when_the_program_is_killed_alone(portfolio, tmp_path):
    """Even one that is asking a plugin which would take ten minutes."""
    asked = tmp_path / "asked"
    folder = plugin(tmp_path / "plugins", change=f"open({str(asked)!r}, 'w').close(); time.sleep(600)")
    child = Child()
    child.start(portfolio, workers=2, plugin_folder=str(folder))
    deadline = time.monotonic() + 60
    while not asked.exists():
        assert time.monotonic() < deadline
        time.sleep(0.05)
    helpers = processes_of(child.process.pid)
    assert len(helpers) >= 2
    os.kill(child.process.pid, signal.SIGKILL)
    child.close()
    deadline = time.monotonic() + 20
    while any(alive(pid) for pid in helpers):
        assert time.monotonic() < deadline, "its workers outlive it"
        time.sleep(0.05)


@posix
@pytest.mark.slow
@pytest.mark.parametrize("workers", [1, 2])
def test_an_interrupt_is_one_sentence_and_keeps_what_is_done(portfolio, unbroken, workers):
    child = Child(errors=subprocess.PIPE)
    child.start(portfolio, workers=workers)
    child.until(2)
    helpers = processes_of(child.process.pid)
    os.killpg(child.process.pid, signal.SIGINT)  # as a terminal does: the program and its workers
    while not (line := child.line()).startswith("ended"):
        assert line
    assert line == f"ended {EXIT_STOPPED}"
    assert not [pid for pid in processes_of(child.process.pid) if pid in helpers and "tracker" not in command(pid)]
    assert child.process.stdin is not None
    child.process.stdin.close()
    assert child.process.stderr is not None
    errors = child.process.stderr.read()
    assert "Traceback" not in errors
    assert f"of {CHUNKS} chunks are kept, rank again to go on." in errors
    child.close()
    kept = int(errors.partition("stopped; ")[2].split()[0])
    assert kept >= 1
    assert go_on(portfolio) == [f"{kept} of {CHUNKS} chunks were done before; going on"]
    assert_same(stored(portfolio.inventory), unbroken)


def command(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_text()
    except OSError:
        return ""


@pytest.mark.slow
def test_an_interrupt_before_the_first_chunk_leaves_nothing(portfolio, monkeypatch):
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("aftersun.scoring.run.rank._check_there_is_work", interrupted)
    with pytest.raises(Stopped) as told:
        rank(portfolio.inventory, portfolio.settings())
    assert (str(told.value), told.value.exit_code) == ("stopped.", 130)
    assert not run_folder_of(portfolio.inventory).exists()


def torn(place: Path) -> None:
    path = place / "ranking.parquet"
    path.write_bytes(path.read_bytes()[:-100])


def altered(place: Path) -> None:
    path = place / "cost_item.parquet"
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(bytes(data))


def unnamed(place: Path) -> None:
    place.rename(place.with_name(place.name + ".making"))


def garbled(place: Path) -> None:
    (place / "done.json").write_text('{"without": {}, "fil')


def emptied(place: Path) -> None:
    (place / "offer.parquet").unlink()


@pytest.mark.parametrize("damage", [torn, altered, unnamed, garbled, emptied])
@pytest.mark.few_quick
@pytest.mark.slow
def test_what_is_torn_does_not_count(after_two, tmp_path, damage):
    folder = Path(shutil.copytree(run_folder_of(after_two.inventory), tmp_path / "spool"))
    assert FinishedChunks(folder, CHUNKS).todo() == [2, 3]
    damage(folder / "000001")
    assert FinishedChunks(folder, CHUNKS).todo() == [1, 2, 3]


@pytest.mark.slow
def test_a_torn_chunk_is_computed_again(one_after_two, unbroken):
    torn(run_folder_of(one_after_two.inventory) / "000001")
    assert go_on(one_after_two) == [f"1 of {CHUNKS} chunks were done before; going on"]
    assert_same(stored(one_after_two.inventory), unbroken)


def said_at_the_beginning(portfolio: Small, monkeypatch: pytest.MonkeyPatch, **given: object) -> list[str]:
    """Begin a run and return what is said before the first chunk."""

    def halt(*_: object) -> None:
        raise Halt

    said: list[str] = []
    with monkeypatch.context() as patch:
        patch.setattr("aftersun.scoring.run.rank.work_off", halt)
        with pytest.raises(Halt):
            rank(portfolio.inventory, portfolio.settings(**given), say=said.append)
    return said


def another_price(portfolio: Small, given: dict[str, object]) -> str:
    text = portfolio.company.read_text(encoding="utf-8")
    portfolio.company.write_text(text.replace("least_chance = 0.8", "least_chance = 0.7"), encoding="utf-8")
    assert portfolio.company.read_text(encoding="utf-8") != text
    return "company file"


def another_site(portfolio: Small, given: dict[str, object]) -> str:
    import duckdb

    with duckdb.connect(str(portfolio.inventory)) as connection:
        connection.execute("UPDATE site SET storeys = 3 WHERE site_id = (SELECT min(site_id) FROM site)")
    return "sites"


def another_weather(portfolio: Small, given: dict[str, object]) -> str:
    import duckdb

    with duckdb.connect(str(portfolio.inventory)) as connection:
        connection.execute("UPDATE weather_hour SET dhi = dhi + 1 WHERE dhi > 100")
    return "weather"


def another_plugin(portfolio: Small, given: dict[str, object]) -> str:
    folder = portfolio.inventory.parent / "plugins"
    given["plugin_folder"] = plugin(folder)
    return "odd"


def another_cut(portfolio: Small, given: dict[str, object]) -> str:
    given["chunk_sites"] = 3
    return "sites a chunk"


@pytest.mark.parametrize("change", [another_price, another_site, another_weather, another_plugin, another_cut])
@pytest.mark.slow
def test_chunks_of_something_else_are_thrown_away(one_after_two, monkeypatch, change):
    given: dict[str, object] = {}
    what = change(one_after_two, given)
    (said,) = said_at_the_beginning(one_after_two, monkeypatch, **given)
    assert what in said
    assert said.endswith("changed); beginning anew")
    assert not run_folder_of(one_after_two.inventory).exists()


@pytest.mark.slow
def test_a_run_with_another_price_after_a_broken_one_has_nothing_of_it(portfolio, one_after_two):
    for path in (portfolio, one_after_two):
        another_price(path, {})
        go_on(path)
    assert_same(stored(one_after_two.inventory), stored(portfolio.inventory))


@pytest.mark.slow
def test_a_changed_program_of_the_same_version_begins_anew(one_after_two, monkeypatch):
    monkeypatch.setattr("aftersun.scoring.run.work.program_hash", lambda: "another")
    (said,) = said_at_the_beginning(one_after_two, monkeypatch)
    assert "code of aftersun" in said


@pytest.mark.slow
def test_a_changed_plugin_of_the_same_version_begins_anew(portfolio, monkeypatch):
    folder = plugin(portfolio.inventory.parent / "plugins")
    halted(portfolio, 1, plugin_folder=folder)
    plugin(folder, change="plant = plant.replace(transmittance=plant.transmittance * 0.99)")
    (said,) = said_at_the_beginning(portfolio, monkeypatch, plugin_folder=folder)
    assert "code of plugin odd" in said


@pytest.mark.slow
def test_a_remark_in_the_company_file_changes_nothing(one_after_two, monkeypatch):
    with one_after_two.company.open("a", encoding="utf-8") as handle:
        handle.write("\n# to be looked at again\n")
    said = said_at_the_beginning(one_after_two, monkeypatch)
    assert said == [f"2 of {CHUNKS} chunks were done before; going on"]


@pytest.mark.slow
def test_afresh_begins_anew(one_after_two, monkeypatch):
    assert said_at_the_beginning(one_after_two, monkeypatch, afresh=True) == []
    assert not run_folder_of(one_after_two.inventory).exists()


def test_the_folder_is_private_and_goes_with_the_run(one_after_two):
    portfolio = one_after_two
    folder = run_folder_of(portfolio.inventory)
    assert folder == portfolio.inventory.parent / f".{portfolio.inventory.name}.rank"
    if os.name == "posix":
        assert folder.stat().st_mode & 0o777 == 0o700
        modes = {path.stat().st_mode & 0o077 for path in folder.rglob("*")}
        assert modes == {0}
    assert discard(portfolio.inventory)
    assert not folder.exists()
    assert not discard(portfolio.inventory)


@pytest.mark.slow
def test_no_name_or_address_lies_in_the_folder(after_two):
    import duckdb

    portfolio = after_two
    with duckdb.connect(str(portfolio.inventory), read_only=True) as connection:
        rows = connection.execute("SELECT name, phone, email FROM contact").fetchall()
    personal = {value.encode() for row in rows for value in row if value and len(value) > 6}
    assert personal
    for path in run_folder_of(portfolio.inventory).rglob("*"):
        assert path.is_dir() or not any(value in path.read_bytes() for value in personal)
    tables = {path.stem for path in run_folder_of(portfolio.inventory).rglob("*.parquet")}
    assert not tables & {"customer", "site", "call", "contact"}


@pytest.mark.slow
def test_a_run_is_not_stored_into_a_file_that_took_the_place_of_the_one_read(portfolio):
    erased = []

    def progress(_done, _total):
        if not erased:
            with Inventory.open(portfolio.inventory, read_only=True) as inventory:
                (customer,) = inventory.connection.execute("SELECT min(customer_id) FROM customer").fetchone()
            erased.append(customer)
            erase(portfolio.inventory, customer)

    with pytest.raises(AftersunError, match="was replaced while it was ranked"):
        rank(portfolio.inventory, portfolio.settings(), progress)
    with Inventory.open(portfolio.inventory, read_only=True) as inventory:
        assert inventory.connection.execute("SELECT count(*) FROM run").fetchone() == (0,)


@pytest.mark.slow
def test_not_even_where_the_file_system_gives_the_old_number_to_the_new_file(portfolio):
    """As it does with every second of several restores."""
    path, read = portfolio.inventory, portfolio.inventory.stat()
    backup = Path(shutil.copy(path, path.with_name("backup.duckdb")))

    def progress(_done, _total):
        for _ in range(20):
            shutil.copy(backup, path.with_name("made")).replace(path)
            if os.path.samestat(path.stat(), read):
                break

    with pytest.raises(AftersunError, match="was replaced while it was ranked"):
        rank(path, portfolio.settings(), progress)


def test_a_second_rank_of_the_inventory_is_told_who_ranks(portfolio):
    run_folder_of(portfolio.inventory).mkdir()
    (run_folder_of(portfolio.inventory) / "lock").write_text("4000000\n")  # left by a process that is dead
    with held_run_folder(portfolio.inventory), pytest.raises(InUse, match=rf"under way \(PID {os.getpid()}\)") as told:
        rank(portfolio.inventory, portfolio.settings())
    assert told.value.exit_code == EXIT_IN_USE
    with held_run_folder(portfolio.inventory):
        pass  # it is free again


@posix
@pytest.mark.slow
def test_a_lock_ends_with_its_process(portfolio):
    child = Child()
    child.start(portfolio)
    child.until(0)
    with pytest.raises(InUse, match=rf"PID {child.process.pid}\)"):
        rank(portfolio.inventory, portfolio.settings())
    child.kill()
    go_on(portfolio)


@posix
def test_a_folder_that_leads_elsewhere_is_refused(portfolio, tmp_path):
    (tmp_path / "elsewhere").mkdir()
    run_folder_of(portfolio.inventory).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(AftersunError, match="not a folder of yours"):
        rank(portfolio.inventory, portfolio.settings())
    assert list((tmp_path / "elsewhere").iterdir()) == []


@pytest.mark.slow
def test_out_of_room_finished_chunks_are_kept(portfolio, unbroken, monkeypatch):
    write, written = finished_chunks._write, []

    def until_full(path: Path, data: bytes) -> None:
        written.append(path)
        if "000001" in str(path):
            raise OSError(28, "No space left on device", str(path))
        write(path, data)

    monkeypatch.setattr(finished_chunks, "_write", until_full)
    with pytest.raises(OSError, match="No space"):
        rank(portfolio.inventory, portfolio.settings())
    monkeypatch.undo()
    assert go_on(portfolio) == [f"1 of {CHUNKS} chunks were done before; going on"]
    assert_same(stored(portfolio.inventory), unbroken)


def test_a_run_that_is_refused_leaves_nothing_beside_the_inventory(portfolio):
    with pytest.raises(AftersunError, match="no inventory file"):
        rank(portfolio.inventory.with_name("none.duckdb"), portfolio.settings())
    names = {path.name for path in portfolio.inventory.parent.iterdir()}
    assert not any(name.endswith(".rank") for name in names)
