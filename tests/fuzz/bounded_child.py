"""Reads files within a limit of memory, in a process of its own. A line in: the kind and the path, with a tab between.

A line out says as JSON what became of the file: the sentence that refuses it (or none), seconds, and by how many MB the
most memory ever in use grew.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path

from aftersun.climate.rain_file import read_rain
from aftersun.climate.read import read_weather
from aftersun.inventory.loading.table_file import read_file
from aftersun.model.errors import AftersunError

ADDRESSES = 4_000_000_000
"""Bytes of address space; libraries reserve about half of it without ever using it."""

_READERS: dict[str, Callable[[Path], object]] = {
    "table": lambda path: read_file(path, "site"),
    "weather": read_weather,
    "rain": read_rain,
}


def _most_memory_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000


def main() -> None:
    """Read the files that are named and tell what became of each."""
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESSES, ADDRESSES))
    for line in sys.stdin:
        kind, path = line.rstrip("\n").split("\t")
        before, start = _most_memory_mb(), time.monotonic()
        told = ""
        try:
            _READERS[kind](Path(path))
        except AftersunError as error:
            told = str(error)
        found = {"told": told, "seconds": time.monotonic() - start, "grown_mb": _most_memory_mb() - before}
        print(json.dumps(found), flush=True)


if __name__ == "__main__":
    main()
