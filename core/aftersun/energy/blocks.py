"""Simulates a cohort block by block: the hours of a few hundred sites are all that is in memory at a time."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from aftersun.energy.balance import simulate
from aftersun.model.cohort import Cohort
from aftersun.model.energy import Energy
from aftersun.model.plant import Plant

BLOCK_SITES = 500  # measured: more do not fit the processor's caches, fewer cost more a site


def simulated(cohort: Cohort, plant: Plant) -> Iterator[tuple[npt.NDArray[np.intp], Cohort, Energy]]:
    """Yield the positions of each block's sites, their cohort and their hourly balance, in order.

    A site's balance is the same bits whatever the block.
    """

    def cut() -> list[tuple[npt.NDArray[np.intp], Cohort]]:
        whole = np.arange(len(cohort), dtype=np.intp)
        cuts = np.array_split(whole, max(-(-len(cohort) // BLOCK_SITES), 1))
        return [(rows, cohort if len(rows) == len(cohort) else cohort.take(rows)) for rows in cuts]

    for rows, part in cohort.once("blocks", cut):  # kept with it: a cohort is simulated again and again
        yield rows, part, simulate(part, plant.take(rows, cohort.array_rows(rows)))
