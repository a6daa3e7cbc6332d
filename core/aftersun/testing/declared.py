"""A cohort that shows a plugin only the columns it declares, while the public physics has them all."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, fields

import numpy as np
import numpy.typing as npt

from aftersun.model.cohort import Cohort

_STRUCTURE = ("site",)  # the position of an array's site belongs to the frame, not to the facts


@dataclass(frozen=True, eq=False)
class Declared(Cohort):
    """A cohort whose frames hold the columns ``reads`` and nothing else. ``full`` is what they were taken from."""

    full: Cohort = field(kw_only=True)
    reads: frozenset[str] = field(kw_only=True)

    @classmethod
    def of(cls, cohort: Cohort, reads: Collection[str]) -> Declared:
        """Hide all columns but ``reads``."""
        shown = frozenset(reads)
        held = {column.name: getattr(cohort, column.name) for column in fields(Cohort) if column.init}
        held["sites"] = cohort.sites[[name for name in cohort.sites.columns if name in shown]]
        held["arrays"] = cohort.arrays[[name for name in cohort.arrays.columns if name in (*shown, *_STRUCTURE)]]
        return cls(**held, full=cohort, reads=shown)

    @property
    def whole(self) -> Cohort:
        """The cohort with all columns, for the public physics."""
        return self.full

    def take(self, rows: npt.NDArray[np.intp]) -> Declared:
        """Return the cohort of the sites at these positions, as little to be seen of it as of this one."""
        return Declared.of(self.full.take(rows), self.reads)

    def hides(self, name: object) -> bool:
        """Tell whether this is a column that there is and that is not shown."""
        columns = {*self.full.sites.columns, *self.full.arrays.columns}
        return name in columns and name not in {*self.reads, *_STRUCTURE}
