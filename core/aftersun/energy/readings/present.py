"""What production readings of one site say of it: its level now, when it changed at once, and the trend beside that."""

from __future__ import annotations

import numpy as np
import pandas as pd

from aftersun.energy.readings.checks import limits
from aftersun.energy.readings.clock import TypicalTime
from aftersun.energy.readings.levels import Levels, find_steps, fit_levels, step_rather_than_slope
from aftersun.energy.readings.periods import Periods, periods_of, year_of
from aftersun.energy.readings.sky import Sky
from aftersun.energy.readings.trend import Trend, yearly_trend
from aftersun.model.codes import Untold
from aftersun.model.ranges import Floats
from aftersun.model.weather import HOURS_PER_YEAR

_LEAST_MONTH_H = 20 * 24.0  # of readings, for a month to count in a trend
_YEAR_MARGIN = 0.02  # by which two years may fall short
_SEARCH = pd.Timedelta(days=75)  # from the edge of the month with which a step was found, to look for its day

Row = dict[str, object]


def evidence_of(
    produced: pd.DataFrame,
    output: Floats,
    ageing_per_year: float,
    as_of: pd.Timestamp,
    remarks: list[Untold],
    sky: Sky | None = None,
) -> Row:
    """Return factor, shortfall, step and trend of a site as ``Calibration`` has them.

    ``produced`` has the good production intervals of one site by time, without those of a standstill; ``output`` (H,)
    is the computed output of the typical year, kWh, as it is on ``as_of``; ``sky`` the weather of its months, where it
    is known. What cannot be told is added to ``remarks``.
    """
    periods = periods_of(produced, output, as_of, sky=sky)
    row = reach_of(periods)
    if not (periods.expected > 0).any():
        remarks += [Untold.NONE_EXPECTED]
        return row
    periods = periods.where(periods.expected > 0)
    ratio = _as_of_the_run(periods, ageing_per_year)
    steps = find_steps(periods, ratio)
    levels = fit_levels(periods, ratio, steps)
    trend = _trend(periods, levels)
    if not steps and trend is not None and trend.told:
        steps = step_rather_than_slope(periods, ratio)
        levels = fit_levels(periods, ratio, steps)
    if steps:
        days = _days_of(produced, output, periods, levels)
        periods = periods_of(produced, output, as_of, days, sky)
        periods = periods.where(periods.expected > 0)
        ratio = _as_of_the_run(periods, ageing_per_year)
        cuts = np.searchsorted(periods.year, [year_of(day) for day in days])
        levels = fit_levels(periods, ratio, tuple(sorted({int(cut) for cut in cuts} - {0, len(ratio)})))
        trend = _trend(periods, levels)
        if len(levels.sizes):
            row |= {"changed_on": days[-1], "change": float(levels.sizes[-1])}
            row["change_se"] = float((1.0 + levels.sizes[-1]) * levels.step_error[-1])
    row |= _factor(levels, remarks)
    if trend is None:
        remarks += [Untold.NO_TREND]
        return row
    return row | {"trend_per_year": trend.per_year, "trend_low": trend.low, "trend_high": trend.high}


def reach_of(periods: Periods) -> Row:
    """Return how much readings cover, and in how many months or longer readings."""
    return {"years_of_data": float(periods.hours.sum()) / HOURS_PER_YEAR, "periods": len(periods.year)}


def _as_of_the_run(periods: Periods, ageing_per_year: float) -> Floats:
    """Return measured over computed output, (N,), less what normal ageing has taken since."""
    left: Floats = (1.0 - ageing_per_year) ** np.maximum(periods.years_ago, 0.0)
    return periods.measured / periods.expected * left


def _days_of(produced: pd.DataFrame, output: Floats, periods: Periods, levels: Levels) -> tuple[pd.Timestamp, ...]:
    """Return the day of each step: where daily readings there split best into the two levels, else a period's start."""
    found: list[pd.Timestamp] = []
    abouts = [pd.Timestamp(periods.starts[cut]) for cut in levels.cuts]
    for position, about in enumerate(abouts):
        # not beyond the steps before and after: what lies between them has to stay a stretch
        first = max([about - _SEARCH, *(day + (about - day) / 2 for day in found[-1:])])
        last = min([about + _SEARCH, *(about + (other - about) / 2 for other in abouts[position + 1 : position + 2])])
        near = produced[(produced["starts_at"] >= first) & (produced["starts_at"] < last)]
        days = near.groupby(near["starts_at"].dt.floor("D"))[["kwh", "hours"]].sum()
        if len(near) < 2 or (near["hours"] > 24.0).any() or len(days) < 2:
            found.append(about)
            continue
        expected = TypicalTime.spanning(near["starts_at"], near["ends_at"]).add_up(
            output, near["starts_at"], near["ends_at"]
        )
        computed = near.assign(kwh=expected).groupby(near["starts_at"].dt.floor("D"))["kwh"].sum()
        cost = [
            np.concatenate([[0.0], np.cumsum((days["kwh"].to_numpy() - level * computed.to_numpy()) ** 2)])
            for level in levels.level[position : position + 2]
        ]
        best = int(np.argmin(cost[0] - cost[1]))  # days before it at the one level, from it on at the other
        found.append(days.index[min(best, len(days) - 1)])
    return tuple(found)


def _factor(levels: Levels, remarks: list[Untold]) -> Row:
    known = limits()
    factor = float(levels.level[-1])
    error = float(np.hypot(levels.error[-1], factor * known["meter_sd"]))
    best = float(levels.level.max())
    doubted = not known["factor_min"] <= best <= known["factor_max"]
    if doubted:
        remarks += [Untold.BEYOND_BOUNDS]
    if error > known["factor_se_max"]:
        remarks += [Untold.TOO_FEW]
    errors = known["shortfall_errors"]
    missing = 1.0 - factor - errors * np.hypot(error, known["model_sd"])
    if len(levels.sizes) and levels.sizes[-1] < 0.0:  # of a step the model's own error is no part
        before = min(float(levels.level[-2]), 1.0)
        missing = max(missing, before * (-levels.sizes[-1] - errors * (1.0 + levels.sizes[-1]) * levels.step_error[-1]))
    return {
        "factor": factor,
        "factor_se": error,
        "shortfall": np.nan if doubted else max(0.0, float(missing)),
        "factor_read": factor if doubted else np.nan,
    }


def _trend(periods: Periods, levels: Levels) -> Trend | None:
    """Tell the trend over the last whole years, if there are at least two and readings cover them."""
    known = limits()
    half = periods.hours / HOURS_PER_YEAR / 2
    last = float((periods.year + half).max())
    years = np.floor(last - float((periods.year - half).min()) + _YEAR_MARGIN)
    inside = periods.year > last - years
    covered = periods.hours[inside].sum() / HOURS_PER_YEAR
    kept = inside & (periods.hours >= _LEAST_MONTH_H) & (levels.level[levels.stretch] > known["step_least"])
    if years < known["trend_years"] or covered < known["trend_coverage"] * years or kept.sum() < 2 * years:
        return None
    few, stretch = periods.where(kept), levels.stretch[kept]
    month = pd.DatetimeIndex(few.starts + (few.hours * 1800).astype("timedelta64[s]")).month.to_numpy()
    ratio = few.measured / few.expected / levels.level[stretch]
    sd = few.weather_sd
    whole = known["year_sd"] ** 2 * few.month_kwh.sum()  # the weather of all, were nothing known of it
    calm = float(np.sqrt((few.expected * sd**2).mean() / whole))
    return yearly_trend(few.year, month, stretch, ratio, sd, calm)
