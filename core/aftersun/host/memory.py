"""How much memory this process holds, and while which plugin was asked it grew."""

from __future__ import annotations

import gc
import os
import sys
from collections import defaultdict
from pathlib import Path

LIMIT_MB = 1000.0
_MB = 1024.0**2
_STATM = Path("/proc/self/statm")


def resident_mb() -> float | None:
    """Return the memory in use, MB; on systems that tell only the most it ever was, that; None where none is told."""
    try:
        return int(_STATM.read_bytes().split()[1]) * os.sysconf("SC_PAGE_SIZE") / _MB
    except (OSError, ValueError, IndexError, AttributeError):
        pass
    try:
        import resource
    except ImportError:
        return None
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most / _MB if sys.platform == "darwin" else most / 1024.0


class Meter:
    """Books the growth of the process on the plugin that was asked in the meantime."""

    def __init__(self) -> None:
        self._start: float | None = None
        self._last: float | None = None
        self._plugin = ""
        self._grown: defaultdict[str, float] = defaultdict(float)

    def begin(self) -> None:
        """Begin a piece of work."""
        self._last = resident_mb()
        self._plugin = ""
        if self._start is None:
            self._start = self._last

    def asked(self, plugin: str) -> None:
        """Note that another plugin's turn has come: what grew before was another's."""
        if plugin == self._plugin:
            return
        now = resident_mb()
        if now is not None and self._last is not None and self._plugin:
            self._grown[self._plugin] += now - self._last
        self._plugin, self._last = plugin, now

    def end(self, limit_mb: float) -> tuple[str, str] | None:
        """End a piece of work: return a plugin and what it did, if the process has grown beyond the limit."""
        self.asked("")
        gc.collect()
        now = resident_mb()
        if now is None or self._start is None or now - self._start <= limit_mb or not self._grown:
            return None
        plugin, grown = max(self._grown.items(), key=lambda one: one[1])
        return plugin, (
            f"seems to leak memory: the process grew beyond {limit_mb:,.0f} MB, mostly while it was asked "
            f"({grown:,.0f} of {now - self._start:,.0f} MB)"
        )


meter = Meter()  # of this process
