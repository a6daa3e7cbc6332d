"""Keeps the results of finished chunks on disk until the run is whole, so that memory does not grow with it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Self

import numpy as np
import pandas as pd

from aftersun.host.registry import Failure
from aftersun.scoring import words
from aftersun.scoring.offers import JOINED
from aftersun.scoring.ranges import portfolio_range
from aftersun.scoring.single import VALUE_DRAW, Scored, failed_ranking

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
                if table == VALUE_DRAW:
                    continue
                path = self._path(chunk, table)
                if table == "ranking":
                    ranked(_without(pd.read_parquet(path), broken)).to_parquet(path, index=False)
                elif broken and table in ("cost_item", "cash_flow"):
                    frame = pd.read_parquet(path)
                    frame[~frame["retrofit"].isin(broken)].to_parquet(path, index=False)
                elif broken and table in ("offer", "offer_member", "offer_hours"):
                    frame = pd.read_parquet(path)
                    with_broken = [bool(set(offer.split(JOINED)) & set(broken)) for offer in frame["offer"]]
                    frame[~np.array(with_broken, dtype=bool)].to_parquet(path, index=False)
                found.setdefault(table, []).append(path)
        return found

    def whole(self, table: str) -> pd.DataFrame:
        """Return a table of all chunks; for small ones."""
        paths = [self._path(chunk, table) for chunk, tables in enumerate(self._chunks) if table in tables]
        return pd.concat([pd.read_parquet(path) for path in paths], ignore_index=True)

    def value_range(self, broken: Collection[str]) -> pd.DataFrame:
        """Return how sure the sum of the best offers of all sites is, by retrofit and together."""
        totals = self.whole(VALUE_DRAW)
        return portfolio_range(totals[~totals["retrofit"].isin(broken)])

    def candidates(self, broken: Collection[str]) -> pd.DataFrame:
        """Return what may be offered or ends a danger, anywhere: site_id, retrofit, npv, status, reason."""
        parts = []
        for chunk, tables in enumerate(self._chunks):
            if "ranking" in tables:
                frame = pd.read_parquet(self._path(chunk, "ranking"))
                good = frame["status"].isin([words.ADVISED, words.SURVEY]) | frame["for_safety"]
                good &= ~frame["retrofit"].isin(broken)
                parts.append(frame.loc[good].reindex(columns=_CALL_COLUMNS))
        return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=_CALL_COLUMNS)

    def _path(self, chunk: int, table: str) -> Path:
        return Path(self._folder.name) / f"{chunk:06d}-{table}.parquet"


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


def _without(ranking: pd.DataFrame, broken: Collection[str]) -> pd.DataFrame:
    lost = ranking["retrofit"].isin(broken)
    parts = [ranking[~lost]]
    for name, rows in ranking[lost].groupby("retrofit"):
        parts.append(failed_ranking(pd.Index(rows["site_id"]), str(name)))
    ranking = pd.concat(parts, ignore_index=True)
    return ranking if "npv" in ranking else ranking.assign(npv=float("nan"))
