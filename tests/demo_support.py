"""The demo's company with 45 of its 250 sites, ranked once, for all tests and all processes that run them.

The sites are chosen so that every status, retrofit, rule of contact and kind of call occurs among them.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb
import pytest

from aftersun.scoring.run.demo import AS_OF, Demo, make_demo
from aftersun.scoring.run.rank import Settings, rank

CALLED_FOR_SAFETY = (33, 36, 67, 72, 110, 122, 127, 156, 198, 205, 208, 243)
CALLED_TO_OFFER = (10, 103, 109, 137, 161, 166, 172, 174, 190, 193)
SETS = (113, 201)  # offered several retrofits in one visit
NOT_CALLED = (1, 2, 5, 6, 7, 14, 17, 19, 38, 52, 148, 160)  # each for another reason, as far as there is one
FITTED, HORIZON, READINGS, SURVEY, UNSURE, SAME_CUSTOMER = (8, 26), (21, 58), (70, 124), (63,), (77,), (134,)
SITES = tuple(
    f"S{number:04d}"
    for number in sorted(
        CALLED_FOR_SAFETY + CALLED_TO_OFFER + SETS + NOT_CALLED + FITTED + HORIZON + READINGS + SURVEY + UNSURE
        + SAME_CUSTOMER
    )
)  # fmt: skip


@cache
def demo_files() -> dict[str, bytes]:
    """Make the whole demo, not ranked, once in this process and return its files by their path in its folder."""
    with TemporaryDirectory() as folder:
        made = make_demo(Path(folder) / "demo").inventory.parent
        return {str(path.relative_to(made)): path.read_bytes() for path in made.rglob("*") if path.is_file()}


def put_demo(folder: Path) -> Demo:
    """Write the files of the whole demo, not ranked, into a new folder."""
    for name, data in demo_files().items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    return Demo(folder / "demo.duckdb", folder / "company.toml", folder / "tables", AS_OF, 0, 0)


def keep_sites(inventory: Path, sites: Iterable[str]) -> None:
    """Take all other sites out of an inventory that is not ranked."""
    with duckdb.connect(str(inventory)) as connection:
        for table in ("array", "fitted", "reading", "horizon", "site"):
            connection.execute(f'DELETE FROM "{table}" WHERE NOT list_contains(?, site_id)', [list(sites)])


def ranked_demo(folder: Path) -> Demo:
    """Put the demo with the chosen sites into a new folder and rank it."""
    made = put_demo(folder)
    keep_sites(made.inventory, SITES)
    rank(made.inventory, Settings(made.company, made.as_of))
    return made


def once_for_all(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], None]) -> Path:
    """Return a folder that the first process that asks makes, and that the other processes of this test run share."""
    several = "PYTEST_XDIST_WORKER" in os.environ
    folder = (factory.getbasetemp().parent if several else factory.getbasetemp()) / name
    with _locked(folder.with_suffix(".lock")):
        if not folder.with_suffix(".made").exists():
            make(folder)
            folder.with_suffix(".made").touch()
    return folder


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    with path.open("w") as handle:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
