"""Readings that no meter made: one value over and over, straight lines, days that are another day times a factor.

What is chance and what is not depends on the digits of a series: its resolution is the power of ten that all its values
are multiples of, down to 1e-9 kWh.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.model.ranges import Bools, Floats

PRODUCTION = "production"
_MOST_DIGITS = 9
_DAY_MINUTES = 1440
_RARE = 6.0  # days alike that may come by chance once in a million times
_SPREAD = 0.2  # of the highest day, by which days of a season differ at least
_CHANCE = 7.0  # a line of days that may come by chance once in ten million times is none
_LINE_STEPS = 10.0  # of the resolution, by which a line has to rise or fall
_STALE_STEPS = 20.0  # of the resolution, below which low light may look the same for hours
_PLATEAU = 0.9  # of the highest reading, from which the same value is a limit of the inverter or the connection


def stuck(frame: pd.DataFrame, known: Mapping[str, float]) -> Bools:
    """Flag runs of one production value other than zero that are longer than weather allows.

    For readings of less than a day those through a night, and shorter ones below the highest values, where no limit
    holds them; for days the fewer the finer the digits are.
    """
    series, kwh, hours = _columns(frame)
    run = np.cumsum(~((series == np.roll(series, 1)) & (kwh == np.roll(kwh, 1))) | (np.arange(len(kwh)) == 0)) - 1
    count = np.bincount(run)[run] if len(run) else run
    lasts = np.bincount(run, hours)[run] if len(run) else hours
    step, highest = _resolution(series, kwh), _highest(series, kwh)
    low = (kwh < _PLATEAU * highest) & (kwh >= _STALE_STEPS * step)
    digits = np.log10(np.maximum(highest * _SPREAD / np.maximum(step, 1e-12), 4.0))
    days = np.clip(1.0 + np.ceil(_RARE / digits), known["stuck_long"], 2.0 * known["stuck_days"])
    too_long = np.select(
        [hours < 24.0, hours < 24.0 * known["fine_bin_days"]],
        [(count > 1) & (lasts >= np.where(low, known["stale_hours"], known["stuck_hours"])), count >= days],
        default=count >= known["stuck_long"],
    ).astype(bool)
    flags: Bools = (frame["meter"] == PRODUCTION).to_numpy() & (kwh > 0) & too_long
    return flags


def interpolated(frame: pd.DataFrame, known: Mapping[str, float]) -> Bools:
    """Flag production readings on a straight line that is no level: gaps that somebody filled.

    Five readings with fine digits are enough; with coarse ones a line has to last for hours, as a clear morning is
    nearly straight, or for so many days that chance makes none.
    """
    series, kwh, hours = _columns(frame)
    size = len(kwh)
    flags = np.zeros(size, dtype=bool)
    step, highest = _resolution(series, kwh), _highest(series, kwh)
    fine = step <= 1e-4 * highest
    digits = np.log10(np.maximum(highest / np.maximum(3.0 * step, 1e-12), 3.0))
    by_chance = np.maximum(2.0 + np.ceil(_CHANCE / digits), known["line_values"])
    of_hours = np.where(fine, known["line_values"], np.maximum(np.ceil(known["line_hours"] / hours) + 1.0, 5.0))
    wanted = np.where(hours < 24.0, of_hours, by_chance).astype(np.intp)
    wanted = np.where((frame["meter"] == PRODUCTION) & (hours <= 24.0) & (wanted <= _DAY_MINUTES), wanted, 0)
    starts, ends = (frame[name].to_numpy() for name in ("starts_at", "ends_at"))
    linked = np.zeros(size, dtype=bool)
    linked[1:] = (series[1:] == series[:-1]) & (starts[1:] == ends[:-1]) & (hours[1:] == hours[:-1])
    together = np.concatenate([[0], np.cumsum(linked)])
    for count in np.unique(wanted[wanted > 0]):
        first = np.flatnonzero(wanted[: max(size - count + 1, 0)] == count)
        first = first[together[first + count] - together[first + 1] == count - 1]
        rise = kwh[first + count - 1] - kwh[first]
        straight = np.abs(rise) >= _LINE_STEPS * step[first]
        for inner in range(1, count - 1):
            off = np.abs(kwh[first + inner] - kwh[first] - rise * inner / (count - 1))
            straight &= off <= np.maximum(1.5 * step[first], 1e-6 * np.abs(rise))
        marks = np.zeros(size + 1, dtype=np.intp)
        np.add.at(marks, first[straight], 1)
        np.add.at(marks, first[straight] + count, -1)
        flags |= np.cumsum(marks)[:-1] > 0
    return flags


def scaled_copy(frame: pd.DataFrame, known: Mapping[str, float]) -> Bools:
    """Flag days of production whose values of less than a day are those of the day before times one factor."""
    series, kwh, hours = _columns(frame)
    flags = np.zeros(len(kwh), dtype=bool)
    step, highest = _resolution(series, kwh), _highest(series, kwh)
    fine_digits = step <= known["copy_resolution"] * highest
    rows = np.flatnonzero((frame["meter"] == PRODUCTION).to_numpy() & (hours < 24.0) & fine_digits)
    if not len(rows):
        return flags
    minute = frame["starts_at"].to_numpy().astype("datetime64[m]").astype(np.int64)[rows]
    span = int(minute.max() - minute.min()) + 2 * _DAY_MINUTES
    key = series[rows].astype(np.int64) * span + (minute - minute.min()) + _DAY_MINUTES
    _, day = np.unique(series[rows].astype(np.int64) * span + minute // _DAY_MINUTES, return_inverse=True)
    total, filled = np.bincount(day, kwh[rows]), np.bincount(day, kwh[rows] > 0)
    size = np.bincount(day)
    order = np.argsort(key, kind="stable")
    at = order[np.minimum(np.searchsorted(key, key - _DAY_MINUTES, sorter=order), len(key) - 1)]
    met = key[at] == key - _DAY_MINUTES
    share = kwh[rows] / np.maximum(total[day], 1e-12)
    apart = np.abs(share - share[at]) - 1.5 * step[rows] * (
        1.0 / total[day].clip(1e-12) + 1.0 / total[day[at]].clip(1e-12)
    )
    alike = np.bincount(day, met & (apart <= 1e-7)) == size
    before = np.zeros(len(size), dtype=bool)  # whether the day before is whole and has output
    before[day] = (size[day[at]] == size[day]) & (filled[day[at]] >= known["repeated_values"])
    flags[rows] = (alike & before & (filled >= known["repeated_values"]))[day]
    return flags


def _columns(frame: pd.DataFrame) -> tuple[npt.NDArray[np.intp], Floats, Floats]:
    """Return the number of the series, kWh and hours of each interval, (N,)."""
    series = np.asarray(frame.groupby(["site_id", "meter"], sort=False).ngroup(), dtype=np.intp)
    kwh: Floats = frame["kwh"].to_numpy(dtype=np.float64)
    hours: Floats = frame["hours"].to_numpy(dtype=np.float64)
    return series, kwh, hours


def _resolution(series: npt.NDArray[np.intp], kwh: Floats) -> Floats:
    """Return the resolution of the series of each interval, kWh (N,)."""
    digits = np.full(len(kwh), _MOST_DIGITS)
    for count in range(_MOST_DIGITS - 1, -1, -1):
        scaled = kwh * 10.0**count
        digits = np.where(np.abs(scaled - np.rint(scaled)) < 1e-4, count, digits)
    most = np.zeros(int(series.max()) + 1 if len(series) else 0, dtype=digits.dtype)
    np.maximum.at(most, series, digits)
    step: Floats = 10.0 ** -most[series].astype(np.float64)
    return step


def _highest(series: npt.NDArray[np.intp], kwh: Floats) -> Floats:
    """Return the highest value of the series of each interval, kWh (N,)."""
    most = np.zeros(int(series.max()) + 1 if len(series) else 0)
    np.maximum.at(most, series, kwh)
    highest: Floats = most[series]
    return highest
