"""Checks of meter readings, each small and named: intervals in, flags of those that cannot be a meter's out.

Intervals are frames with site_id, meter, starts_at, ends_at, hours, kwh and counter (whether the energy is the
difference of two counts), sorted by site, meter and time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from aftersun.energy.assumptions import system_values
from aftersun.energy.demand import yearly_demand
from aftersun.energy.readings import clock as readings_clock
from aftersun.energy.readings import made_up
from aftersun.model import tables
from aftersun.model.cohort import Cohort
from aftersun.model.ranges import Bools, Floats

PRODUCTION, IMPORT, EXPORT = made_up.PRODUCTION, "import", "export"
SERIES = ["site_id", "meter"]


@cache
def limits() -> Mapping[str, float]:
    """Return the value in force of every limit of ``readings_limits.csv``, in its own unit."""
    return {name: known.mode for name, known in tables.ranges("readings_limits.csv").items()}


@dataclass(frozen=True, eq=False)
class Facts:
    """What readings are judged by: the cohort, and the rating and demand of each of its sites."""

    cohort: Cohort
    rating_kw: pd.Series  # DC, by site_id
    demand_kwh: pd.Series  # a year, by site_id

    @classmethod
    def of(cls, cohort: Cohort) -> Facts:
        """Take the facts from a cohort; a demand that is not known is the usual one."""
        sites = cohort.sites
        rating = cohort.sum_by_site(cohort.arrays["dc_rating_kw"].to_numpy(dtype=np.float64))
        demand = yearly_demand(sites, system_values(cohort.overrides))
        return cls(cohort, pd.Series(rating, index=sites.index), pd.Series(demand, index=sites.index))

    def rating_of(self, frame: pd.DataFrame) -> Floats:
        """Return the rating of each interval's site, kW."""
        return self.rating_kw.reindex(frame["site_id"]).to_numpy(dtype=np.float64)


def counter_went_back(frame: pd.DataFrame, _facts: Facts) -> Bools:
    """Flag what passed between two counts of which the later is lower."""
    return (frame["counter"] & (frame["kwh"] < 0)).to_numpy()


def after_the_run(frame: pd.DataFrame, facts: Facts) -> Bools:
    """Flag readings that end after the day the cohort stands for."""
    return (frame["ends_at"] > pd.Timestamp(facts.cohort.as_of) + pd.Timedelta(days=1)).to_numpy()


def before_commissioning(frame: pd.DataFrame, facts: Facts) -> Bools:
    """Flag what is said to be produced or exported before the system went into operation."""
    started = facts.cohort.sites["commissioned_on"].reindex(frame["site_id"]).to_numpy()
    return ((frame["meter"] != IMPORT) & (frame["starts_at"] < started)).to_numpy()


def overlapping(frame: pd.DataFrame, _facts: Facts) -> Bools:
    """Flag intervals that overlap a shorter one of their series, or an earlier one of the same length."""
    ends = frame["ends_at"].astype("int64")
    reached = ends.groupby([frame[name] for name in SERIES], sort=False).cummax().to_numpy()
    starts = frame["starts_at"].astype("int64").to_numpy()
    first = ~frame.duplicated(SERIES).to_numpy()
    cluster = np.cumsum(first | (starts >= np.roll(reached, 1)))
    flags = np.zeros(len(frame), dtype=bool)
    for number in np.flatnonzero(np.bincount(cluster, minlength=1) > 1):
        rows = np.arange(*np.searchsorted(cluster, [number, number + 1]))
        flags[rows] = _losers(starts[rows], ends.to_numpy()[rows])
    return flags


