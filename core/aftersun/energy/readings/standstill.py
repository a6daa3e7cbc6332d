"""Whether a system stands still now, from the readings up to the last: nothing measured where output is expected.

A sound system gives nothing either: for days in fog or while somebody works on the roof, under snow for weeks, and
now and then it is the meter that is dead. How long is long enough is counted in mean days of output, so that a dark
month tells little; months in which snow may stay tell less. By Bayes from the chances in ``readings_limits.csv``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.energy.readings.checks import limits
from aftersun.energy.readings.clock import TypicalTime
from aftersun.model.ranges import Bools, Floats
from aftersun.model.weather import HOURS_PER_YEAR, WeatherYear


@dataclass(frozen=True)
class Idle:
    """The readings at the end of a series that show nothing: their rows, and what they say.

    ``figures`` has standstill_chance, and where that is enough to be told idle_since, idle_days, idle_kwh (measured)
    and idle_expected_kwh.
    """

    rows: pd.Index
    figures: Mapping[str, object]

    @property
    def told(self) -> bool:
        """Whether the system is taken to stand still."""
        return "idle_since" in self.figures


def chance_of_standstill(warm_days: npt.ArrayLike, cold_days: npt.ArrayLike) -> Floats:
    """Return the chance that a system stands still whose meter showed nothing for so many mean days of output.

    ``cold_days`` are those in months when snow may stay, ``warm_days`` the others.
    """
    known = limits()
    still, dead = known["standstill_prior"], known["dead_meter"]
    warm, cold = np.asarray(warm_days), np.asarray(cold_days)
    as_sound = np.exp(-warm / known["still_warm_days"] - cold / known["still_cold_days"])
    return np.asarray(still / (still + dead + (1.0 - still - dead) * as_sound))


def idle_until_now(
    produced: pd.DataFrame, output: Floats, snow_free: Bools, rating_kw: float, as_of: pd.Timestamp
) -> Idle | None:
    """Return the readings at the end that show nothing, None where the last one shows output or is old.

    ``produced`` has the good production intervals of one site by time, ``output`` (H,) is the computed output of the
    typical year in kWh, ``snow_free`` (H,) tells in which of its hours no snow can lie.
    """
    known = limits()
    days_since = (as_of - produced["ends_at"].max()) / pd.Timedelta(days=1)
    mean_day = float(output.sum()) / (HOURS_PER_YEAR / 24.0)
    if days_since > known["still_latest_days"] or mean_day <= 0:
        return None
    shows = _shows(produced, rating_kw)
    rows = produced.iloc[int(np.flatnonzero(shows)[-1]) + 1 :] if shows.any() else produced
    if rows.empty:
        return None
    time = TypicalTime.spanning(rows["starts_at"], rows["ends_at"])
    warm, cold = (
        float(time.add_up(output * part, rows["starts_at"], rows["ends_at"]).sum()) for part in (snow_free, ~snow_free)
    )
    chance = float(chance_of_standstill(warm / mean_day, cold / mean_day))
    figures: dict[str, object] = {"standstill_chance": chance}
    if chance >= known["still_told"]:
        figures |= {
            "idle_since": rows["starts_at"].min(),
            "idle_days": float(rows["hours"].sum()) / 24.0,
            "idle_kwh": float(rows["kwh"].sum()),
            "idle_expected_kwh": warm + cold,
        }
    return Idle(rows.index, figures)


@dataclass(frozen=True)
class Outages:
    """Times with readings that show nothing where a sound system would: their rows, and what they say."""

    rows: pd.Index
    figures: Mapping[str, object]


def outages(produced: pd.DataFrame, output: Floats, snow_free: Bools, rating_kw: float) -> Outages | None:
    """Return the times in which one site gave nothing for longer than its weather explains, None where there are none.

    Arguments as of :func:`idle_until_now`; no neighbour is asked. The figures are their number, the start of the
    longest, the days and what the model expects in all of them.
    """
    mean_day = float(output.sum()) / (HOURS_PER_YEAR / 24.0)
    shows = _shows(produced, rating_kw) if mean_day > 0 else np.ones(len(produced), dtype=bool)
    if shows.all():
        return None
    starts, ends = produced["starts_at"], produced["ends_at"]
    run = np.cumsum(shows | np.roll(shows, 1) | (np.arange(len(shows)) == 0))[~shows]
    time, still = TypicalTime.spanning(starts, ends), produced[~shows]
    warm, cold = (time.add_up(output * part, still["starts_at"], still["ends_at"]) for part in (snow_free, ~snow_free))
    sums = pd.DataFrame({"warm": warm, "cold": cold, "hours": still["hours"].to_numpy()}).groupby(run).sum()
    told = sums[chance_of_standstill(sums["warm"] / mean_day, sums["cold"] / mean_day) >= limits()["still_told"]]
    if told.empty:
        return None
    missed = told["warm"] + told["cold"]
    figures = {
        "outages": len(told),
        "outage_since": still["starts_at"][run == missed.idxmax()].min(),
        "outage_days": float(told["hours"].sum()) / 24.0,
        "outage_kwh": float(missed.sum()),
    }
    return Outages(still.index[np.isin(run, told.index)], figures)


def _shows(produced: pd.DataFrame, rating_kw: float) -> Bools:
    """Tell which readings show output; what is finer than a day is judged by the day: the night is no standstill."""
    reading = np.where(produced["hours"] < 24, produced["starts_at"].dt.floor("D"), produced["starts_at"])
    sums = produced.groupby(reading, sort=True)[["kwh", "hours"]].transform("sum")
    shows: Bools = (sums["kwh"] > limits()["day_zero"] * rating_kw * sums["hours"] / 24.0).to_numpy()
    return shows


def snow_free_hours(weather: WeatherYear) -> Bools:
    """Return in which hours of the typical year no snow can lie on modules, by the mean of their month, (H,)."""
    month = weather.times.month.to_numpy()
    means = np.bincount(month, weather.temp_air) / np.maximum(np.bincount(month), 1)
    free: Bools = means[month] >= limits()["snow_c"]
    return free
