"""Puts back what a plugin changed in the process, and keeps what it prints out of the results."""

from __future__ import annotations

import gc
import io
import locale
import os
import random
import socket
import sys
import warnings
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True)
class _Kept:
    """One thing that every plugin finds as it was: how to read it, and how to put it back."""

    read: Callable[[], Any]
    restore: Callable[[Any], object]


def _folder() -> str | None:
    try:
        return os.getcwd()
    except OSError:
        return None  # it was removed


def _to_folder(folder: str | None) -> None:
    if folder is not None:
        with suppress(OSError):
            os.chdir(folder)


def _to_environment(before: Mapping[str, str]) -> None:
    for name in os.environ.keys() - before.keys():
        del os.environ[name]
    os.environ.update(before)


def _numbers() -> tuple[Any, ...]:
    name, key, *rest = np.random.get_state()
    return (name, np.asarray(key).tobytes(), *rest)


def _to_numbers(state: tuple[Any, ...]) -> None:
    name, key, *rest = state
    np.random.set_state((name, np.frombuffer(key, dtype=np.uint32), *rest))


def _to_filters(before: list[Any]) -> None:
    warnings.resetwarnings()  # tells the machinery that something changed, as a mere assignment would not
    warnings.filters[:] = before  # type: ignore[index]


_FILTERS = "the warnings filters"
_KEPT: Mapping[str, _Kept] = {
    "os.environ": _Kept(lambda: dict(os.environ), _to_environment),
    "the working folder": _Kept(_folder, _to_folder),
    "the seed of random": _Kept(random.getstate, random.setstate),
    "the seed of numpy.random": _Kept(_numbers, _to_numbers),
    "the locale": _Kept(
        lambda: locale.setlocale(locale.LC_ALL), lambda before: locale.setlocale(locale.LC_ALL, before)
    ),
    _FILTERS: _Kept(lambda: list(warnings.filters), _to_filters),
    "how warnings are shown": _Kept(
        lambda: warnings.showwarning, lambda before: setattr(warnings, "showwarning", before)
    ),
    "the recursion limit": _Kept(sys.getrecursionlimit, sys.setrecursionlimit),
    "the time limit of sockets": _Kept(socket.getdefaulttimeout, socket.setdefaulttimeout),
    "garbage collection": _Kept(gc.isenabled, lambda before: gc.enable() if before else gc.disable()),
}
_IMPORT_PATH = _Kept(lambda: list(sys.path), lambda before: sys.path.__setitem__(slice(None), before))


class _Sink(io.BytesIO):
    """Takes what is printed and keeps only its size."""

    size = 0

    def write(self, data: Any, /) -> int:
        self.size += len(data)
        return len(data)


@contextmanager
def unchanged(tell: Callable[[str], None], loading: bool = False) -> Iterator[None]:
    """Run a plugin's code in a block after which the process is as before; ``tell`` is told what had to be put back.

    What it prints to stdout is left out: results stand there, and it might hold a customer's data. What it replaced
    inside other modules is not found. While ``loading``, sys.path is left as the block made it, and nothing is told of
    warnings filters: libraries that are imported for the first time set some.
    """
    kept = dict(_KEPT) if loading else {**_KEPT, "sys.path": _IMPORT_PATH}
    before = {name: one.read() for name, one in kept.items()}
    streams = sys.stdin, sys.stdout, sys.stderr
    sink = _Sink()
    sys.stdout = printed = io.TextIOWrapper(sink, encoding="utf-8", errors="replace", write_through=True)
    errors = np.geterr()
    try:
        with np.errstate():
            try:
                yield
            finally:
                if np.geterr() != errors:
                    tell("changes numpy's handling of errors; it was put back")
    finally:
        replaced = (sys.stdin, sys.stdout, sys.stderr) != (streams[0], printed, streams[2])
        sys.stdin, sys.stdout, sys.stderr = streams
        if replaced:
            tell("replaces sys.stdin, sys.stdout or sys.stderr; they were put back")
        if sink.size:
            tell("prints to stdout, where results stand; it was left out")
        for name, one in kept.items():
            if one.read() != before[name]:
                one.restore(before[name])
                if not (loading and name == _FILTERS):
                    tell(f"changes {name}; it was put back")
