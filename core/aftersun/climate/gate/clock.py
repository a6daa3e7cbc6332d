"""Does a file's clock match the sun?

The fair-weather course of the day of each month (a high quantile of GHI hour by hour, so that a daily course
of the clouds does not look like a shift) is compared with the sun's height at the stated place, moved in
steps of a quarter hour round the clock. The shift of best correlation, refined by a parabola, should be
nought. What a wrong header, wrong time zone or wrong labelling of the hours does to it is known, so the
likely mistake can be named.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pvlib

from aftersun.climate.gate.findings import Findings
from aftersun.climate.limits import limit
from aftersun.model.weather import FIRST_DAY, HOURS_PER_YEAR, MONTHS, Hours

STEPS_PER_HOUR = 4
_SHIFTS = range(-12 * STEPS_PER_HOUR, 12 * STEPS_PER_HOUR)
_HINT = "Ask the source of the file, correct its header or its hours, or get another file."


@dataclass(frozen=True, eq=False)
class ClockFit:
    """How irradiance follows the sun. Shifts are in hours, positive where irradiance comes late.

    ``shift_h`` over the year, ``month_shift_h`` of shape (12,) with NaN for months too dark to judge; ``fit``
    is the correlation reached and ``other_hemisphere_fit`` the one with the sign of the latitude turned.
    """

    shift_h: float
    month_shift_h: Hours
    fit: float
    other_hemisphere_fit: float


def sun_height(latitude: float, longitude: float, utc_offset_h: float) -> Hours:
    """Return the cosine of the zenith, 0 at night, each quarter hour of the year. Shape (4 H,).

    Spencer's (1971) declination and equation of time as in pvlib: good to a fraction of a degree, which is
    ample here.
    """
    t = (np.arange(HOURS_PER_YEAR * STEPS_PER_HOUR) + 0.5) / STEPS_PER_HOUR
    day = np.floor(t / 24) + 1
    minutes = pvlib.solarposition.equation_of_time_spencer71(day)
    hour_angle = np.radians(15 * (t % 24 - 12 - utc_offset_h + minutes / 60) + longitude)
    declination = pvlib.solarposition.declination_spencer71(day)
    zenith = pvlib.solarposition.solar_zenith_analytical(np.radians(latitude), hour_angle, declination)
    height: Hours = np.maximum(np.cos(zenith), 0.0)
    return height


def _fair_days(ghi: Hours) -> Hours:
    """Fair-weather course of the day by month, W/m2. Shape (12, 24)."""
    months = np.split(ghi.reshape(-1, 24), FIRST_DAY[1:])
    return np.array([np.quantile(days, limit("clock_envelope"), axis=0) for days in months])


def _sun_days(latitude: float, longitude: float, utc_offset_h: float) -> Hours:
    """Mean course of the day by month of the sun's height, later by each of `_SHIFTS`. Shape (96, 12, 24)."""
    days = sun_height(latitude, longitude, utc_offset_h).reshape(-1, 24 * STEPS_PER_HOUR)
    months = np.array([month.mean(axis=0) for month in np.split(days, FIRST_DAY[1:])])
    shifted = np.array([np.roll(months, steps, axis=1) for steps in _SHIFTS])
    hourly: Hours = shifted.reshape(len(_SHIFTS), 12, 24, STEPS_PER_HOUR).mean(axis=-1)
    return hourly


def _correlation(a: Hours, b: Hours) -> Hours:
    """Correlation along the last axis; 0 where one side is constant."""
    a = a - a.mean(axis=-1, keepdims=True)
    b = b - b.mean(axis=-1, keepdims=True)
    size = np.sqrt((a**2).sum(axis=-1) * (b**2).sum(axis=-1))
    product = (a * b).sum(axis=-1)
    correlation: Hours = np.divide(product, size, out=np.zeros_like(product), where=size > 0)
    return correlation


def _peak(correlation: Hours) -> float:
    """Shift in hours at the peak of a correlation over `_SHIFTS`, refined by a parabola."""
    best = int(np.argmax(correlation))
    before, top, after = np.take(correlation, [best - 1, best, best + 1], mode="wrap")
    bend = before - 2 * top + after
    return float(_SHIFTS[best] + (0.5 * (before - after) / bend if bend < 0 else 0.0)) / STEPS_PER_HOUR


def fit_clock(ghi: Hours, latitude: float, longitude: float, utc_offset_h: float) -> ClockFit:
    """Find by how much a year of hourly GHI (H,) in W/m2 is shifted against the sun at the stated place."""
    fair = _fair_days(ghi)
    sun = _sun_days(latitude, longitude, utc_offset_h)
    other = _sun_days(-latitude, longitude, utc_offset_h)
    whole = _correlation(fair.ravel(), sun.reshape(len(_SHIFTS), -1))
    turned = _correlation(fair.ravel(), other.reshape(len(_SHIFTS), -1))
    by_month = _correlation(fair, sun)
    lit = fair.max(axis=1) >= limit("clock_month_dark")
    months = np.array([_peak(by_month[:, month]) if lit[month] else np.nan for month in range(12)])
    return ClockFit(_peak(whole), months, float(whole.max()), float(turned.max()))


