"""Putting a file's records in order: one non-leap year of 8760 hours, January to December, without holes."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.climate.gate.findings import Findings
from aftersun.climate.limits import limit
from aftersun.model.ranges import Ints
from aftersun.model.weather import DAYS_IN_MONTH, FIRST_DAY, HOURS_PER_YEAR, MONTHS, calendar

NEEDED = ("ghi", "dni", "dhi", "temp_air", "wind_speed")

_MOST_NAMED = 3


def name_hours(hours: Iterable[int]) -> str:
    """Name the first few of some hours of the year in words."""
    hours = list(hours)
    names = [
        f"{day} {MONTHS[month - 1]} {hour:02d}-{hour + 1:02d} h"
        for month, day, hour in zip(*calendar(hours[:_MOST_NAMED]), strict=True)
    ]
    more = f" and {len(hours) - _MOST_NAMED} more" if len(hours) > _MOST_NAMED else ""
    return ", ".join(names) + more


def _longest_run(holes: npt.NDArray[np.bool_]) -> int:
    """Length of the longest run of true values on the circle of the year."""
    if holes.all():
        return len(holes)
    sound = np.flatnonzero(~holes)
    return int(np.diff(sound, append=sound[0] + len(holes)).max()) - 1


def _whole(column: pd.Series) -> Ints:
    """A column as whole numbers, -1 where it holds none."""
    values = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    return np.where((values >= 0) & (values < 100) & (values % 1 == 0), values, -1).astype(np.int64)


def in_order(records: pd.DataFrame, findings: Findings) -> pd.DataFrame:
    """Lay a file's records on the hours 0..8759 of a non-leap year.

    29 February is dropped and said so. Hours that are missing are NaN in the result; hours that occur twice
    or have an impossible date stop the file.
    """
    leap = (records["month"] == 2) & (records["day"] == 29)
    if leap.any():
        records = records[~leap]
        findings.remark(f"29 February was dropped ({int(leap.sum())} hours)")
    month, day, hour = (_whole(records[name]) for name in ("month", "day", "hour"))
    real = (month >= 1) & (month <= 12) & (day >= 1) & (hour >= 0) & (hour <= 23)
    real &= day <= DAYS_IN_MONTH[np.clip(month, 1, 12) - 1]
    if not real.all():
        wrong = f"{int((~real).sum())} records have a date that does not exist"
        findings.refuse(wrong, "Get the file again from its source.")
        records, month, day, hour = records[real], month[real], day[real], hour[real]
    position = 24 * (FIRST_DAY[month - 1] + day - 1) + hour
    ordered = records.drop(columns=["month", "day", "hour"]).set_index(position)
    twice = ordered.index.duplicated()
    if twice.any():
        text = f"{int(twice.sum())} hours occur more than once, first {name_hours(np.unique(position[twice]))}"
        findings.refuse(text, "Give one record an hour and one year a file.")
        ordered = ordered[~twice]
    return ordered.reindex(np.arange(HOURS_PER_YEAR))


def fill_holes(ordered: pd.DataFrame, findings: Findings) -> pd.DataFrame:
    """Interpolate a few missing hours linearly in time; more than that stops the file.

    The needed columns are irradiance, air temperature and wind speed; rain and albedo are settled elsewhere.
    """
    holes = ordered[list(NEEDED)].isna()
    missing = holes.any(axis=1).to_numpy()
    count, run = int(missing.sum()), _longest_run(missing)
    if not count:
        return ordered
    columns = ", ".join(name for name in NEEDED if holes[name].any())
    names = name_hours(np.flatnonzero(missing))
    most, longest = limit("missing_hours"), limit("missing_run")
    if count > most or run > longest:
        text = f"{count} hours are missing or lack a value ({columns}; up to {run} h in a row), first {names}"
        hint = f"Up to {most:.0f} hours in runs of up to {longest:.0f} are filled in; get a complete year."
        findings.refuse(text, hint)
        return ordered
    every = np.arange(HOURS_PER_YEAR)
    filled = ordered.copy()
    for name in NEEDED:
        known = ~holes[name].to_numpy()
        values = ordered[name].to_numpy(dtype=float)
        filled[name] = np.interp(every, every[known], values[known], period=HOURS_PER_YEAR)
    findings.remark(f"{count} missing hours were interpolated ({columns}): {names}")
    return filled
