"""Work at each site in the order of time: what falls into one interval of the readings is one event."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

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
    jobs: pd.DataFrame

    @property
    def name(self) -> str:
        """The retrofits as one text."""
        return TOGETHER.join(self.retrofits)


def events_of(jobs: pd.DataFrame) -> dict[str, list[Event]]:
    """Return the events of each site: work of one calendar month, or less than ``APART`` apart, is one.

    ``jobs`` has site_id, retrofit, done_on and whatever else is kept with it.
    """
    events: dict[str, list[Event]] = {}
    ordered = jobs.sort_values(["site_id", "done_on", "retrofit"], kind="stable")
    for site_id, group in ordered.groupby("site_id", sort=True):
        events[str(site_id)] = list(_of_site(str(site_id), group))
    return events


APART = pd.Timedelta(days=62)  # assumption: with fewer than two whole months between there is nothing to compare


def _of_site(site_id: str, jobs: pd.DataFrame) -> Iterable[Event]:
    gap = jobs["done_on"].diff()
    block = (gap > APART).cumsum()
    groups = [group for _, group in jobs.groupby(block)]
    for at, group in enumerate(groups):
        yield Event(
            site_id,
            tuple(sorted(set(group["retrofit"].astype(str)))),
            group["done_on"].min(),
            group["done_on"].max(),
            groups[at - 1]["done_on"].max() if at else None,
            groups[at + 1]["done_on"].min() if at + 1 < len(groups) else None,
            group,
        )
