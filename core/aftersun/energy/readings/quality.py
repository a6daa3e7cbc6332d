"""Judges meter readings before anybody computes with them.

A reading that cannot be a meter's is set aside with the reason; what is odd about a whole series is found and said.
Nothing is changed in silence and nothing is dropped.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from aftersun.energy.readings.checks import CHECKS, PRODUCTION, SERIES, Facts, doubted_clocks, fine_production, limits
from aftersun.model.cohort import Cohort

INTERVAL_COLUMNS = ("site_id", "meter", "starts_at", "ends_at", "hours", "kwh")
FINDING_COLUMNS = ("site_id", "meter", "check", "readings", "text", "what_to_do")
_HOUR_S = 3600.0


@dataclass(frozen=True, eq=False)
class Checked:
    """The readings of a cohort, judged.

    ``intervals`` has the good ones, columns ``INTERVAL_COLUMNS`` (hours in h, kwh in kWh, never negative), by site,
    meter and time, none overlapping another of its series. ``set_aside`` has the others with a column ``reason``.
    ``findings`` says what was found, one row a series and check, columns ``FINDING_COLUMNS``.
    """

    intervals: pd.DataFrame
    set_aside: pd.DataFrame
    findings: pd.DataFrame

    def of(self, meter: str) -> pd.DataFrame:
        """Return the good intervals of one kind of meter."""
        return self.intervals[self.intervals["meter"] == meter]

    def sites_with(self, check: str) -> frozenset[str]:
        """Return the sites with a finding of this check."""
        return frozenset(self.findings.loc[self.findings["check"] == check, "site_id"])


def check_readings(cohort: Cohort, readings: pd.DataFrame) -> Checked:
    """Judge the readings of a cohort's sites.

    ``readings`` has the dictionary's columns of table reading, moments in the standard time of the cohort's station.
    Readings of other sites are left out.
    """
    frame = as_intervals(readings[readings["site_id"].isin(cohort.sites.index)])
    if frame.empty:
        frame = frame[list(INTERVAL_COLUMNS)]
        return Checked(frame, frame.assign(reason=""), _no_findings())
    facts = Facts.of(cohort)
    aside = [frame.iloc[:0].assign(reason="")[[*INTERVAL_COLUMNS, "reason"]]]
    findings = [_no_findings()]
    for check in CHECKS:
        flags = check.flags(frame, facts)
        if flags.any():
            bad = frame[flags].assign(reason=check.reason)
            aside.append(bad[[*INTERVAL_COLUMNS, "reason"]])
            findings.append(_findings(check.name, bad, f"readings set aside: {check.reason}", check.what_to_do))
            frame = frame[~flags].reset_index(drop=True)
    negative = "readings a little below zero, counted as 0: the devices' own use"
    findings += [
        _findings("standby", frame[frame["kwh"] < 0], negative, "Nothing to do."),
        gaps(frame),
        clock(frame, facts),
    ]
    frame = frame[list(INTERVAL_COLUMNS)]
    return Checked(
        frame.assign(kwh=frame["kwh"].clip(lower=0.0)),
        pd.concat(aside, ignore_index=True) if aside else frame.iloc[:0].assign(reason=""),
        pd.concat([_no_findings(), *findings], ignore_index=True),
    )


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
    texts = [
        f"gaps: {count}, together {hours / 24:.1f} days, {hours / total:.1%} of the time".replace("%", " %")
        for count, hours, total in zip(table["size"], table["sum"], whole, strict=True)
    ]
    hint = "Load what is missing if it exists; gaps only widen the error."
    return _table(table.index, "gap", table["size"].to_numpy(), texts, hint)


def clock(frame: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """Find production series whose time of day does not go with the sun's."""
    shifts = doubted_clocks(frame, facts)
    texts = [
        "the clock moves by an hour between the seasons: summer time in place of standard time"
        if abs(season) >= limits()["clock_shift"]
        else f"the producing time lies {abs(shift):.1f} h too {'late' if shift > 0 else 'early'} for the sun"
        for shift, season in zip(shifts["shift_h"], shifts["season_h"], strict=True)
    ]
    counts = frame[fine_production(frame)].groupby("site_id").size().reindex(shifts.index)
    hint = "Load the readings in standard time; daily sums are used all the same, hours are not."
    return _table(pd.MultiIndex.from_product([shifts.index, [PRODUCTION]]), "clock", counts.to_numpy(), texts, hint)


def _findings(check: str, rows: pd.DataFrame, text: str, what_to_do: str) -> pd.DataFrame:
    """Return a finding for each series among these rows, counted."""
    counts = rows.groupby(SERIES, sort=False).size()
    return _table(counts.index, check, counts.to_numpy(), [f"{count} {text}" for count in counts], what_to_do)


def _table(series: pd.Index, check: str, counts: np.ndarray, texts: list[str], what_to_do: str) -> pd.DataFrame:
    if not len(series):
        return _no_findings()
    table = series.to_frame(index=False).set_axis(SERIES, axis=1)
    return table.assign(check=check, readings=counts, text=texts, what_to_do=what_to_do)


def _no_findings() -> pd.DataFrame:
    return pd.DataFrame(columns=list(FINDING_COLUMNS), dtype=object).astype({"readings": "int64"})
