"""Measured series in which somebody else marked what is interpolated, stale or an outlier, and sound ones.

They come with pvanalytics 0.2.2 (MIT), its folder ``data``: inverters of public research sites, 15 minutes, output over
the rating, with faults put in by its authors. Only its files are read.
"""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from readings_support import readings

from aftersun.energy.readings import made_up
from aftersun.energy.readings.checks import limits
from aftersun.energy.readings.quality import as_intervals, check_readings

_FOUND = find_spec("pvanalytics")
pytestmark = [pytest.mark.slow, pytest.mark.skipif(_FOUND is None, reason="pvanalytics is not installed")]
_QUARTER = pd.Timedelta(minutes=15)


def series(name: str, label: str | None = None) -> tuple[pd.DataFrame, np.ndarray]:
    """Rows of table reading of 1 kW, kWh with nine digits, and which of them are marked."""
    assert _FOUND is not None
    assert _FOUND.submodule_search_locations is not None
    table = pd.read_csv(Path(_FOUND.submodule_search_locations[0]) / "data" / name).dropna(
        subset=["value_normalized"], ignore_index=True
    )
    starts = pd.to_datetime(table["timestamp"], utc=True).dt.tz_localize(None)
    kwh = (table["value_normalized"].astype(float) / 4).round(9)
    marked = table[label].astype(str).str.upper() == "TRUE" if label else pd.Series(False, index=table.index)
    return readings("S0", "production", starts, starts + _QUARTER, kwh.to_numpy()), marked.to_numpy()


def rates(flags: np.ndarray, marked: np.ndarray) -> tuple[float, float]:
    """Share of the marked ones that are found, and of the others that are flagged."""
    return float(flags[marked].mean()), float(flags[~marked].mean())


def test_interpolated_readings_are_found() -> None:
    rows, marked = series("ac_power_inv_2173_interpolated_data.csv", "interpolated_data_mask")
    frame = as_intervals(rows)
    told = marked & (frame["kwh"] > 0).to_numpy()  # a night of zeros on a line of zeros is nothing to find
    found, false = rates(made_up.interpolated(frame, limits()), told)
    assert found > 0.95
    assert false < 0.01


def test_stale_readings_are_found() -> None:
    rows, marked = series("ac_power_inv_2173_stale_data.csv", "stale_data_mask")
    found, false = rates(made_up.stuck(as_intervals(rows), limits()), marked)
    assert found > 0.95
    assert false < 0.01


def test_outliers_near_the_rating_are_found(make_cohort: Any) -> None:
    rows, marked = series("ac_power_inv_7539_outliers.csv", "outlier")
    cohort = make_cohort({"inverter_rating_kw": 1.0, "arrays": [{"dc_rating_kw": 1.0}]})
    checked = check_readings(cohort, rows)
    aside = set(checked.set_aside.loc[checked.set_aside["finding"].isin(["rating", "negative"]), "starts_at"])
    outliers = rows["starts_at"][marked]
    assert sum(moment in aside for moment in outliers) == 5  # of 6; one is within what a cloud does
    assert len(aside - set(outliers)) == 0


@pytest.mark.parametrize("name", ["ac_power_inv_2173.csv", "ac_power_inv_7539.csv"])
def test_in_sound_series_nothing_is_made_up(name: str) -> None:
    frame = as_intervals(series(name)[0])
    for check in (made_up.interpolated, made_up.stuck, made_up.scaled_copy):
        assert check(frame, limits()).mean() < 0.005
