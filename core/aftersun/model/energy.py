"""The hourly energy balance of every site of a cohort over one year."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from aftersun.model.ranges import Floats
from aftersun.model.weather import DAYS_IN_MONTH

HOURS_OF_MONTHS = 24 * DAYS_IN_MONTH

HourlyKwh = npt.NDArray[np.float32] | npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Energy:
    """Hourly kWh, each of shape (S, H): one row a site, hours contiguous, so that a site's sums do not depend on
    which other sites are computed with it.

    In every hour ``generated = used + to_water + exported + curtailed``. ``used`` is what the site uses at once,
    what the battery takes, and what electric water heating takes at once. ``imported`` is what is bought from the
    grid, electric water heating included. ``water_backup`` is the energy that the present water heater takes, in
    kWh of its own fuel or electricity.
    """

    generated: HourlyKwh  # AC output of the PV system
    used: HourlyKwh  # of it used at once: household, battery charging, electric water heating
    to_water: HourlyKwh  # of it sent to the hot-water store by a diverter
    exported: HourlyKwh  # of it fed into the grid
    curtailed: HourlyKwh  # of it lost at the export limit
    imported: HourlyKwh  # bought from the grid, electric water heating included
    water_backup: HourlyKwh  # taken by the present water heater, in its own fuel or electricity

    def monthly(self, name: str) -> Floats:
        """Return kWh of one column in each calendar month, shape (S, 12), added up in double precision."""
        months = np.split(getattr(self, name), np.cumsum(HOURS_OF_MONTHS)[:-1], axis=1)
        return np.stack([hourly.sum(axis=1, dtype=np.float64) for hourly in months], axis=1)

    def take(self, rows: npt.NDArray[np.intp]) -> Energy:
        """Return the balance of the sites at these positions."""
        return Energy(**{column.name: getattr(self, column.name)[rows] for column in fields(self)})

    def annual(self, name: str) -> Floats:
        """Return kWh a year of one column per site, shape (S,), added up in double precision."""
        total: Floats = getattr(self, name).sum(axis=1, dtype=np.float64)
        return total
