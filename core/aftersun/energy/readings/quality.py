"""Judges meter readings before anybody computes with them.

A reading that cannot be a meter's is set aside with the reason; what is odd about a whole series is found and said.
Nothing is changed in silence and nothing is dropped.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from aftersun.energy.readings.checks import (
    CHECKS,
    CLOCK,
    GAP,
    PRODUCTION,
    SERIES,
    STANDBY,
    SUMMER_TIME,
    Facts,
    doubted_clocks,
    fine_production,
    limits,
)
from aftersun.model.cohort import Cohort

INTERVAL_COLUMNS = ("site_id", "meter", "starts_at", "ends_at", "hours", "kwh")
_FIGURES = ("days", "kwh", "kwh_share", "gap_days", "gap_share", "late_h")
FINDING_COLUMNS = ("site_id", "meter", "finding", "readings", *_FIGURES)
_HOUR_S = 3600.0


@dataclass(frozen=True, eq=False)
class Checked:
    """The readings of a cohort, judged.

    ``intervals`` has the good ones, columns ``INTERVAL_COLUMNS`` (hours in h, kwh in kWh, never negative), by site,
    meter and time, none overlapping another of its series. ``set_aside`` has the others with a column ``finding``.
    ``findings`` has what was found, one row a series and code of ``FINDINGS``, columns ``FINDING_COLUMNS``: how many
    readings (of gaps: how many), of those set aside days, kWh and their share of all that the meter shows, days and
    share of the time in gaps, and hours by which the clock is late for the sun.
    """

    intervals: pd.DataFrame
    set_aside: pd.DataFrame
    findings: pd.DataFrame

    def of(self, meter: str) -> pd.DataFrame:
        """Return the good intervals of one kind of meter."""
        return self.intervals[self.intervals["meter"] == meter]

    def sites_with(self, *codes: str) -> frozenset[str]:
        """Return the sites with one of these findings."""
        return frozenset(self.findings.loc[self.findings["finding"].isin(codes), "site_id"])


def check_readings(cohort: Cohort, readings: pd.DataFrame) -> Checked:
    """Judge the readings of a cohort's sites.

    ``readings`` has the dictionary's columns of table reading, moments in the standard time of the cohort's station.
    Readings of other sites are left out.
    """
    mine = readings[readings["site_id"].isin(cohort.sites.index)]
    if mine.empty:
        return _nothing_read()
    frame = as_intervals(mine)
    if frame.empty:
        frame = frame[list(INTERVAL_COLUMNS)]
        return Checked(frame, frame.assign(finding=""), _no_findings())
    facts, all_kwh = Facts.of(cohort), frame["kwh"].clip(lower=0.0).groupby([frame[name] for name in SERIES]).sum()
    aside = [frame.iloc[:0].assign(finding="")[[*INTERVAL_COLUMNS, "finding"]]]
    findings = [_no_findings()]
    for code, flagged_by in CHECKS.items():
        flags = flagged_by(frame, facts)
        if flags.any():
            bad = frame[flags].assign(finding=code)
            aside.append(bad[[*INTERVAL_COLUMNS, "finding"]])
            findings.append(_counted(code, bad, all_kwh))
            frame = frame[~flags].reset_index(drop=True)
    findings += [_counted(STANDBY, frame[frame["kwh"] < 0]), gaps(frame), clock(frame, facts)]
    frame = frame[list(INTERVAL_COLUMNS)]
    return Checked(
        frame.assign(kwh=frame["kwh"].clip(lower=0.0)),
        pd.concat(aside, ignore_index=True),
        pd.concat(findings, ignore_index=True),
    )


@cache
def _nothing_read() -> Checked:
    dtypes = {"site_id": "object", "meter": "object", "hours": "float64", "kwh": "float64"}
    frame = pd.DataFrame({name: pd.Series(dtype=dtypes.get(name, "datetime64[us]")) for name in INTERVAL_COLUMNS})
    return Checked(frame, frame.assign(finding=""), _no_findings())


def as_intervals(readings: pd.DataFrame) -> pd.DataFrame:
    """Return readings as intervals, sorted by series and time; counters become what passed between two rows.

    Besides ``INTERVAL_COLUMNS`` there is ``counter``: whether the energy is the difference of two counts.
    """
    frame = readings.sort_values([*SERIES, "starts_at"], kind="stable", ignore_index=True)
    counted = frame["register_kwh"].notna() & frame["kwh"].isna()
    counts = frame[counted]
    following = counts.groupby(SERIES, sort=False)[["starts_at", "register_kwh"]].shift(-1)
    counts = counts.assign(
        ends_at=following["starts_at"], kwh=following["register_kwh"] - counts["register_kwh"], counter=True
    ).dropna(subset=["ends_at"])
    both = pd.concat([frame[~counted].assign(counter=False), counts])
    both = both.sort_values([*SERIES, "starts_at", "ends_at"], kind="stable", ignore_index=True)
    both["kwh"] = both["kwh"].astype("float64")
    both["hours"] = (both["ends_at"] - both["starts_at"]).dt.total_seconds() / _HOUR_S
    return both[[*INTERVAL_COLUMNS, "counter"]].astype({"site_id": object, "meter": object, "counter": bool})


def gaps(frame: pd.DataFrame) -> pd.DataFrame:
    """Find time between the first and the last reading of a series that none covers."""
    by = frame.groupby(SERIES, sort=False)
    pause = (frame["starts_at"] - by["ends_at"].shift()).dt.total_seconds() / _HOUR_S
    missing = frame.assign(pause=pause)[pause > 0]
    table = missing.groupby(SERIES, sort=False)["pause"].agg(["size", "sum"])
    whole = by["hours"].sum().reindex(table.index) + table["sum"]
    figures = {"gap_days": (table["sum"] / 24).to_numpy(), "gap_share": (table["sum"] / whole).to_numpy()}
    return _table(table.index, GAP, table["size"].to_numpy(), **figures)


def clock(frame: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """Find production series whose time of day does not go with the sun's."""
    shifts = doubted_clocks(frame, facts)
    with_seasons = shifts["season_h"].abs() >= limits()["clock_shift"]
    counts = frame[fine_production(frame)].groupby("site_id").size().reindex(shifts.index)
    series = pd.MultiIndex.from_product([shifts.index, [PRODUCTION]])
    late_h = shifts["shift_h"].mask(with_seasons).to_numpy()
    return _table(series, np.where(with_seasons, SUMMER_TIME, CLOCK), counts.to_numpy(), late_h=late_h)


