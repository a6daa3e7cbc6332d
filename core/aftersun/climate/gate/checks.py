"""The quality gate: can these hours be believed? Each check is one small function that returns findings.

The checks stand in stages, because a later one makes sense only where the earlier ones hold: the hours and
the place, values and units, the clock, and last whether the components of irradiance agree.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd

from aftersun.climate.formats import RawWeather
from aftersun.climate.gate import clock_correction
from aftersun.climate.gate.clock import check_clock, check_night, fit_clock
from aftersun.climate.gate.clock_correction import IRRADIANCE
from aftersun.climate.gate.findings import Finding, refusal, settle
from aftersun.climate.gate.instants import settle_instant, to_mid_hours
from aftersun.climate.gate.order import fill_holes, in_order, name_hours
from aftersun.climate.limits import limit
from aftersun.climate.sun import sun_position, year_times
from aftersun.model.weather import Hours


class Place(NamedTuple):
    """A place and its clock: degrees, hours ahead of UTC."""

    latitude: float
    longitude: float
    utc_offset_h: float


@dataclass(frozen=True, eq=False)
class CheckedHours:
    """8760 rows in calendar order by standard time, columns as of the raw hours; rain as in the file, all else settled.

    ``remarks`` say what was noticed or changed, ``correction`` what was moved because it was asked for.
    """

    hours: pd.DataFrame
    remarks: tuple[str, ...]
    correction: str


def check_place(raw: RawWeather) -> list[Finding]:
    """Latitude, longitude, height and time zone must be possible."""
    bounds = {
        "latitude": (raw.latitude, -90.0, 90.0),
        "longitude": (raw.longitude, -180.0, 180.0),
        "height above sea level": (raw.elevation_m, -430.0, 9000.0),
        "time zone": (raw.utc_offset_h, -12.0, 14.0),
        "standard time": (raw.zone_h, -12.0, 14.0),
    }
    return [
        refusal(f"the header gives {value:g} as the {name}", "Correct the header of the file.")
        for name, (value, low, high) in bounds.items()
        if not low <= value <= high
    ]


def check_negative(name: str, values: Hours) -> list[Finding]:
    """Irradiance must not be negative beyond a sensor's offset at night."""
    low = np.flatnonzero(values < -limit("irradiance_negative"))
    if low.size:
        text = f"{name} is negative, down to {values.min():.0f} W/m2, first {name_hours(low)}"
        return [refusal(text, "Look for a code for missing values, or a faulty sensor.")]
    slightly = int((values < 0).sum())
    return [Finding(f"{name} was slightly negative in {slightly} hours and set to 0")] if slightly else []


def check_irradiance_unit(ghi: Hours) -> list[Finding]:
    """The highest hour and the year's sum must be believable; names the unit that would explain them."""
    peak, year = float(ghi.max()), float(ghi.sum() / 1000)

    def fits(factor: float) -> bool:
        peak_fits = limit("ghi_peak_min") <= peak / factor <= limit("irradiance_max")
        return peak_fits and limit("ghi_year_min") <= year / factor <= limit("ghi_year_max")

    if fits(1.0):
        return []
    units = {3.6: "kJ/m2 an hour", 0.001: "kW/m2", 0.0036: "MJ/m2 an hour"}
    unit = next((name for factor, name in units.items() if fits(factor)), None)
    cause = f": the unit is probably {unit} instead of W/m2" if unit else ""
    text = f"ghi sums to {year:.4g} kWh/m2 a year with a highest hour of {peak:.4g} W/m2{cause}"
    return [refusal(text, "Irradiance must be the mean of the hour in W/m2.")]


def check_range(name: str, values: Hours, low: float, high: float, unit: str) -> list[Finding]:
    """No hour may lie outside ``low`` to ``high``."""
    beyond = np.flatnonzero((values < low) | (values > high))
    if not beyond.size:
        return []
    text = f"{name} is {values[beyond[0]]:g}, outside {low:g} to {high:g} {unit}, at {name_hours(beyond)}"
    return [refusal(text, f"Look for a code for missing values or a unit other than {unit}.")]


def closure_residual(ghi: Hours, dni: Hours, dhi: Hours, zenith: Hours) -> float:
    """Mean absolute residual of GHI = DHI + DNI cos z over mean GHI; zenith in degrees at mid-hour."""
    beam = dni * np.maximum(np.cos(np.radians(zenith)), 0.0)
    return float(np.abs(ghi - dhi - beam).mean() / ghi.mean())


