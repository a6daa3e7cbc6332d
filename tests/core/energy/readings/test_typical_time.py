"""Real intervals on the typical year."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from readings_support import grid

from aftersun.energy.readings.clock import TypicalTime

HOURS = np.arange(8760.0)


def test_a_year_has_its_hours_and_a_leap_year_those_of_28_february_twice() -> None:
    ones = np.ones(8760)
    for first, last, hours in (("2023-01-01", "2024-01-01", 8760), ("2024-01-01", "2025-01-01", 8784)):
        starts, ends = pd.Series([pd.Timestamp(first)]), pd.Series([pd.Timestamp(last)])
        assert TypicalTime.spanning(starts, ends).add_up(ones, starts, ends) == pytest.approx(hours)
    starts, ends = grid("D", "2024-02-28", "2024-03-02")
    sums = TypicalTime.spanning(starts, ends).add_up(HOURS, starts, ends)
    assert sums[0] == sums[1] == HOURS[58 * 24 : 59 * 24].sum()
    assert sums[2] == HOURS[59 * 24 : 60 * 24].sum()


def test_hours_are_cut_in_proportion() -> None:
    starts = pd.Series(pd.to_datetime(["2023-01-01 00:15", "2023-01-01 10:00"]))
    ends = pd.Series(pd.to_datetime(["2023-01-01 01:30", "2023-01-01 10:30"]))
    sums = TypicalTime.spanning(starts, ends).add_up(HOURS + 1, starts, ends)
    assert sums == pytest.approx([0.75 * 1 + 0.5 * 2, 0.5 * 11])


@settings(max_examples=20)
@given(st.lists(st.integers(0, 3 * 365 * 48), min_size=3, max_size=8, unique=True))
def test_parts_add_up_to_the_whole(half_hours: list[int]) -> None:
    edges = pd.Series(pd.Timestamp("2023-06-01") + pd.to_timedelta(np.sort(half_hours) * 30, unit="min"))
    starts, ends = edges[:-1].reset_index(drop=True), edges[1:].reset_index(drop=True)
    time = TypicalTime.spanning(starts, ends)
    whole = time.add_up(HOURS, starts.iloc[[0]], ends.iloc[[-1]])
    assert time.add_up(HOURS, starts, ends).sum() == pytest.approx(whole[0])
