"""What a plugin changes in the process is put back, and said; what it prints is left out of the results."""

from __future__ import annotations

import gc
import locale
import os
import random
import socket
import sys
import time
import warnings
from contextlib import suppress

import numpy as np
import pytest

from aftersun import api
from aftersun.host import duty
from aftersun.host.failure import remarks
from aftersun.host.guard import Guard
from aftersun.host.memory import Meter, resident_mb
from aftersun.host.registry import Loaded, find_plugins
from aftersun.host.unchanged import unchanged
from aftersun.host.watch import watched


def state():
    key = np.random.get_state()
    return {
        "environ": dict(os.environ),
        "folder": os.getcwd(),
        "random": random.getstate(),
        "numpy": (key[1].tobytes(), *key[2:]),
        "errors": np.geterr(),
        "locale": locale.setlocale(locale.LC_ALL),
        "filters": list(warnings.filters),
        "shown": warnings.showwarning,
        "path": list(sys.path),
        "streams": (sys.stdin, sys.stdout, sys.stderr),
        "recursion": sys.getrecursionlimit(),
        "sockets": socket.getdefaulttimeout(),
        "gc": gc.isenabled(),
    }


def set_environment():
    os.environ["ODD"] = "1"
    os.environ.pop("PATH", None)
    os.environ["HOME"] = "elsewhere"


def set_locale():
    for name in ("C.UTF-8", "C", "POSIX"):
        with suppress(locale.Error):
            if locale.setlocale(locale.LC_ALL) != locale.setlocale(locale.LC_ALL, name):
                return
    pytest.skip("this system has one locale only")


def set_streams():
    sys.stdout = sys.stderr = None


CHANGES = {
    "os.environ": set_environment,
    "the working folder": lambda: os.chdir("/"),
    "the seed of random": lambda: random.seed(1),
    "the seed of numpy.random": lambda: np.random.seed(1),
    "numpy's handling of errors": lambda: np.seterr(all="ignore"),
    "the locale": set_locale,
    "the warnings filters": lambda: warnings.simplefilter("ignore"),
    "how warnings are shown": lambda: setattr(warnings, "showwarning", print),
    "sys.path": lambda: sys.path.insert(0, "elsewhere"),
    "replaces sys.stdin": set_streams,
    "the recursion limit": lambda: sys.setrecursionlimit(5000),
    "the time limit of sockets": lambda: socket.setdefaulttimeout(1),
    "garbage collection": gc.disable,
    "prints to stdout": lambda: print("a name"),
}


@pytest.mark.parametrize("fails", [False, True])
@pytest.mark.parametrize("what", CHANGES)
def test_it_is_put_back_and_said(what, fails):
    before, told = state(), []
    with suppress(ZeroDivisionError), unchanged(told.append):
        CHANGES[what]()
        if fails:
            1 / 0  # noqa: B018
    assert state() == before
    (said,) = told
    assert what in said


def test_a_filter_that_was_put_back_is_in_force():
    with unchanged(lambda _: None):
        warnings.simplefilter("ignore")
        warnings.warn("not seen", UserWarning, stacklevel=1)
    with pytest.raises(UserWarning, match="seen"):
        warnings.warn("seen", UserWarning, stacklevel=1)


def test_who_changes_nothing_is_told_nothing():
    told = []
    with unchanged(told.append):
        random.Random(1).random()
        np.random.default_rng(1).random()
    assert told == []


class Odd:
    about = api.About("odd", "Odd", "Odd.", "1", api.Range(10, 5, 15, "a", "assumption"), (), ("test",))
    assumptions: dict[str, api.Range] = {}
    facts: dict[str, api.Fact] = {}
    claims: tuple[api.Claim, ...] = ()


def screened(cohort, screen):
    """Return the screening, the failures and the remarks of a plugin that screens like that."""
    odd = Odd()
    odd.screen = screen
    guard = Guard()
    remarks.take()
    return guard.screen(Loaded(odd, "odd", "file"), cohort), guard.failures, remarks.take()


def test_the_guard_puts_back_says_so_once_and_takes_the_answer(cohort):
    def screen(lent):
        os.environ["ODD"] = "1"
        print("a name")
        return api.Screening.of(lent)

    answer, failures, said = screened(cohort, screen)
    assert answer is not None
    assert failures == []
    assert {(one.plugin, one.during) for one in said} == {("odd", "screen")}
    assert [one.reason for one in said] == [
        "prints to stdout, where results stand; it was left out",
        "changes os.environ; it was put back",
    ]
    assert "ODD" not in os.environ


