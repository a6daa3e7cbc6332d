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
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from aftersun.host.asking import Failure
from aftersun.inventory.store.private import umask
from aftersun.scoring.offers.chunk import VALUE_DRAW

SAFETY = "safety"  # the step in which a retrofit is asked for its notes
Failed = Mapping[str, bool]  # the retrofits that failed, by id: whether they are still asked for their safety notes

_DONE, _FAILURES = "done.json", "failures.json"
_MAKING = ".making"
_NOT_DONE: Mapping[str, Any] = {"without": None}


@dataclass(frozen=True, eq=False)
class ChunkResult:
    """Tables of a chunk as Parquet files in memory, and what failed: then they do not count."""

    tables: Mapping[str, bytes]
    failures: tuple[Failure, ...] = ()


class FinishedChunks:
    """Results chunk by chunk in a folder. What lies there already is taken over.

    ``failures`` and ``failed`` are what failed in some chunk and so in the run. A chunk counts only if it was computed
    without that. ``only`` these tables are kept; none named = all.
    """

    def __init__(self, folder: Path, chunks: int, only: Collection[str] = ()) -> None:
        self._folder, self._chunks, self._only = folder, chunks, only
        self.failures: list[Failure] = []
        self.failed: dict[str, bool] = {}
        for failure in read_json(folder / _FAILURES) or []:
            self._note(Failure(**failure))
        there = {number: _read_whole(self._chunk_folder(number)) for number in range(chunks)}
        self._done = {number: done for number, done in there.items() if done is not None}

    def todo(self) -> list[int]:
        """Return the numbers of the chunks that are still to be computed, or to be computed again."""
        return [number for number in range(self._chunks) if self._done.get(number, _NOT_DONE)["without"] != self.failed]

    def add(self, number: int, result: ChunkResult, known: Failed) -> None:
        """Keep the result of a chunk for which these failures were known, or note what else failed in it."""
        for failure in result.failures:
            self.fail(failure, known)
        if result.failures:
            return
        tables = {name: data for name, data in result.tables.items() if not self._only or name in self._only}
        folder = self._chunk_folder(number)
        making = folder.with_name(folder.name + _MAKING)
        shutil.rmtree(making, ignore_errors=True)
        with umask():
            making.mkdir()
            for table, data in tables.items():
                _write(making / f"{table}.parquet", data)
            files = {table: hashlib.sha256(data).hexdigest() for table, data in tables.items()}
            done = {"without": dict(known), "files": files}
            _write(making / _DONE, json.dumps(done).encode())
        shutil.rmtree(folder, ignore_errors=True)
        making.rename(folder)
        self._done[number] = done

    def fail(self, failure: Failure, known: Failed) -> None:
        """Note that a retrofit failed: none of its results count, in no chunk. Its safety notes are still asked for.

        If it failed at these, it is asked nothing more. ``known`` are the failures that were known when it was asked:
        where the same one has been noted since, it is no second one.
        """
        if self.failed.get(failure.plugin) != known.get(failure.plugin):
            return
        self._note(failure)
        write_json(self._folder / _FAILURES, [asdict(failure) for failure in self.failures])

    def tables(self) -> dict[str, list[Path]]:
        """Return the files of each table that the run stores, one a chunk."""
        names = {table for done in self._done.values() for table in done["files"]} - {VALUE_DRAW}
        return {table: self._files(table) for table in sorted(names)}

    def whole(self, table: str) -> pd.DataFrame:
        """Return a table of all chunks; for small ones."""
        return pd.concat(self.parts(table), ignore_index=True)

    def rows(self, table: str, columns: list[str], where: str, value: object) -> pd.DataFrame:
        """Return these columns of the rows of a table, large as it may be, in which ``where`` has this value."""
        kept = (pd.read_parquet(file, columns=columns, filters=[(where, "==", value)]) for file in self._files(table))
        return pd.concat([pd.DataFrame(columns=columns, dtype="str"), *kept], ignore_index=True)

    def parts(self, table: str) -> Iterator[pd.DataFrame]:
        """Yield a table chunk by chunk."""
        yield from map(pd.read_parquet, self._files(table))

    def _note(self, failure: Failure) -> None:
        self.failures.append(failure)
        self.failed[failure.plugin] = failure.plugin not in self.failed and failure.during != SAFETY

    def _chunk_folder(self, number: int) -> Path:
        return self._folder / f"{number:06d}"

    def _files(self, table: str) -> list[Path]:
        numbers = [number for number, done in sorted(self._done.items()) if table in done["files"]]
        return [self._chunk_folder(number) / f"{table}.parquet" for number in numbers]


def _write(path: Path, data: bytes) -> None:
    """Write a file that outlasts a power failure."""
    with path.open("wb") as handle:
        handle.write(data)
        handle.flush()
        os.fsync(handle.fileno())


def write_json(path: Path, content: object) -> None:
    """Write a private file that is there whole or not at all."""
    making = path.with_name(path.name + _MAKING)
    with umask():
        _write(making, json.dumps(content).encode())
    making.replace(path)


def read_json(path: Path) -> Any:
    """Return what a file says, None where it is missing or torn."""
    try:
        return json.loads(path.read_bytes())
    except (OSError, ValueError):
        return None


def _read_whole(folder: Path) -> dict[str, Any] | None:
    """Return what is said of a chunk if all its files are as they were written."""
    done: dict[str, Any] | None = read_json(folder / _DONE)
    files = {folder / f"{table}.parquet": expected for table, expected in done["files"].items()} if done else {}
    whole = all(path.exists() and hashlib.sha256(path.read_bytes()).hexdigest() == files[path] for path in files)
    return done if whole else None
