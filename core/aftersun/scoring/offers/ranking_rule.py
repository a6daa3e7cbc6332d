"""The ranking rule: what a run advises of a retrofit on a site, and in which order the retrofits of a site stand."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.model.codes import Status
from aftersun.model.ranges import Bools, Floats

# common practice, no source: what pays back sooner is more often a slip in the data than a find
QUICK_PAYBACK_YEARS = 1.0


def pays_back_quickly(upfront: Floats, payback_years: Floats) -> Bools:
    """Tell where something is paid and comes back so soon that the facts and prices of the site are to be checked."""
    return (upfront > 0) & (payback_years < QUICK_PAYBACK_YEARS)


def status_of(npv: Floats, survey: Bools, danger: Bools, sure: Bools, ask: Bools) -> npt.NDArray[np.object_]:
    """Return the :class:`Status` of evaluated retrofits, all of shape (S,).

    ``survey`` tells where somebody has to look first, ``danger`` where a danger is known to stand that it ends,
    ``sure`` where the chance of a gain is not below the company's least, ``ask`` where it is worth it only if the
    customer's answers allow it. What is worth nothing, or not surely enough, is never offered.
    """
    worth_it = npv > 0
    rules = [danger & ~(worth_it & sure), ask, ~worth_it, ~sure, survey]
    codes = [
        Status.SAFETY_REMEDIAL,
        Status.ASK_FIRST,
        Status.NOT_COST_EFFECTIVE,
        Status.TOO_UNCERTAIN,
        Status.SUBJECT_TO_SURVEY,
    ]
    return np.select(rules, codes, Status.RECOMMENDED).astype(object)


def ranked(ranking: pd.DataFrame) -> pd.DataFrame:
    """Give each evaluated retrofit its rank within the site; the rest have none.

    What ends a known danger comes first whatever it is worth, then the rest by net present value; what is only shown
    beside its claim comes last.
    """
    order = ranking.assign(shown=ranking["status"] == Status.CLAIM_ONLY).sort_values(
        ["site_id", "shown", "for_safety", "npv", "retrofit"],
        ascending=[True, True, False, False, True],
        kind="stable",
        na_position="last",
    )
    rank = order.groupby("site_id", sort=False).cumcount() + 1
    rank = rank.where(order["npv"].notna() & ~order["shown"]).astype("Int64")
    return order.drop(columns="shown").assign(rank=rank).reset_index(drop=True)
