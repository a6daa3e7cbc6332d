"""The block in which a plugin is asked: it says who is asked, bounds the time, and keeps stdout for results.

Who is asked stands in a note that another process can read when this one hangs or is dead. Ctrl-C ends the program
whatever the plugin makes of it, no plugin goes on in two processes, and none changes the libraries of the others.
"""

from __future__ import annotations

import faulthandler
import os
import signal
import sys
import threading
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stdout
from contextvars import ContextVar
from dataclasses import dataclass
from io import FileIO
from operator import is_
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import special

from aftersun.host.answer_checks import PluginError

LIMIT_S = 300.0  # that a plugin may take for one answer
_NOTE_BYTES = 1024

_LIBRARIES = (np, np.linalg, np.random, pd, pd.DataFrame, pd.Series, special)

_limit_s: ContextVar[float] = ContextVar("limit_s", default=LIMIT_S)
_note: ContextVar[FileIO | None] = ContextVar("note", default=None)
_forks: ContextVar[list[int] | None] = ContextVar("forks", default=None)  # of the plugin that is asked


@dataclass(frozen=True)
class Failure:
    """A plugin or retrofit that could not be used, and why. ``during`` is the step: load, screen, change ..."""

    plugin: str
    during: str
    reason: str


class TookTooLong(BaseException):
    """Raised inside a plugin that takes too long; no Exception, lest the plugin takes it for one of its own."""


class CtrlC(KeyboardInterrupt):
    """Ctrl-C while a plugin is asked. Any other KeyboardInterrupt is one that the plugin has raised."""


def too_long(seconds: float) -> str:
    """Say that a plugin takes too long."""
    return f"has not answered for {seconds:g} s"


def keep_note(path: Path) -> None:
    """Keep a note in a file of whom this process asks."""
    _note.set(path.open("wb", buffering=0))


def read_note(path: Path) -> tuple[str, str, float]:
    """Return which plugin a process asks, for what, and for how many seconds by now; "" where none is asked."""
    try:
        since, plugin, during = path.read_text(encoding="utf-8", errors="replace").split("\n")
    except (OSError, ValueError):  # not written yet
        return "", "", 0.0
    return plugin, during.rstrip(), time.monotonic() - float(since)


def _write_note(plugin: str = "", during: str = "") -> None:
    note = _note.get()
    if note is not None:
        note.seek(0)  # one write of one size: whoever reads at that moment finds the one text or the other
        note.write(f"{time.monotonic()}\n{plugin[:100]}\n{during[:50]}".encode().ljust(_NOTE_BYTES))


def limit_s() -> float:
    """Return what a plugin may take for one answer, in seconds."""
    return _limit_s.get()


@contextmanager
def plugin_limit(seconds: float) -> Iterator[None]:
    """Bound the time of each answer that a plugin is asked for within the block."""
    before = _limit_s.set(seconds)
    try:
        yield
    finally:
        _limit_s.reset(before)


@contextmanager
def asking(plugin: str, during: str) -> Iterator[None]:
    """Ask a plugin within the block, which raises :class:`TookTooLong` when it takes too long.

    What it prints goes to stderr, since results stand on stdout. How numpy treats errors and which warnings are shown
    is as before when the block ends. :class:`CtrlC` is raised at Ctrl-C, PluginError where the plugin has forked or put
    something of its own in the place of what all compute with.
    """
    _write_note(plugin, during)
    try:
        with (
            hearing_ctrl_c(),
            _in_one_process(),
            _libraries_as_they_were(),
            _bounded(_limit_s.get()),
            np.errstate(),
            warnings.catch_warnings(),
            redirect_stdout(sys.stderr),
        ):
            yield
    finally:
        _write_note()


@contextmanager
def hearing_ctrl_c() -> Iterator[None]:
    """Raise :class:`CtrlC` within a block at Ctrl-C, or at its end if the plugin has caught it.

    Where this process does not hear Ctrl-C, and in threads, which are never told of it, nothing changes.
    """
    in_main = threading.current_thread() is threading.main_thread()
    before = signal.getsignal(signal.SIGINT)
    if not in_main or before is not signal.default_int_handler:
        yield
        return
    heard = []

    def hear(*_: object) -> None:
        heard.append(True)
        raise CtrlC

    signal.signal(signal.SIGINT, hear)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
        if heard:
            raise CtrlC


@contextmanager
def _in_one_process() -> Iterator[None]:
    """Raise PluginError at the end of a block in which this process was forked. What was forked has ended at once."""
    forks: list[int] = []
    before, process = _forks.set(forks), os.getpid()
    try:
        yield
    finally:
        _forks.reset(before)
        if os.getpid() != process:  # forked by compiled code, which tells nobody
            os._exit(1)
        if forks:
            raise PluginError("forks the process that it runs in, which a plugin may not do")


@contextmanager
def _libraries_as_they_were() -> Iterator[None]:
    """Raise PluginError at the end of a block that has exchanged a part of a library, which is put back."""
    before = [(owner, dict(vars(owner))) for owner in _LIBRARIES]
    try:
        yield
    finally:
        changed = [
            (owner, name, value)
            for owner, values in before
            for now in (vars(owner),)
            if len(now) != len(values) or not all(map(is_, now.values(), values.values()))  # most often the same
            for name, value in values.items()
            if now.get(name) is not value
        ]
        for owner, name, value in changed:
            setattr(owner, name, value)
        if changed:
            owner, name, _ = changed[0]
            raise PluginError(f"exchanges {owner.__name__}.{name}, which all retrofits compute with")


def _forked() -> None:
    forks = _forks.get()
    if forks is not None:
        forks.append(1)


def _end_if_forked() -> None:
    if _forks.get() is not None:
        os._exit(1)


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_parent=_forked, after_in_child=_end_if_forked)


@contextmanager
def _bounded(seconds: float) -> Iterator[None]:
    """Raise TookTooLong within a block. Where there is no alarm (on Windows, in a thread) the process ends instead."""
    if not hasattr(signal, "setitimer") or threading.current_thread() is not threading.main_thread():
        faulthandler.dump_traceback_later(seconds, exit=True, file=sys.__stderr__ or 2)
        try:
            yield
        finally:
            faulthandler.cancel_dump_traceback_later()
        return

    def stop(*_: object) -> None:
        raise TookTooLong(too_long(seconds))

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)