def _losers(starts: np.ndarray, ends: np.ndarray) -> Bools:
    """Return which intervals give way when the shortest are kept first."""
    flags = np.zeros(len(starts), dtype=bool)
    taken_starts = np.empty(0, dtype=starts.dtype)
    taken_ends = taken_starts
    for row in np.argsort(ends - starts, kind="stable"):
        after = int(np.searchsorted(taken_starts, starts[row], side="right"))
        clear = (after == 0 or taken_ends[after - 1] <= starts[row]) and (
            after == len(taken_starts) or taken_starts[after] >= ends[row]
        )
        flags[row] = not clear
        if clear:
            taken_starts = np.insert(taken_starts, after, starts[row])
            taken_ends = np.insert(taken_ends, after, ends[row])
    return flags


def in_watt_hours(frame: pd.DataFrame, facts: Facts) -> Bools:
    """Flag months whose mean is about a thousand times what can be expected."""
    month = [*(frame[name] for name in SERIES), frame["starts_at"].dt.to_period("M")]
    ratio = _over_expected(frame, facts, month)
    flags: Bools = (ratio >= limits()["unit_ratio_min"]) & (ratio <= limits()["unit_ratio_max"])
    return flags


def in_megawatt_hours(frame: pd.DataFrame, facts: Facts) -> Bools:
    """Flag production series whose mean is about a thousandth of what can be expected, and not zero."""
    ratio = _over_expected(frame, facts, [frame[name] for name in SERIES])
    low: Bools = (ratio > 0) & (ratio <= 1 / limits()["unit_ratio_min"])
    return low & (frame["meter"] == PRODUCTION).to_numpy()


def _over_expected(frame: pd.DataFrame, facts: Facts, by: list[pd.Series]) -> Floats:
    """Return mean power over expected mean power of each interval's group."""
    output = facts.rating_of(frame) * limits()["mean_output"]
    demand = facts.demand_kwh.reindex(frame["site_id"]).to_numpy(dtype=np.float64) / 8760
    expected = np.where(frame["meter"] == IMPORT, demand, output) * frame["hours"]
    sums = frame.assign(expected=expected).groupby(by, sort=False)[["kwh", "expected"]].transform("sum")
    ratio: Floats = (sums["kwh"] / sums["expected"].where(sums["expected"] > 0)).to_numpy(dtype=np.float64)
    return np.nan_to_num(ratio)


def beyond_the_rating(frame: pd.DataFrame, facts: Facts) -> Bools:
    """Flag more energy produced or exported than the rating allows; what a battery holds may be exported too."""
    battery = facts.cohort.sites["battery_kwh"].reindex(frame["site_id"]).to_numpy(dtype=np.float64, na_value=0.0)
    known = limits()
    inverter = facts.cohort.sites["inverter_rating_kw"].reindex(frame["site_id"])
    power = np.fmin(
        facts.rating_of(frame) * known["output_max"],
        inverter.to_numpy(np.float64, na_value=np.inf) * known["inverter_max"],
    )
    most = power * frame["hours"].to_numpy()
    most = most + np.where(frame["meter"] == EXPORT, battery, 0.0)
    flags: Bools = (frame["meter"] != IMPORT).to_numpy() & (frame["kwh"].to_numpy() > most)
    return flags


def beyond_the_sky(frame: pd.DataFrame, facts: Facts) -> Bools:
    """Flag more energy produced than a clear sky gives a plane that always faces the sun, unless the clock is off."""
    doubted = doubted_clocks(frame, facts).index
    rows = ((frame["meter"] == PRODUCTION) & ~frame["site_id"].isin(doubted)).to_numpy()
    flags = np.zeros(len(frame), dtype=bool)
    if rows.any():
        mine = frame[rows]
        most = readings_clock.clear_sky_hours(mine, facts.cohort.weather) * limits()["output_max"]
        flags[rows] = mine["kwh"].to_numpy() > facts.rating_of(mine) * most
    return flags


def negative(frame: pd.DataFrame, _facts: Facts) -> Bools:
    """Flag energy below zero by more than the devices use themselves."""
    return (frame["kwh"] < -limits()["standby_kw"] * frame["hours"]).to_numpy()


