"""Keeps the results of finished chunks on disk until the run is whole, so that memory does not grow with it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Self

import pandas as pd

from aftersun.host.registry import Failure
from aftersun.scoring import words
from aftersun.scoring.single import Scored, failed_ranking

_CALL_COLUMNS = ["site_id", "retrofit", "npv", "status", "reason"]


@dataclass(eq=False)
class Spool:
    """Results chunk by chunk, in the order of the chunks. Use it in a ``with`` block; its folder goes with it."""

    failures: dict[Failure, None] = field(default_factory=dict)
    _chunks: list[list[str]] = field(default_factory=list)

    def __enter__(self) -> Self:
        self._folder = TemporaryDirectory(prefix="aftersun-")  # readable by its owner only
        return self

    def __exit__(self, *_: object) -> None:
        self._folder.cleanup()

    def add(self, result: Scored) -> None:
        """Keep the result of the next chunk."""
        self.failures.update(dict.fromkeys(result.failures))
        for table, frame in result.frames.items():
            frame.to_parquet(self._path(len(self._chunks), table), index=False)
        self._chunks.append(list(result.frames))

    def tables(self, broken: Collection[str]) -> dict[str, list[Path]]:
        """Return the files of each table, one a chunk, rankings with the rank within each site.

        A retrofit in ``broken`` failed in some chunk and so in the run: none of its results count. Its safety notes
        are kept.
        """
        found: dict[str, list[Path]] = {}
        for chunk, tables in enumerate(self._chunks):
            for table in tables:
                path = self._path(chunk, table)
                if table == "ranking":
                    ranked(_without(pd.read_parquet(path), broken)).to_parquet(path, index=False)
                elif broken and table in ("cost_item", "cash_flow"):
                    frame = pd.read_parquet(path)
                    frame[~frame["retrofit"].isin(broken)].to_parquet(path, index=False)
                found.setdefault(table, []).append(path)
        return found

    def whole(self, table: str) -> pd.DataFrame:
        """Return a table of all chunks; for small ones."""
        paths = [self._path(chunk, table) for chunk, tables in enumerate(self._chunks) if table in tables]
        return pd.concat([pd.read_parquet(path) for path in paths], ignore_index=True)

    def candidates(self, broken: Collection[str]) -> pd.DataFrame:
        """Return what is worth something anywhere: site_id, retrofit, npv, status, reason."""
        parts = []
        for chunk, tables in enumerate(self._chunks):
            if "ranking" in tables:
                frame = pd.read_parquet(self._path(chunk, "ranking"))
                good = frame["status"].isin([words.ADVISED, words.SURVEY]) & ~frame["retrofit"].isin(broken)
                parts.append(frame.loc[good].reindex(columns=_CALL_COLUMNS))
        return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=_CALL_COLUMNS)

    def _path(self, chunk: int, table: str) -> Path:
        return Path(self._folder.name) / f"{chunk:06d}-{table}.parquet"


def ranked(ranking: pd.DataFrame) -> pd.DataFrame:
    """Give each evaluated retrofit its rank within the site by net present value; the rest have none."""
    order = ranking.sort_values(
        ["site_id", "npv", "retrofit"], ascending=[True, False, True], kind="stable", na_position="last"
    )
    place = order.groupby("site_id", sort=False).cumcount() + 1
    return order.assign(rank=place.where(order["npv"].notna()).astype("Int64")).reset_index(drop=True)


def _without(ranking: pd.DataFrame, broken: Collection[str]) -> pd.DataFrame:
    lost = ranking["retrofit"].isin(broken)
    parts = [ranking[~lost]]
    for name, rows in ranking[lost].groupby("retrofit"):
        parts.append(failed_ranking(pd.Index(rows["site_id"]), str(name)))
    ranking = pd.concat(parts, ignore_index=True)
    return ranking if "npv" in ranking else ranking.assign(npv=float("nan"))
