"""Data files with a source for every row. A leaf: it knows nothing of the programs that read it."""

from __future__ import annotations

import csv
import io
from importlib.resources import files
from importlib.resources.abc import Traversable


def path(name: str) -> Traversable:
    """Return the packaged file ``name`` (for example ``"assumptions.csv"`` or ``"demo/site.csv"``)."""
    return files(__name__).joinpath(*name.split("/"))


def rows(name: str) -> list[dict[str, str]]:
    """Return the rows of a packaged CSV file as text, one mapping a row, in file order."""
    return list(csv.DictReader(io.StringIO(path(name).read_text(encoding="utf-8"), newline="")))
