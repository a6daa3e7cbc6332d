"""While a plugin is asked: it cannot take for ever, stdout stays clean, and another process can read who it is."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
import warnings
from contextlib import suppress

import numpy as np
import pandas as pd
import pytest

from aftersun import api
from aftersun.host import asking as host_asking
from aftersun.host.asking import TookTooLong, asking, keep_note, plugin_limit, read_note
from aftersun.host.guard import Guard
from aftersun.host.registry import Loaded, find_plugins

posix = pytest.mark.skipif(os.name != "posix", reason="there is no alarm")


class Odd:
    about = api.About("odd", "Odd", "Odd.", "1", api.Range(10, 5, 15, "a", "assumption"), (), ("test",))
    assumptions: dict[str, api.Range] = {}
    facts: dict[str, api.Fact] = {}
    claims: tuple[api.Claim, ...] = ()


def screened(cohort, screen):
    """Return the screening and the failures of a plugin that screens like that."""
    odd = Odd()
    odd.screen = screen
    guard = Guard()
    return guard.screen(Loaded(odd, "odd", "file"), cohort), guard.failures


def test_what_a_plugin_prints_goes_to_stderr_and_the_answer_counts(cohort, capsys):
    def screen(lent):
        print("a word of mine")
        return api.Screening.of(lent)

    answer, failures = screened(cohort, screen)
    assert answer is not None
    assert failures == []
    printed = capsys.readouterr()
    assert (printed.out, printed.err) == ("", "a word of mine\n")


def test_errors_of_numpy_and_warnings_are_treated_as_before(cohort):
    def screen(lent):
        np.seterr(all="raise")
        warnings.simplefilter("ignore")
        return api.Screening.of(lent)

    errors, filters = np.geterr(), list(warnings.filters)
    screened(cohort, screen)
    assert np.geterr() == errors
    assert list(warnings.filters) == filters


class Sly(BaseException):
    pass


@pytest.mark.parametrize("error", [Sly, GeneratorExit, SystemExit, MemoryError, RecursionError, KeyboardInterrupt])
def test_whatever_a_plugin_raises_is_its_own_affair(cohort, error):
    def screen(_):
        raise error("no such luck")

    answer, (failure,) = screened(cohort, screen)
    assert answer is None
    assert failure.reason.startswith(f"{error.__name__}: no such luck")


def test_no_number_of_a_site_stands_in_a_failure(cohort):
    site, array = cohort.sites.index[0], cohort.arrays.index[0]

    def screen(lent):
        raise ValueError(f"roof {site}, array '{array}' and {site}x are odd")

    _, (failure,) = screened(cohort, screen)
    assert failure.reason.startswith(f"ValueError: roof ..., array '...' and {site}x are odd")


def test_an_answer_that_fails_when_it_is_looked_at_is_the_plugins_fault(cohort):
    class Shy:
        def __str__(self):
            raise RuntimeError("look away")

    def screen(lent):
        return api.Screening(np.full(len(lent), Shy(), dtype=object), np.full(len(lent), "", dtype=object))

    answer, (failure,) = screened(cohort, screen)
    assert answer is None
    assert "look away" in failure.reason


@pytest.fixture
def hears_ctrl_c():
    """As at a terminal: a shell that starts tests in the background lets them ignore it."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.parametrize("caught", [False, True])
@pytest.mark.usefixtures("hears_ctrl_c")
def test_ctrl_c_ends_the_program_whatever_the_plugin_makes_of_it(cohort, caught):
    def screen(lent):
        with suppress(BaseException if caught else ZeroDivisionError):
            signal.raise_signal(signal.SIGINT)
        return api.Screening.of(lent)

    with pytest.raises(KeyboardInterrupt):
        screened(cohort, screen)
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@pytest.mark.usefixtures("hears_ctrl_c")
def test_a_plugin_that_no_longer_hears_ctrl_c_does_so_while_it_is_asked_only(cohort):
    def screen(lent):
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        return api.Screening.of(lent)

    assert screened(cohort, screen)[1] == []
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@pytest.mark.parametrize(("owner", "name"), [(np, "minimum"), (pd.DataFrame, "sum")])
def test_a_plugin_that_exchanges_what_all_compute_with_is_named_and_it_is_put_back(cohort, owner, name):
    before = vars(owner)[name]

    def screen(lent):
        setattr(owner, name, lambda *_, **__: 0.0)
        return api.Screening.of(lent)

    answer, (failure,) = screened(cohort, screen)
    assert answer is None
    assert failure.reason == f"exchanges {owner.__name__}.{name}, which all retrofits compute with"
    assert vars(owner)[name] is before


