"""Moving irradiance back to the sun where single months of a year provably have another clock.

Only asked for, never by itself. A month is moved by a whole number of hours, and only where the sun says so, the
file's own extraterrestrial irradiance (if it has any) agrees with the sun there, so that the records' labels are right
and irradiance alone stands wrong, and at least one other month keeps time. Where all months agree, the header is as
likely to be wrong as the hours, and nothing is moved.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.climate.gate.clock import ClockFit, fit_clock, month_names
from aftersun.climate.limits import limit
from aftersun.model.weather import FIRST_DAY, Hours

HINT = "Or add it with --correct-clock, which moves the irradiance of these months to where the sun proves it belongs."

IRRADIANCE = ("ghi", "dni", "dhi")

Moves = npt.NDArray[np.int64]
"""By how many hours irradiance has to be moved later, by month. Shape (12,); 0 = stays."""


def with_moved_months(
    hours: pd.DataFrame, fit: ClockFit, latitude: float, longitude: float, utc_offset_h: float
) -> tuple[pd.DataFrame, str]:
    """Return hours whose irradiance stands where the sun proves it belongs, and what was moved in words.

    The hours as they are, and no words, where nothing is proven. ``fit`` is that of their GHI at the place.
    """
    extra = hours["ghi_extra"].to_numpy()
    moves = provable_moves(fit, extra, latitude, longitude, utc_offset_h)
    if not moves.any():
        return hours, ""
    moved = {name: move(hours[name].to_numpy(), moves) for name in IRRADIANCE}
    parts = [
        f"irradiance of {month_names(moves == by)} was moved {abs(by)} h {'later' if by > 0 else 'earlier'}"
        for by in np.unique(moves[moves != 0])
    ]
    proof = "the sun and the file's own extraterrestrial irradiance" if _has_extra(extra) else "the sun"
    return hours.assign(**moved), f"as asked, {' and '.join(parts)} to agree with {proof}"


def provable_moves(fit: ClockFit, ghi_extra: Hours, latitude: float, longitude: float, utc_offset_h: float) -> Moves:
    """Return by how many hours each month's irradiance provably has to be moved later; all 0 where nothing is proven.

    Parameters
    ----------
    fit : ClockFit
        Of the year's GHI.
    ghi_extra : array (H,)
        The file's own extraterrestrial irradiance in W/m2, NaN or 0 throughout where it has none.
    latitude, longitude, utc_offset_h : float
        Degrees; hours ahead of UTC.
    """
    none = np.zeros(12, dtype=np.int64)
    judged = np.isfinite(fit.month_shift_h)
    shift = np.where(judged, fit.month_shift_h, 0.0)
    out = np.abs(shift) > limit("clock_month_refuse")
    whole = np.rint(shift)
    sharp = np.abs(shift - whole) <= limit("clock_cause")
    if not out.any() or not (judged & ~out).any() or not sharp[out].all():
        return none
    if _has_extra(ghi_extra):
        extra = fit_clock(np.nan_to_num(ghi_extra), latitude, longitude, utc_offset_h).month_shift_h
        if not (np.abs(extra[out]) <= limit("clock_cause")).all():
            return none
    return np.where(out, -whole, 0).astype(np.int64)


def _has_extra(ghi_extra: Hours) -> bool:
    """Does the file have extraterrestrial irradiance of its own?"""
    return bool(np.nansum(ghi_extra) > 0)


def move(values: Hours, moves: Moves) -> Hours:
    """Move hourly values (H,) later within each month, on the circle of the month, which turns in the dark."""
    months = np.split(values, 24 * FIRST_DAY[1:])
    return np.concatenate([np.roll(month, hours) for month, hours in zip(months, moves, strict=True)])
