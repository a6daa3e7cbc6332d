"""Functions that tests have worked off by processes of their own, and what plugins may do wrong."""

from __future__ import annotations

import os
import time
from contextlib import suppress

from aftersun.host.asking import asking, plugin_limit

LIMIT_S = 0.2


def answer(job: tuple[str, object]) -> object:
    """Do what the job says."""
    what, value = job
    with plugin_limit(LIMIT_S), asking("odd", "change"):
        while what == "hang":
            with suppress(BaseException):  # it does not stop when it is told
                time.sleep(600)
        if what == "exit":
            os._exit(3)
        if what == "once" and not os.path.exists(str(value)):
            open(str(value), "w").close()
            os.kill(os.getpid(), 9)
        if what == "crash":
            import ctypes

            ctypes.string_at(0)
    if what == "core":
        os._exit(4)
    if what == "raise":
        raise ValueError(value)
    if what == "unpicklable":
        raise type("Local", (Exception,), {})("of a class that nobody else knows")
    if what == "print":
        print("from Python")
        os.write(1, b"from compiled code\n")
    return os.getpid() if what == "pid" else value
