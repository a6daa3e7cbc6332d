"""A process that hangs, crashes or is killed costs one job at most, and says whose fault it was."""

from __future__ import annotations

import os
import sys
import time
from multiprocessing import get_context

import pytest
from run_support import alive, processes_of
from worker_support import LIMIT_S, answer

from aftersun.host import workers
from aftersun.host.asking import Failure
from aftersun.host.workers import AHEAD, Workers


def run(jobs, processes=1, seconds=60.0):
    with Workers(answer, processes, seconds) as pool:
        return [done for _, done in pool.run(iter(jobs))]


@pytest.mark.slow
def test_answers_come_in_order_and_jobs_are_taken_late():
    taken = []

    def jobs():
        for number in range(12):
            taken.append(number)
            yield "give", number

    with Workers(answer, 2, 60.0) as pool:
        for fetched, (job, done) in enumerate(pool.run(jobs())):
            assert job == ("give", fetched)
            assert done == fetched
            assert len(taken) <= fetched + 1 + AHEAD * 2
        here = processes_of(os.getpid())
    assert fetched == 11
    assert not any(alive(pid) and "multiprocessing.spawn" in _command(pid) for pid in here)


def _command(pid):
    try:
        with open(f"/proc/{pid}/cmdline") as handle:
            return handle.read()
    except OSError:
        return ""


@pytest.mark.slow
def test_a_process_that_somebody_else_starts_meanwhile_is_no_worker(monkeypatch):
    # as a local cluster does when it replaces a worker of its own
    others = []

    class Pool(workers.ProcessPoolExecutor):
        def submit(self, function, /, *arguments):
            if function is os.getpid:
                others.append(subprocess_of_another(30.0))
            return super().submit(function, *arguments)

    monkeypatch.setattr(workers, "ProcessPoolExecutor", Pool)
    assert run([("give", 1), ("exit", 0), ("give", 2)])[2] == 2
    assert len(others) > 1
    assert all(other.is_alive() for other in others)
    for other in others:
        other.kill()
        other.join()


def subprocess_of_another(seconds):
    process = get_context("fork").Process(target=time.sleep, args=(seconds,))
    process.start()
    return process


@pytest.mark.slow
def test_what_does_not_stop_is_killed_and_named_and_the_others_stand(monkeypatch):
    monkeypatch.setattr(workers, "_GRACE_S", 0.1)
    began = time.monotonic()
    assert run([("give", 1), ("hang", 0), ("give", 2)], seconds=LIMIT_S) == [
        1,
        Failure("odd", "change", f"has not answered for {LIMIT_S} s"),
        2,
    ]
    assert time.monotonic() - began < 60


@pytest.mark.parametrize(
    ("what", "how"), [("exit", "exit code 3"), ("crash", "SIGSEGV" if sys.platform == "linux" else "")]
)
@pytest.mark.slow
def test_what_ends_its_process_twice_is_named(what, how):
    first, lost, last = run([("give", 1), (what, 0), ("give", 2)])
    assert (first, last) == (1, 2)
    assert (lost.plugin, lost.during) == ("odd", "change")
    assert lost.reason.startswith("ended the process that it ran in")
    assert how in lost.reason


@pytest.mark.slow
def test_a_process_that_somebody_kills_once_costs_nothing(tmp_path):
    path = str(tmp_path / "been here")
    assert run([("once", path), ("give", 2)]) == [path, 2]


@pytest.mark.slow
def test_a_process_that_somebody_kills_while_it_has_nothing_to_do_costs_nothing():
    with Workers(answer, 1, 60.0) as pool:
        answers = pool.run(iter([("pid", 0), ("give", 2), ("give", 3)]))
        _, pid = next(answers)
        os.kill(pid, 9)
        while alive(pid):
            time.sleep(0.01)
        time.sleep(0.2)  # until the pool has noticed
        assert [done for _, done in answers] == [2, 3]


@pytest.mark.slow
def test_a_process_that_ends_outside_of_a_plugin_blames_nobody():
    (lost,) = run([("core", 0)])
    assert (lost.plugin, lost.during) == ("", "")


@pytest.mark.slow
def test_a_bug_keeps_its_type_and_traceback():
    with pytest.raises(ValueError, match="no such luck") as raised:
        run([("raise", "no such luck")])
    assert "worker_support.py" in str(raised.value.__cause__)
    with pytest.raises(Exception, match=r"Can't pickle .*Local"):
        run([("unpicklable", "")])


@pytest.mark.slow
def test_nothing_is_printed_to_stdout(capfd):
    assert run([("print", 1)]) == [1]
    printed = capfd.readouterr()
    assert printed.out == ""
    assert "from compiled code" in printed.err


@pytest.mark.slow
def test_a_process_is_replaced_after_so_many_jobs(monkeypatch):
    monkeypatch.setattr(workers, "_JOBS", 2)
    first, second, third = run([("pid", 0)] * 3)
    assert first == second != third