def repeated_day(frame: pd.DataFrame, _facts: Facts) -> Bools:
    """Flag days whose values of less than a day all repeat those of the day before."""
    day = frame["starts_at"].dt.floor("D")
    fine = frame["hours"] < 24
    minute = (frame["starts_at"] - day) // pd.Timedelta(minutes=1)
    content = pd.util.hash_pandas_object(pd.DataFrame({"minute": minute, "kwh": frame["kwh"]}), index=False)
    filled = fine & (frame["kwh"] != 0)
    each = pd.DataFrame({**{name: frame[name] for name in SERIES}, "day": day, "content": content, "filled": filled})
    days = each[fine].groupby([*SERIES, "day"], sort=True).agg(content=("content", "sum"), filled=("filled", "sum"))
    days = days.reset_index()
    before = days.groupby(SERIES, sort=False)[["day", "content"]].shift()
    copied = (
        (days["filled"] >= limits()["repeated_values"])
        & (days["day"] - before["day"] == pd.Timedelta(days=1))
        & (days["content"] == before["content"])
    )
    bad = pd.MultiIndex.from_frame(days.loc[copied, [*SERIES, "day"]])
    return fine.to_numpy() & pd.MultiIndex.from_frame(each[[*SERIES, "day"]]).isin(bad)


def output_at_night(frame: pd.DataFrame, facts: Facts) -> Bools:
    """Flag fine production readings of the night, unless it is the clock that is wrong."""
    doubted = doubted_clocks(frame, facts).index
    rows = (fine_production(frame) & ~frame["site_id"].isin(doubted)).to_numpy()
    mine = frame[rows]
    most = facts.rating_of(mine) * mine["hours"].to_numpy() * limits()["night_output"]
    dark = readings_clock.in_darkness(mine, facts.cohort.weather, limits()["night_zenith"])
    flags = np.zeros(len(frame), dtype=bool)
    flags[rows] = dark & (mine["kwh"].to_numpy() > most)
    return flags


def fine_production(frame: pd.DataFrame) -> pd.Series:
    """Tell which intervals are production readings whose time of day can be judged."""
    return (frame["meter"] == PRODUCTION) & (frame["hours"] <= limits()["fine_step"])


def doubted_clocks(frame: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """Return by site how far the producing time lies from the sun's where that is too far, as ``clock_shifts`` does."""
    known = limits()
    fine = frame[fine_production(frame)]
    least = facts.rating_of(fine) * fine["hours"].to_numpy() * known["clock_output"]
    shifts = readings_clock.clock_shifts(fine[fine["kwh"].to_numpy() > least], facts.cohort.weather)
    far = shifts[["shift_h", "season_h"]].abs().max(axis=1) >= known["clock_shift"]
    return shifts[far & (shifts["days"] >= known["clock_days"])]


# Whose readings are set aside, by code and in order: each flags what fails of what those before it left.
CHECKS: Mapping[str, Callable[[pd.DataFrame, Facts], Bools]] = {
    "counter": counter_went_back,
    "later": after_the_run,
    "commissioning": before_commissioning,
    "overlap": overlapping,
    "watt_hours": in_watt_hours,
    "megawatt_hours": in_megawatt_hours,
    "rating": beyond_the_rating,
    "negative": negative,
    "stuck": lambda frame, _: made_up.stuck(frame, limits()),
    "interpolated": lambda frame, _: made_up.interpolated(frame, limits()),
    "repeat": repeated_day,
    "scaled_copy": lambda frame, _: made_up.scaled_copy(frame, limits()),
    "night": output_at_night,
    "sky": beyond_the_sky,
}
STANDBY, GAP, CLOCK, SUMMER_TIME = "standby", "gap", "clock", "summer_time"
FINDINGS = (*CHECKS, STANDBY, GAP, CLOCK, SUMMER_TIME)
"""The codes of all that is found in readings; what is printed for them is in the wording, section finding."""