def check_closure(ghi: Hours, dni: Hours, dhi: Hours, zenith: Hours) -> list[Finding]:
    """The components of irradiance must agree; names a mistake in the columns that would explain it."""
    residual = closure_residual(ghi, dni, dhi, zenith)
    if residual <= limit("closure_warn"):
        return []
    text = f"GHI differs from DHI + DNI cos(zenith) by {100 * residual:.1f} % of mean GHI"
    if residual <= limit("closure_refuse"):
        return [Finding(text)]
    overhead = np.zeros_like(zenith)
    mistakes = {
        "DNI and DHI are exchanged": closure_residual(ghi, dhi, dni, zenith),
        "the DNI column holds the beam on the horizontal": closure_residual(ghi, dni, dhi, overhead),
    }
    cause, best = min(mistakes.items(), key=lambda mistake: mistake[1])
    if best > limit("closure_refuse"):
        cause = "the three do not come from one measurement or model"
    return [refusal(f"{text}: {cause}", "Get a file whose components of irradiance belong together.")]


def settle_albedo(albedo: Hours) -> tuple[Hours, list[Finding]]:
    """Replace missing and unbelievable ground reflectance by the usual value, and say so."""
    good = (albedo >= limit("albedo_min")) & (albedo <= limit("albedo_max"))
    if good.all():
        return albedo, []
    usual = limit("albedo")
    where = f"in {int((~good).sum())} hours without a believable value" if good.any() else "all year, for want of data"
    return np.where(good, albedo, usual), [Finding(f"ground reflectance {usual:g} was taken {where}")]


def check_clocks(
    hours: pd.DataFrame, place: Place, stated_offset_h: float, correct_clock: bool
) -> tuple[pd.DataFrame, list[Finding], str]:
    """Does irradiance follow the sun? Moves single months that provably do not, if that is asked for.

    ``place`` has the clock by which irradiance stands at mid-hour, ``stated_offset_h`` is the header's, by which
    likely mistakes are named. Returns the hours, what was found, and what was moved in words.
    """
    fit = fit_clock(hours["ghi"].to_numpy(), *place)
    findings = check_clock(fit, place.longitude, stated_offset_h)
    if not any(finding.stops for finding in findings):
        return hours, findings, ""
    moved, words = clock_correction.with_moved_months(hours, fit, *place)
    if not words:
        return hours, findings, ""
    if not correct_clock:
        return hours, [replace(finding, hint=f"{finding.hint} {clock_correction.HINT}") for finding in findings], ""
    rest = Finding(f"{words}; temperature, wind and rain stand as they were")
    again = fit_clock(moved["ghi"].to_numpy(), *place)
    return moved, [rest, *check_clock(again, place.longitude, stated_offset_h)], words


def check_hours(raw: RawWeather, file_name: str, *, correct_clock: bool = False) -> CheckedHours:
    """Take a file's records through the gate.

    ``correct_clock`` asks for irradiance to be moved in months whose clock is provably wrong.

    Raises
    ------
    AftersunError
        At the first stage with findings that stop the file, naming all of that stage.
    """
    ordered, findings = in_order(raw.hours)
    hours, holes = fill_holes(ordered)
    remarks = settle([*check_place(raw), *findings, *holes], file_name)

    findings = check_irradiance_unit(hours["ghi"].to_numpy())
    for name in IRRADIANCE:
        findings += check_negative(name, hours[name].to_numpy())
    temp_air, wind_speed = hours["temp_air"].to_numpy(), hours["wind_speed"].to_numpy()
    findings += check_range("temp_air", temp_air, limit("temp_air_min"), limit("temp_air_max"), "deg C")
    findings += check_range("wind_speed", wind_speed, 0.0, limit("wind_speed_max"), "m/s")
    remarks += settle(findings, file_name)
    hours = hours.assign(**{name: np.maximum(hours[name].to_numpy(), 0.0) for name in IRRADIANCE})
    findings = check_range("dni", hours["dni"].to_numpy(), 0.0, limit("irradiance_max"), "W/m2")
    findings += check_range("dhi", hours["dhi"].to_numpy(), 0.0, limit("irradiance_max"), "W/m2")
    remarks += settle(findings, file_name)

    at_h, findings = settle_instant(hours, raw)
    remarks += settle(findings, file_name)
    # An instant past the beginning of the hour is the middle of the hour by another clock.
    clock = Place(raw.latitude, raw.longitude, raw.utc_offset_h + 0.5 - at_h)
    hours, findings, moved = check_clocks(hours, clock, raw.utc_offset_h, correct_clock)
    remarks += settle(findings, file_name)
    hours, findings = to_mid_hours(hours, raw, at_h)
    remarks += settle(findings, file_name)

    place = (raw.latitude, raw.longitude, raw.zone_h)
    ghi, dni, dhi = (hours[name].to_numpy() for name in IRRADIANCE)
    sun = sun_position(year_times(raw.zone_h), raw.latitude, raw.longitude, raw.elevation_m)
    closure = check_closure(ghi, dni, dhi, sun["zenith"].to_numpy())
    albedo, replaced = settle_albedo(hours["albedo"].to_numpy())
    remarks += settle([*check_night(ghi, *place), *closure, *replaced], file_name)
    return CheckedHours(hours.assign(albedo=albedo), remarks, moved)
