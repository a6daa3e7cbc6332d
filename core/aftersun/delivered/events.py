"""Work at each site in the order of time: what falls into one interval of the readings is one event."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

TOGETHER = "+"


@dataclass(frozen=True, eq=False)
class Event:
    """Work at one site that meters cannot tell apart, and the times that are compared for it.

    ``retrofits`` in alphabetical order; ``first_on`` to ``last_on`` are the days of the work. ``from_`` is the end of
    the work before, ``until`` the begin of the work after it, None = none.
    """

    site_id: str
    retrofits: tuple[str, ...]
    first_on: pd.Timestamp
    last_on: pd.Timestamp
    from_: pd.Timestamp | None
    until: pd.Timestamp | None
    jobs: Sequence[Mapping[str, Any]]

    @property
    def name(self) -> str:
        """The retrofits as one text."""
        return TOGETHER.join(self.retrofits)


def events_of(jobs: pd.DataFrame) -> dict[str, list[Event]]:
    """Return the events of each site: work less than ``APART`` apart is one.

    ``jobs`` has site_id, retrofit, done_on and whatever else is kept with it.
    """
    ordered = jobs.sort_values(["site_id", "done_on", "retrofit"], kind="stable", ignore_index=True)
    site, day = ordered["site_id"], ordered["done_on"]
    begins = (site != site.shift()).fillna(True).to_numpy(bool) | (day.diff() > APART).to_numpy()
    rows = [{str(name): value for name, value in row.items()} for row in ordered.to_dict("records")]
    groups = [rows[first:last] for first, last in pairwise([*np.flatnonzero(begins), len(rows)])]
    events: dict[str, list[Event]] = {}
    for at, group in enumerate(groups):
        site_id = str(group[0]["site_id"])
        before = groups[at - 1] if at and groups[at - 1][0]["site_id"] == site_id else None
        after = groups[at + 1] if at + 1 < len(groups) and groups[at + 1][0]["site_id"] == site_id else None
        event = Event(
            site_id,
            tuple(sorted({str(job["retrofit"]) for job in group})),
            group[0]["done_on"],
            group[-1]["done_on"],
            None if before is None else before[-1]["done_on"],
            None if after is None else after[0]["done_on"],
            group,
        )
        events.setdefault(site_id, []).append(event)
    return events


APART = pd.Timedelta(days=62)  # assumption: with fewer than two whole months between there is nothing to compare
