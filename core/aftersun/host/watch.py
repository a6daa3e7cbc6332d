"""A time limit for plugins that are asked in this very process."""

from __future__ import annotations

import ctypes
import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from aftersun.host import duty
from aftersun.model.errors import EXIT_BAD_INPUT

LIMIT_S = 300.0
_GRACE_S = 10.0  # to come back after it was told to stop


class Overdue(BaseException):
    """Raised inside a plugin that takes too long; no Exception, lest the plugin takes it for one of its own."""

    said = "has not answered in time"


def overdue(seconds: float) -> str:
    """Say that a plugin takes too long."""
    return f"has not answered for {seconds:g} s"


@contextmanager
def watched(seconds: float) -> Iterator[None]:
    """Stop plugins that are asked within the block and take longer: raise :class:`Overdue` inside them.

    One that is stuck where Python cannot reach it (in compiled code) ends the process, with a sentence that names it.
    """
    ended = threading.Event()
    thread = threading.Thread(target=_watch, args=(seconds, ended), daemon=True, name="aftersun-watch")
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


def _watch(seconds: float, ended: threading.Event) -> None:
    class Late(Overdue):
        said = overdue(seconds)

    note, seen, waited, told = duty.mine(), -1, 0.0, False
    step = min(max(seconds / 20.0, 0.01), 1.0)
    while not ended.wait(step):
        count = note.count
        if count != seen or note.asked() is None:
            seen, waited, told = count, 0.0, False
            continue
        waited += step
        if waited >= seconds and not told:
            ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(note.thread), ctypes.py_object(Late))
            told = True
        elif told and waited >= seconds + _GRACE_S:
            plugin, during = note.asked() or ("", "")
            sys.stderr.write(
                f"aftersun: The plugin {plugin} {overdue(waited)} during {during} and cannot be stopped; "
                "the run ends.\n"
                "  Switch it off in the company file, and tell its author; nothing was changed.\n"
            )
            sys.stderr.flush()
            os._exit(EXIT_BAD_INPUT)