def _counted(code: str, rows: pd.DataFrame, all_kwh: pd.Series | None = None) -> pd.DataFrame:
    """Return a finding for each series among these rows, counted; of those set aside with what they stand for."""
    by = rows.assign(kwh=rows["kwh"].clip(lower=0.0)).groupby(SERIES, sort=False)
    counts = by.size()
    if all_kwh is None:
        return _table(counts.index, code, counts.to_numpy())
    kwh, whole = by["kwh"].sum().to_numpy(), all_kwh.reindex(counts.index).to_numpy()
    share = np.divide(kwh, whole, out=np.zeros_like(kwh), where=whole > 0)
    days = by["hours"].sum().to_numpy() / 24.0
    return _table(counts.index, code, counts.to_numpy(), days=days, kwh=kwh, kwh_share=share)


def _table(series: pd.Index, codes: str | np.ndarray, counts: np.ndarray, **figures: np.ndarray) -> pd.DataFrame:
    if not len(series):
        return _no_findings()
    table = series.to_frame(index=False).set_axis(SERIES, axis=1).assign(finding=codes, readings=counts, **figures)
    return table.reindex(columns=list(FINDING_COLUMNS)).astype(dict.fromkeys(_FIGURES, "float64"))


def _no_findings() -> pd.DataFrame:
    dtypes = {name: "int64" if name == "readings" else "object" for name in FINDING_COLUMNS}
    dtypes |= dict.fromkeys(_FIGURES, "float64")
    return pd.DataFrame({name: pd.Series(dtype=dtype) for name, dtype in dtypes.items()})