class Sly(BaseException):
    pass


@pytest.mark.parametrize("error", [Sly, GeneratorExit, SystemExit, MemoryError, RecursionError])
def test_whatever_a_plugin_raises_is_its_own_affair(cohort, error):
    def screen(_):
        raise error("no such luck")

    answer, (failure,), _ = screened(cohort, screen)
    assert answer is None
    assert failure.reason.startswith(f"{error.__name__}: no such luck")
    assert duty.mine().asked() is None


def test_no_number_of_a_site_stands_in_a_failure(cohort):
    site, array = cohort.sites.index[0], cohort.arrays.index[0]

    def screen(lent):
        raise ValueError(f"roof {site}, array '{array}' and {site}x are odd")

    _, (failure,), _ = screened(cohort, screen)
    assert failure.reason.startswith(f"ValueError: roof ..., array '...' and {site}x are odd")


def test_an_answer_that_fails_when_it_is_looked_at_is_the_plugins_fault(cohort):
    class Answer(api.Screening):
        def __getattribute__(self, name):
            raise RuntimeError("look away")

    answer, (failure,), _ = screened(cohort, lambda lent: object.__new__(Answer))
    assert answer is None
    assert "look away" in failure.reason


def test_one_that_takes_too_long_in_this_process_is_stopped_and_named(cohort):
    def screen(_):
        while True:
            with suppress(Exception):
                time.sleep(0.01)

    began = time.monotonic()
    with watched(0.3):
        answer, (failure,), _ = screened(cohort, screen)
        time.sleep(0.5)  # nobody is stopped while no plugin is asked
    assert answer is None
    assert failure.reason == "has not answered for 0.3 s"
    assert 0.3 <= time.monotonic() - began < 10


def test_one_that_cannot_be_stopped_ends_the_program_with_a_sentence(tmp_path):
    import subprocess

    script = """
import time
from aftersun.host import duty, watch
watch._GRACE_S = 0.2
with watch.watched(0.3), duty.asking("odd", "change"):
    while True:
        try:
            time.sleep(60)
        except BaseException:
            pass
"""
    ran = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=30)
    assert ran.returncode == 2
    assert "The plugin odd has not answered for" in ran.stderr
    assert "during change" in ran.stderr
    assert "Traceback" not in ran.stderr


def test_a_plugin_that_hangs_while_it_is_loaded_is_left_out(tmp_path):
    (tmp_path / "slow.py").write_text("import time\nwhile True: time.sleep(0.01)\n")
    with watched(0.3):
        registry = find_plugins(folder=tmp_path)
    (failure,) = registry.failures
    assert (failure.plugin, failure.during, failure.reason) == ("slow", "load", "has not answered for 0.3 s")
    assert "bird_mesh" in registry.versions()


def test_what_is_printed_and_changed_while_loading_stays_with_the_plugin(tmp_path, capsys):
    (tmp_path / "loud.py").write_text("import os\nos.environ['ODD'] = '1'\nprint('here I am')\n")
    remarks.take()
    find_plugins(folder=tmp_path)
    assert capsys.readouterr().out == ""
    assert "ODD" not in os.environ
    assert {(one.plugin, one.during) for one in remarks.take()} == {("loud", "load")}


@pytest.mark.skipif(resident_mb() is None, reason="this system does not tell")
def test_a_leak_is_booked_on_the_plugin_that_was_asked():
    meter, kept = Meter(), []
    meter.begin()
    meter.asked("good")
    meter.asked("leaky")
    kept.append(np.ones(8_000_000))  # 64 MB
    meter.asked("good")
    plugin, said = meter.end(50)
    assert plugin == "leaky"
    assert said.startswith("seems to leak memory: the process grew beyond 50 MB")
    assert meter.end(500) is None


def test_the_note_can_be_read_by_another_while_a_plugin_is_asked():
    memory = bytearray(duty.SIZE)
    note = duty.Duty(memory)
    other = duty.Duty(memory)
    assert other.asked() is None
    note.begin("odd", "change")
    first = other.count
    assert other.asked() == ("odd", "change")
    note.begin("x" * 500, "safety")
    assert other.count != first
    assert other.asked()[0].startswith("xxx")
    note.end()
    note.end()
    assert other.asked() is None