def _round_clock(hours: Hours | float) -> Hours:
    """Bring differences of hours into -12..12."""
    return (np.asarray(hours, dtype=float) + 12) % 24 - 12


def likely_causes(shift_h: float, longitude: float, utc_offset_h: float) -> list[str]:
    """Name the mistakes that would shift a file by ``shift_h`` hours."""
    sun_zone = longitude / 15
    turned = abs(_round_clock(utc_offset_h + sun_zone)) + 3 < abs(_round_clock(utc_offset_h - sun_zone))
    zoneless = not utc_offset_h and abs(_round_clock(shift_h - sun_zone)) <= 1
    mistakes = {
        "the longitude in the header has the wrong sign": 2 * sun_zone if turned else np.nan,
        "the time zone in the header has the wrong sign": -2 * utc_offset_h if turned else np.nan,
        "the hours are labelled at their beginning instead of their end": -1.0,
        "the clock runs in daylight-saving time": 1.0,
        "the hours are UTC, not the station's standard time": -utc_offset_h if utc_offset_h else np.nan,
        "the header gives no time zone (0), but the hours are local": shift_h if zoneless else np.nan,
    }
    near = limit("clock_cause")
    named = [cause for cause, shift in mistakes.items() if abs(_round_clock(shift_h - shift)) <= near]
    if named:
        return named
    halves = round(2 * abs(shift_h))
    if halves == 1:
        return ["the values stand for an instant or the middle of the hour, not for the hour up to the label"]
    return [f"the time zone or the longitude in the header is wrong by about {halves / 2:g} h"]


def _words(shift_h: float) -> str:
    return f"{abs(shift_h):.1f} h {'late' if shift_h > 0 else 'early'} against the sun"


def month_names(months: npt.NDArray[np.bool_]) -> str:
    """Name the months that are true of (12,)."""
    return ", ".join(MONTHS[month] for month in np.flatnonzero(months))


def _mixed_clocks(months: Hours) -> str | None:
    """Say whether the months of a year disagree about the clock, by their shifts in hours, NaN where not judged."""
    most = limit("clock_month_refuse")
    known = np.isfinite(months)
    out = known & (np.abs(months) > most)
    apart = np.abs(_round_clock(months[known] - np.median(months[known])))
    if not out.any() or not (apart > most).any():
        return None
    shift = float(np.median(months[out]))
    cause = "the year was put together from months with different clocks"
    one_block = int((out != np.roll(out, 1)).sum()) == 2  # round the year
    if one_block and abs(shift - 1) <= limit("clock_cause"):
        cause = "daylight-saving time was left in"
    return f"irradiance of {month_names(out)} comes {_words(shift)}, unlike the rest of the year: {cause}"


def check_clock(fit: ClockFit, longitude: float, utc_offset_h: float, findings: Findings) -> None:
    """Judge the hemisphere, likeness to the sun, months against each other, and the shift of the year."""
    text = f"irradiance comes {_words(fit.shift_h)}"
    if fit.other_hemisphere_fit > fit.fit + limit("sun_fit_hemisphere"):
        findings.refuse("summer and winter are exchanged: the latitude has the wrong sign", _HINT)
    elif fit.fit < limit("sun_fit_min"):
        why = f"irradiance does not follow the sun (correlation {fit.fit:.2f}): the hours are out of order"
        findings.refuse(why, _HINT)
    elif mixed := _mixed_clocks(fit.month_shift_h):
        findings.refuse(mixed, _HINT)
    elif abs(fit.shift_h) > limit("clock_refuse"):
        findings.refuse(f"{text}: {' or '.join(likely_causes(fit.shift_h, longitude, utc_offset_h))}", _HINT)
    elif abs(fit.shift_h) > limit("clock_warn"):
        findings.remark(f"{text}, as with a satellite's time of overpass")


def check_night(ghi: Hours, latitude: float, longitude: float, utc_offset_h: float, findings: Findings) -> None:
    """Remark on irradiance in hours in which the sun is down from beginning to end."""
    height = sun_height(latitude, longitude, utc_offset_h).reshape(-1, STEPS_PER_HOUR)
    dark = height.max(axis=1) == 0
    share = float(ghi[dark].sum() / ghi.sum())
    if share > limit("night_share"):
        text = f"{100 * share:.1f} % of the year's irradiance falls in hours without sun"
        findings.remark(f"{text}, as with a sensor that does not read nought at night")
