"""Keeps the results of finished chunks on disk until the run is whole, so that neither memory nor a crash matters.

Each chunk has a folder of its own, written under another name and renamed when it is complete, with a hash of every
file: what is torn does not count.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Collection, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from aftersun.host.failure import Failure
from aftersun.inventory.store.private import umask
from aftersun.scoring.offers.chunk import VALUE_DRAW
from aftersun.scoring.ranges.draws import portfolio_range
from aftersun.scoring.value import words

_CALL_COLUMNS = ["site_id", "retrofit", "npv", "status", "reason"]
SAFETY = "safety"  # the step in which a retrofit is asked for its notes
_DONE, _BROKEN = "done.json", "broken.json"
_MAKING = ".making"


@dataclass(frozen=True, eq=False)
class Packed:
    """Tables of a chunk as Parquet files in memory, what failed, what else is to be said, whether memory leaks.

    The tables are as if the retrofits in ``broken`` were not there: by id, whether they were asked for safety notes.
    """

    tables: Mapping[str, bytes]
    broken: Mapping[str, bool] = field(default_factory=dict)
    failures: tuple[Failure, ...] = ()
    remarks: tuple[Failure, ...] = ()
    leaks: bool = False


class Spool:
    """Results chunk by chunk in a folder. What lies there already is taken over.

    ``broken`` are the retrofits that failed in some chunk and so in the run, by id, with whether they are still asked
    for their safety notes. A chunk counts only if it was computed without them. ``only`` these tables are kept; none
    named = all.
    """

    def __init__(self, folder: Path, chunks: int, only: Collection[str] = ()) -> None:
        self._folder, self._chunks, self._only = folder, chunks, only
        self.failures: list[Failure] = []
        self.broken: dict[str, bool] = {}
        self.remarks: dict[Failure, None] = {}
        self._done: dict[int, dict[str, bool]] = {}
        self._tables: dict[int, list[str]] = {}
        for failure in _listed(folder / _BROKEN):
            self._note(failure)
        for number in range(chunks):
            found = _whole(self._place(number))
            if found is not None:
                self._count(number, found)

    def todo(self) -> list[int]:
        """Return the numbers of the chunks that are still to be computed, or to be computed again."""
        return [number for number in range(self._chunks) if self._done.get(number) != self.broken]

    def add(self, number: int, packed: Packed, broken: Mapping[str, bool]) -> None:
        """Keep the result of a chunk for which these retrofits were known to be broken."""
        tables = {name: data for name, data in packed.tables.items() if not self._only or name in self._only}
        place = self._place(number)
        making = place.with_name(place.name + _MAKING)
        shutil.rmtree(making, ignore_errors=True)
        with umask():
            making.mkdir()
            for table, data in tables.items():
                _write(making / f"{table}.parquet", data)
            told = {
                "broken": dict(packed.broken),
                "remarks": [asdict(one) for one in packed.remarks],
                "files": {table: hashlib.sha256(data).hexdigest() for table, data in tables.items()},
            }
            _write(making / _DONE, json.dumps(told).encode())
        shutil.rmtree(place, ignore_errors=True)
        making.rename(place)
        self._count(number, told)
        for failure in packed.failures:
            self.breaks(failure, broken)

    def breaks(self, failure: Failure, broken: Mapping[str, bool]) -> None:
        """Note that a retrofit failed: none of its results count, in no chunk. Its safety notes are still asked for.

        If it failed at these, it is asked nothing more. ``broken`` are those that were known to be so when it was
        asked: where others have noted the failure since, it is no second one.
        """
        if self.broken.get(failure.plugin) != broken.get(failure.plugin):
            return
        self._note(failure)
        making = self._folder / f"{_BROKEN}{_MAKING}"
        with umask():
            _write(making, json.dumps([asdict(one) for one in self.failures]).encode())
        making.replace(self._folder / _BROKEN)

    def tables(self) -> dict[str, list[Path]]:
        """Return the files of each table that the run stores, one a chunk."""
        found: dict[str, list[Path]] = {}
        for number, tables in sorted(self._tables.items()):
            for table in tables:
                if table != VALUE_DRAW:
                    found.setdefault(table, []).append(self._path(number, table))
        return found

    def whole(self, table: str) -> pd.DataFrame:
        """Return a table of all chunks; for small ones."""
        return pd.concat(self.parts(table), ignore_index=True)

    def parts(self, table: str) -> Iterator[pd.DataFrame]:
        """Yield a table chunk by chunk."""
        for number, tables in sorted(self._tables.items()):
            if table in tables:
                yield pd.read_parquet(self._path(number, table))

    def value_range(self) -> pd.DataFrame:
        """Return how sure the sum of the best offers of all sites is, by retrofit and together."""
        return portfolio_range(self.whole(VALUE_DRAW))

    def candidates(self) -> pd.DataFrame:
        """Return what may be offered or ends a danger, anywhere: site_id, retrofit, npv, status, reason."""
        parts = []
        for frame in self.parts("ranking"):
            good = frame["status"].isin([words.ADVISED, words.SURVEY]) | frame["for_safety"]
            parts.append(frame.loc[good].reindex(columns=_CALL_COLUMNS))
        return pd.concat(parts, ignore_index=True)

    def _note(self, failure: Failure) -> None:
        self.failures.append(failure)
        self.broken[failure.plugin] = failure.plugin not in self.broken and failure.during != SAFETY

    def _count(self, number: int, told: Mapping[str, Any]) -> None:
        self._done[number] = dict(told["broken"])
        self._tables[number] = list(told["files"])
        self.remarks.update(dict.fromkeys(Failure(**one) for one in told["remarks"]))

    def _place(self, number: int) -> Path:
        return self._folder / f"{number:06d}"

    def _path(self, number: int, table: str) -> Path:
        return self._place(number) / f"{table}.parquet"


def _write(path: Path, data: bytes) -> None:
    """Write a file that outlasts a power failure."""
    with path.open("wb") as handle:
        handle.write(data)
        handle.flush()
        os.fsync(handle.fileno())


def _listed(path: Path) -> list[Failure]:
    try:
        return [Failure(**one) for one in json.loads(path.read_bytes())]
    except (OSError, ValueError, TypeError):
        return []


def _whole(place: Path) -> dict[str, Any] | None:
    """Return what is told of a chunk if all its files are as they were written."""
    try:
        told: dict[str, Any] = json.loads((place / _DONE).read_bytes())
        for table, expected in told["files"].items():
            if hashlib.sha256((place / f"{table}.parquet").read_bytes()).hexdigest() != expected:
                return None
        [Failure(**one) for one in told["remarks"]]
        return told if isinstance(told["broken"], dict) else None
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return None


def ranked(ranking: pd.DataFrame) -> pd.DataFrame:
    """Give each evaluated retrofit its rank within the site; the rest have none.

    What ends a known danger comes first whatever it is worth, then the rest by net present value.
    """
    order = ranking.sort_values(
        ["site_id", "for_safety", "npv", "retrofit"],
        ascending=[True, False, False, True],
        kind="stable",
        na_position="last",
    )
    place = order.groupby("site_id", sort=False).cumcount() + 1
    return order.assign(rank=place.where(order["npv"].notna()).astype("Int64")).reset_index(drop=True)
