"""What processes that work on a copy of an inventory have in common: they say how far they are, and end when asked."""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
from collections.abc import Callable

from aftersun.model.errors import AftersunError

_STEP = 100  # times that it is said how far it is


def say(**what: object) -> None:
    """Print a line of JSON."""
    print(json.dumps(what), flush=True)


def work(do: Callable[[Callable[[int, int], None]], None]) -> None:
    """Do something that tells its progress, and say what went wrong; end when nobody listens to it any more."""
    said = -1

    def progress(done: int, total: int) -> None:
        nonlocal said
        if total and _STEP * done // total != said:
            said = _STEP * done // total
            say(done=done, total=total)

    try:
        threading.Thread(target=_end_with_whom_it_is_for, daemon=True).start()
        do(progress)
    except AftersunError as error:
        say(said=[str(error), error.hint])
    except KeyboardInterrupt:  # before it began, or once it was done
        say(said=["stopped.", "Nothing was changed in the inventory."])


def _end_with_whom_it_is_for() -> None:
    sys.stdin.read()
    os.kill(os.getpid(), signal.SIGINT)
