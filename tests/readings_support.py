"""Builders of meter readings that tests share. Figures here are inputs only."""

from __future__ import annotations

import numpy as np
import pandas as pd

from aftersun.energy.readings.clock import TypicalTime
from aftersun.inventory.store.dictionary import columns


def readings(
    site_id: str, meter: str, starts: object, ends: object = None, kwh: object = None, register: object = None
) -> pd.DataFrame:
    """Rows of table reading of one meter; what is left out is unknown."""
    starts = pd.Series(pd.to_datetime(pd.Series(starts)))
    table = {"site_id": site_id, "meter": meter, "starts_at": starts, "ends_at": ends, "kwh": kwh}
    table["register_kwh"] = register
    dtypes = {column.name: column.dtype for column in columns("reading")}
    return pd.DataFrame(
        {
            name: pd.Series(value if np.ndim(value) else [value] * len(starts), dtype=dtypes[name])
            for name, value in table.items()
        }
    )


def grid(freq: str, first: str, last: str) -> tuple[pd.Series, pd.Series]:
    """Starts and ends of the intervals of a step from one day to another."""
    edges = pd.date_range(first, last, freq=freq)
    return pd.Series(edges[:-1]), pd.Series(edges[1:])


def typical(hourly: np.ndarray, starts: pd.Series, ends: pd.Series) -> np.ndarray:
    """What an hourly column of the typical year adds up to in each interval."""
    return TypicalTime.spanning(starts, ends).add_up(hourly, starts, ends)


def from_hours(site_id: str, meter: str, hourly: np.ndarray, freq: str, first: str, last: str) -> pd.DataFrame:
    """Readings of a meter that shows exactly an hourly column of the typical year."""
    starts, ends = grid(freq, first, last)
    return readings(site_id, meter, starts, ends, typical(hourly, starts, ends))