@pytest.mark.slow
def test_a_plugin_that_exchanges_it_when_loaded_is_left_out(tmp_path):
    before = np.maximum
    (tmp_path / "patcher.py").write_text("import numpy\nnumpy.maximum = min\n")
    (failure,) = find_plugins(folder=tmp_path).failures
    assert (failure.plugin, failure.during) == ("patcher", "load")
    assert "exchanges numpy.maximum" in failure.reason
    assert np.maximum is before


forking = pytest.mark.skipif(not hasattr(os, "fork"), reason="no process can be forked")


@forking
@pytest.mark.parametrize(
    ("fork", "told"),
    [
        ("os.fork(); os.fork()", "forks the process that it runs in, which a plugin may not do"),
        ("ctypes.CDLL(None).fork()", ""),  # compiled code tells nobody
    ],
)
@pytest.mark.slow
def test_what_a_plugin_forks_ends_and_does_nothing_twice(tmp_path, fork, told):
    lines = tmp_path / "lines"
    script = f"""
import ctypes, os
from aftersun.host.answer_checks import PluginError
from aftersun.host.asking import asking
told = ""
try:
    with asking("odd", "change"):
        {fork}
except PluginError as error:
    told = str(error)
open({str(lines)!r}, "a").write(told + "\\n")
"""
    subprocess.run([sys.executable, "-W", "ignore", "-c", script], check=True, timeout=30)
    assert lines.read_text() == f"{told}\n"


@forking
@pytest.mark.filterwarnings("ignore:.*multi-threaded:DeprecationWarning")
def test_who_is_no_plugin_may_fork():
    child = os.fork()
    if not child:
        os._exit(7)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 7


@pytest.mark.slow
@posix
def test_one_that_takes_too_long_is_stopped_and_named(cohort):
    def screen(_):
        while True:
            with suppress(Exception):
                time.sleep(0.01)

    began = time.monotonic()
    with plugin_limit(0.2):
        answer, (failure,) = screened(cohort, screen)
        time.sleep(0.3)  # nobody is stopped while no plugin is asked
    assert answer is None
    assert failure.reason == "has not answered for 0.2 s"
    assert 0.2 <= time.monotonic() - began < 10


@posix
def test_the_limit_of_a_block_ends_with_it():
    with plugin_limit(60.0):
        with plugin_limit(0.1), pytest.raises(TookTooLong, match=r"for 0.1 s"), asking("odd", "change"):
            time.sleep(30)
        with asking("odd", "change"):
            time.sleep(0.2)


@pytest.mark.slow
def test_where_there_is_no_alarm_the_process_ends_and_says_where_it_was():
    script = """
import threading, time
from aftersun.host.asking import asking, plugin_limit
def ask():
    with plugin_limit(0.1):
        with asking("good", "change"):
            pass
        time.sleep(0.3)
        print("still here", flush=True)
        with asking("odd", "change"):
            time.sleep(60)
threading.Thread(target=ask).start()
"""
    ran = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=30)
    assert ran.returncode == 1
    assert ran.stdout == "still here\n"
    assert "Timeout (0:00:00.1" in ran.stderr


@pytest.mark.slow
@posix
def test_a_plugin_that_hangs_while_it_is_loaded_is_left_out(tmp_path):
    (tmp_path / "slow.py").write_text("import time\nwhile True: time.sleep(0.01)\n")
    (tmp_path / "loud.py").write_text("print('here I am')\nraise RuntimeError('no such luck')\n")
    with plugin_limit(0.5):
        registry = find_plugins(folder=tmp_path)
    assert {(failure.plugin, failure.during, failure.reason) for failure in registry.failures} == {
        ("slow", "load", "has not answered for 0.5 s"),
        ("loud", "load", "RuntimeError: no such luck"),
    }
    assert "bird_mesh" in registry.versions()


def test_another_process_reads_who_is_asked_and_since_when(tmp_path):
    path = tmp_path / "asked"
    assert read_note(path) == ("", "", 0.0)

    def ask():  # in a thread of its own, for the note is kept until it ends
        keep_note(path)
        for name in ("odd", "x" * 5000):
            with asking(name, "change"):
                time.sleep(0.05)
                seen.append(read_note(path))
            seen.append(read_note(path))
        host_asking._note.get().close()

    seen: list[tuple[str, str, float]] = []
    thread = threading.Thread(target=ask)
    thread.start()
    thread.join()
    assert [plugin for plugin, _, _ in seen] == ["odd", "", "x" * 100, ""]
    assert seen[0][1] == "change"
    assert 0.05 <= seen[0][2] < 10
