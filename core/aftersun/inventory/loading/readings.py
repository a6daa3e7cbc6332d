"""What the columns of a meter reading have to say together, whatever the other rows say.

A row is either the energy of an interval (``kwh`` from ``starts_at`` to ``ends_at``) or what a counter showed at
one moment (``register_kwh`` at ``starts_at``). What only a whole series shows is judged when readings are used.
"""

from __future__ import annotations

import pandas as pd

from aftersun.inventory.store import rules
from aftersun.model import tables

_COLUMNS = ("ends_at", "kwh", "register_kwh")


def row_problems(text: pd.DataFrame, values: pd.DataFrame) -> list[pd.DataFrame]:
    """Return the problems of rows whose columns contradict each other.

    ``text`` and ``values`` have the same rows; a column may be missing from both. Whether a cell is filled is
    told by its text, so that an unreadable number is not called missing as well.
    """
    kwh_end, energy, counter = (
        text[name].notna() if name in text else pd.Series(False, index=text.index) for name in _COLUMNS
    )
    problems = [
        rules.where(~energy & ~counter, "no_reading"),
        rules.where(energy & counter, "two_readings"),
        rules.where(energy & ~counter & ~kwh_end, "energy_without_end"),
        rules.where(counter & ~energy & kwh_end, "counter_with_end"),
    ]
    if "ends_at" in values:
        days = (values["ends_at"] - values["starts_at"]).dt.total_seconds() / 86400
        longest = tables.mode("readings_limits.csv", "longest_interval")
        problems += [
            rules.where(days <= 0, "interval_backward"),
            rules.where(days > longest, "interval_too_long", longest=longest),
        ]
    return problems
