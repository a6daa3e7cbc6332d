"""Brings the times of readings to the standard time of the place, and tells which interval each value is of."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.inventory.portal_readings import moments
from aftersun.inventory.portal_readings.settings import COUNTER, END, STANDARD_TIME, START, SUMMER_TIME, Undecided

_DAY = pd.Timedelta(days=1)
_HOUR = pd.Timedelta(hours=1)
_REGULAR = 0.98  # of the steps between times that are whole multiples of the commonest one (assumption)
_AMBIGUOUS, _MISSING = "twice_an_hour", "no_such_time"


def standard_offset(zone: ZoneInfo, year: int) -> pd.Timedelta:
    """Return how far standard time is ahead of UTC."""
    return min(_offsets(zone, year))


def _offsets(zone: ZoneInfo, year: int) -> set[pd.Timedelta]:
    days = (pd.Timestamp(year, month, 15, tz=zone) for month in (1, 7))
    return {pd.Timedelta(offset) for day in days if (offset := day.utcoffset()) is not None}


def to_standard(
    frame: pd.DataFrame, zones: pd.Series, clock: str, standard: pd.Series
) -> tuple[pd.DataFrame, str, npt.NDArray[np.object_]]:
    """Return values with ``at`` and ``until`` in standard time, by which clock they were written, and causes of doubt.

    ``zones`` and ``standard`` have by site the zone and how far its standard time is ahead of UTC. ``clock`` is what
    was said of times that name no offset. Days and months stay as they are.

    Raises
    ------
    Undecided
        If times within summer time name no offset, and neither the missing nor the doubled hour shows.
    """
    causes = np.full(len(frame), None, dtype=object)
    timed = (frame["kind"] == moments.MOMENT).to_numpy()
    offset = frame["site_id"].map(standard)
    stated = timed & frame["offset_min"].notna().to_numpy()
    moved = frame.copy()
    shift = offset - pd.to_timedelta(frame["offset_min"], unit="min")
    for name in ("at", "until"):
        moved[name] = moved[name].mask(stated, frame[name] + shift)
    by = "offset" if stated.any() else ""
    open_zones = frame["site_id"].map(zones)[timed & ~stated]
    for zone in open_zones.unique():
        part = frame.loc[open_zones.index[open_zones == zone]]
        summer = _in_summer(part["at"], zone)
        if not summer.any():
            continue
        told = clock or _told(part, zone)
        if not told:
            raise Undecided("clock", zone=zone)
        by = told
        if told == SUMMER_TIME:
            for name in ("at", "until"):
                there = part[name].notna()
                times, why = _from_wall(part[there], name, zone)
                moved.loc[there.index[there], name] = times
                causes[frame.index.get_indexer(there.index[there])] = why
    return moved, by, causes


def _in_summer(at: pd.Series, zone: ZoneInfo) -> npt.NDArray[np.bool_]:
    """Tell which times lie within summer time, give or take an hour."""
    flat = at.dt.tz_localize(zone, ambiguous=np.ones(len(at), dtype=bool), nonexistent="shift_forward")
    ahead = flat.dt.tz_localize(None) - flat.dt.tz_convert("UTC").dt.tz_localize(None)
    least = pd.Series([standard_offset(zone, year) for year in at.dt.year.unique()]).min()
    return np.asarray(ahead > least)


def _told(part: pd.DataFrame, zone: ZoneInfo) -> str:
    """Return by which clock times were written, as the hours at which clocks are changed show; empty if they do not."""
    times = pd.DatetimeIndex(part["at"].unique()).sort_values()
    step = _step(times)
    if step is None or step > _HOUR:
        return ""
    for change, forward in _changes(zone, times):
        gap = times[(times >= change) & (times < change + _HOUR)]
        around = ((times >= change - step) & (times < change)).any() and (
            (times >= change + _HOUR) & (times <= change + _HOUR + step)
        ).any()
        if forward and around:
            inner = gap[gap > change] if step < _HOUR else gap[gap >= change]
            return STANDARD_TIME if len(inner) else SUMMER_TIME
        if not forward and around and len(gap):
            series = [name for name in ("site_id", "meter", "device") if name in part]
            twice = part[part["at"].isin(gap)].duplicated([*series, "at"])
            return SUMMER_TIME if twice.any() else STANDARD_TIME
    return ""


def _changes(zone: ZoneInfo, times: pd.DatetimeIndex) -> list[tuple[pd.Timestamp, bool]]:
    """Return the local times from which an hour is left out (True) or told twice (False) within a span."""
    hours = pd.date_range(times[0].normalize(), times[-1].normalize() + _DAY, freq="h")
    there = hours.tz_localize(zone, ambiguous="NaT", nonexistent="shift_forward")
    left_out = there.notna() & (there.tz_localize(None) != hours)
    return [(hour, False) for hour in hours[there.isna()]] + [(hour, True) for hour in hours[left_out]]


def _from_wall(part: pd.DataFrame, name: str, zone: ZoneInfo) -> tuple[pd.Series, npt.NDArray[np.object_]]:
    """Return times of a clock that is put forward in standard time; of an hour told twice the first is summer time.

    The moment at which the clock is put forward may be written either way.
    """
    at = part[name]
    series = [column for column in ("site_id", "meter", "device") if column in part]
    again = part.duplicated([*series, name], keep="first").to_numpy()
    both = part.duplicated([*series, name], keep=False).to_numpy()
    there = at.dt.tz_localize(zone, ambiguous=~again, nonexistent="shift_forward")
    certain = at.dt.tz_localize(zone, ambiguous="NaT", nonexistent="shift_forward").notna().to_numpy()
    shifted = (there.dt.tz_localize(None) - at).to_numpy()
    causes = np.full(len(at), None, dtype=object)
    causes[(shifted > np.timedelta64(0)) & (shifted < np.timedelta64(1, "h"))] = _MISSING
    causes[~certain & ~both] = _AMBIGUOUS
    years = at.dt.year
    offsets = {int(year): standard_offset(zone, int(year)) for year in years.unique()}
    ahead = pd.Series([offsets[int(year)] for year in years], index=at.index, dtype="timedelta64[us]")
    return there.dt.tz_convert("UTC").dt.tz_localize(None) + ahead, causes


def _step(times: pd.DatetimeIndex) -> pd.Timedelta | None:
    """Return the commonest distance of times, None if there are fewer than three or most are no multiple of it."""
    if len(times) < 3:
        return None
    between = pd.Series(times[1:] - times[:-1])
    step = between.mode().iloc[0]
    whole = between.dt.total_seconds() % step.total_seconds() == 0
    return step if whole.mean() >= _REGULAR else None


def intervals(frame: pd.DataFrame, labels: str) -> tuple[pd.DataFrame, pd.Timedelta | None, str]:
    """Return values with ``starts_at`` and ``ends_at``, the step where there is one, and what times stand for.

    Raises
    ------
    Undecided
        If times are not regular and no end is given, or it cannot be told whether a time is start or end.
    """
    found = frame.assign(starts_at=frame["at"], ends_at=frame["until"])
    counter = frame["quantity"] == COUNTER
    found["ends_at"] = found["ends_at"].mask(counter, pd.NaT)
    open_end = frame["until"].isna() & ~counter
    day, month = (open_end & (frame["kind"] == kind) for kind in (moments.DAY, moments.MONTH))
    found["ends_at"] = found["ends_at"].mask(day, frame["at"] + _DAY)
    found["ends_at"] = found["ends_at"].mask(month, frame["at"] + pd.DateOffset(months=1))
    year = open_end & (frame["kind"] == moments.YEAR)
    found["ends_at"] = found["ends_at"].mask(year, frame["at"] + pd.DateOffset(years=1))
    if (counter & (frame["kind"] == moments.MONTH)).any():
        if not labels:
            raise Undecided("labels")
        late = counter & (frame["kind"] == moments.MONTH) & (labels == END)
        found["starts_at"] = found["starts_at"].mask(late, frame["at"] + pd.DateOffset(months=1))
    timed = open_end & (frame["kind"] == moments.MOMENT)
    if not timed.any():
        return found, None, ""
    if frame["until"].notna().any():
        return found, None, ""
    times = pd.DatetimeIndex(frame.loc[timed, "at"].unique()).sort_values()
    step = _step(times)
    if step is None:
        raise Undecided("no_step")
    said = labels or _stands_for(frame[timed], step)
    if not said:
        raise Undecided("labels")
    starts = frame["at"] if said == START else frame["at"] - step
    found["starts_at"] = found["starts_at"].mask(timed, starts)
    found["ends_at"] = found["ends_at"].mask(timed, starts + step)
    return found, step, said


def _stands_for(frame: pd.DataFrame, step: pd.Timedelta) -> str:
    """Return whether times are starts or ends: 24:00 is an end, and so is a midnight that closes whole days.

    Midnight is that of the times as they were written, or of standard time.
    """
    if frame["begins"].all():
        return START
    if frame["late"].any() or step >= _DAY:
        return END if frame["late"].any() else START
    found = set()
    for name in ("written", "at"):
        first, last = (end - end.normalize() for end in (frame[name].min(), frame[name].max()))
        if first == pd.Timedelta(0) and last == _DAY - step:
            found.add(START)
        if first == step and last == pd.Timedelta(0):
            found.add(END)
    return found.pop() if len(found) == 1 else ""
