"""What the columns of a meter reading have to say together, whatever the other rows say.

A row is either the energy of an interval (``kwh`` from ``starts_at`` to ``ends_at``) or what a counter showed at
one moment (``register_kwh`` at ``starts_at``). What only a whole series shows is judged when readings are used.
"""

from __future__ import annotations

import pandas as pd

from aftersun.inventory.store import rules
from aftersun.model import tables

_COLUMNS = ("ends_at", "kwh", "register_kwh")
_HINT = "Give kwh with ends_at for the energy of an interval, or register_kwh alone for a counter."


def longest_interval_days() -> float:
    """Return the longest interval that is taken for one reading, in days."""
    return tables.mode("readings_limits.csv", "longest_interval")


def row_problems(text: pd.DataFrame, values: pd.DataFrame) -> list[pd.DataFrame]:
    """Return the problems of rows whose columns contradict each other.

    ``text`` and ``values`` have the same rows; a column may be missing from both. Whether a cell is filled is
    told by its text, so that an unreadable number is not called missing as well.
    """
    kwh_end, energy, counter = (
        text[name].notna() if name in text else pd.Series(False, index=text.index) for name in _COLUMNS
    )
    problems = [
        rules.where(~energy & ~counter, "kwh", "neither an energy nor a counter", _HINT),
        rules.where(energy & counter, "register_kwh", "both an energy and a counter", _HINT),
        rules.where(energy & ~counter & ~kwh_end, "ends_at", "an energy without the end of its interval", _HINT),
        rules.where(counter & ~energy & kwh_end, "ends_at", "a counter is read at one moment", _HINT),
    ]
    if "ends_at" in values:
        days = (values["ends_at"] - values["starts_at"]).dt.total_seconds() / 86400
        longest = longest_interval_days()
        backward = "Correct the moments; a day ends at 00:00 of the next day."
        long = "Correct the moments, or split the reading."
        problems += [
            rules.where(days <= 0, "ends_at", "does not lie after starts_at", backward),
            rules.where(days > longest, "ends_at", f"lies more than {longest:g} days after starts_at", long),
        ]
    return problems
