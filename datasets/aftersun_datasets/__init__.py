"""Data files with a source for every row. A leaf: it knows nothing of the programs that read it."""

from __future__ import annotations

import csv
import io
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable


def path(name: str, package: str = __name__) -> Traversable:
    """Return the packaged file ``name`` (for example ``"system.csv"`` or ``"demo/site.csv"``)."""
    return files(package).joinpath(*name.split("/"))


@cache
def rows(name: str, package: str = __name__) -> tuple[dict[str, str], ...]:
    """Return the rows of a packaged CSV file as text, one mapping a row, in file order."""
    return tuple(csv.DictReader(io.StringIO(path(name, package).read_text(encoding="utf-8"), newline="")))
