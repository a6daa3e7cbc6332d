"""The quality gate: can these hours be believed? Each check is one small function that notes findings.

The checks stand in stages, because a later one makes sense only where the earlier ones hold: the hours and
the place, values and units, the clock, and last whether the components of irradiance agree.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from aftersun.climate.formats.raw import RawWeather
from aftersun.climate.gate import clock_correction
from aftersun.climate.gate.clock import check_clock, check_night, fit_clock
from aftersun.climate.gate.clock_correction import IRRADIANCE
from aftersun.climate.gate.findings import Findings
from aftersun.climate.gate.instants import to_mid_hours
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


def check_place(raw: RawWeather, findings: Findings) -> None:
    """Latitude, longitude, height and time zone must be possible."""
    bounds = {
        "latitude": (raw.latitude, -90.0, 90.0),
        "longitude": (raw.longitude, -180.0, 180.0),
        "height above sea level": (raw.elevation_m, -430.0, 9000.0),
        "time zone": (raw.utc_offset_h, -12.0, 14.0),
        "standard time": (raw.zone_h, -12.0, 14.0),
    }
    for name, (value, low, high) in bounds.items():
        if not low <= value <= high:
            findings.refuse(f"the header gives {value:g} as the {name}", "Correct the header of the file.")


def check_negative(name: str, values: Hours, findings: Findings) -> None:
    """Irradiance must not be negative beyond a sensor's offset at night."""
    low = np.flatnonzero(values < -limit("irradiance_negative"))
    if low.size:
        text = f"{name} is negative, down to {values.min():.0f} W/m2, first {name_hours(low)}"
        findings.refuse(text, "Look for a code for missing values, or a faulty sensor.")
    elif slightly := int((values < 0).sum()):
        findings.remark(f"{name} was slightly negative in {slightly} hours and set to 0")


def check_irradiance_unit(ghi: Hours, findings: Findings) -> None:
    """The highest hour and the year's sum must be believable; names the unit that would explain them."""
    peak, year = float(ghi.max()), float(ghi.sum() / 1000)

    def fits(factor: float) -> bool:
        peak_fits = limit("ghi_peak_min") <= peak / factor <= limit("irradiance_max")
        return peak_fits and limit("ghi_year_min") <= year / factor <= limit("ghi_year_max")

    if not fits(1.0):
        units = {3.6: "kJ/m2 an hour", 0.001: "kW/m2", 0.0036: "MJ/m2 an hour"}
        unit = next((name for factor, name in units.items() if fits(factor)), None)
        cause = f": the unit is probably {unit} instead of W/m2" if unit else ""
        text = f"ghi sums to {year:.4g} kWh/m2 a year with a highest hour of {peak:.4g} W/m2{cause}"
        findings.refuse(text, "Irradiance must be the mean of the hour in W/m2.")


def check_range(name: str, values: Hours, low: float, high: float, unit: str, findings: Findings) -> None:
    """No hour may lie outside ``low`` to ``high``."""
    beyond = np.flatnonzero((values < low) | (values > high))
    if beyond.size:
        text = f"{name} is {values[beyond[0]]:g}, outside {low:g} to {high:g} {unit}, at {name_hours(beyond)}"
        findings.refuse(text, f"Look for a code for missing values or a unit other than {unit}.")


def closure_residual(ghi: Hours, dni: Hours, dhi: Hours, zenith: Hours) -> float:
    """Mean absolute residual of GHI = DHI + DNI cos z over mean GHI; zenith in degrees at mid-hour."""
    beam = dni * np.maximum(np.cos(np.radians(zenith)), 0.0)
    return float(np.abs(ghi - dhi - beam).mean() / ghi.mean())


def check_closure(ghi: Hours, dni: Hours, dhi: Hours, zenith: Hours, findings: Findings) -> None:
    """The components of irradiance must agree; names a mistake in the columns that would explain it."""
    residual = closure_residual(ghi, dni, dhi, zenith)
    if residual <= limit("closure_warn"):
        return
    text = f"GHI differs from DHI + DNI cos(zenith) by {100 * residual:.1f} % of mean GHI"
    if residual <= limit("closure_refuse"):
        findings.remark(text)
        return
    mistakes = {
        "DNI and DHI are exchanged": closure_residual(ghi, dhi, dni, zenith),
        "the DNI column holds the beam on the horizontal": closure_residual(ghi, dni, dhi, np.zeros_like(zenith)),
    }
    cause, best = min(mistakes.items(), key=lambda mistake: mistake[1])
    if best > limit("closure_refuse"):
        cause = "the three do not come from one measurement or model"
    findings.refuse(f"{text}: {cause}", "Get a file whose components of irradiance belong together.")


def settle_albedo(albedo: Hours, findings: Findings) -> Hours:
    """Replace missing and unbelievable ground reflectance by the usual value, and say so."""
    good = (albedo >= limit("albedo_min")) & (albedo <= limit("albedo_max"))
    usual = limit("albedo")
    if not good.all():
        bad = int((~good).sum())
        where = f"in {bad} hours without a believable value" if good.any() else "all year, for want of data"
        findings.remark(f"ground reflectance {usual:g} was taken {where}")
    return np.where(good, albedo, usual)


def check_clocks(
    hours: pd.DataFrame, place: Place, stated_offset_h: float, correct_clock: bool, findings: Findings
) -> tuple[pd.DataFrame, str]:
    """Does irradiance follow the sun? Moves single months that provably do not, if that is asked for.

    ``place`` has the clock by which irradiance stands at mid-hour, ``stated_offset_h`` is the header's, by which
    likely mistakes are named. Returns the hours, and what was moved in words.
    """
    fit = fit_clock(hours["ghi"].to_numpy(), *place)
    check_clock(fit, place.longitude, stated_offset_h, findings)
    moved, words = clock_correction.with_moved_months(hours, fit, *place) if findings.refusals else (hours, "")
    if words and not correct_clock:
        findings.refusals = {text: f"{hint} {clock_correction.HINT}" for text, hint in findings.refusals.items()}
        return hours, ""
    if words:
        findings.refusals.clear()
        findings.remark(f"{words}; temperature, wind and rain stand as they were")
        check_clock(fit_clock(moved["ghi"].to_numpy(), *place), place.longitude, stated_offset_h, findings)
    return moved, words


def check_hours(raw: RawWeather, file_name: str, *, correct_clock: bool = False) -> CheckedHours:
    """Take a file's records through the gate.

    ``correct_clock`` asks for irradiance to be moved in months whose clock is provably wrong.

    Raises
    ------
    AftersunError
        At the first stage with findings that stop the file, naming all of that stage.
    """
    findings = Findings(file_name)
    check_place(raw, findings)
    hours = fill_holes(in_order(raw.hours, findings), findings)
    findings.settle()

    check_irradiance_unit(hours["ghi"].to_numpy(), findings)
    for name in IRRADIANCE:
        check_negative(name, hours[name].to_numpy(), findings)
    temp_air, wind_speed = hours["temp_air"].to_numpy(), hours["wind_speed"].to_numpy()
    check_range("temp_air", temp_air, limit("temp_air_min"), limit("temp_air_max"), "deg C", findings)
    check_range("wind_speed", wind_speed, 0.0, limit("wind_speed_max"), "m/s", findings)
    findings.settle()
    hours = hours.assign(**{name: np.maximum(hours[name].to_numpy(), 0.0) for name in IRRADIANCE})
    for name in ("dni", "dhi"):
        check_range(name, hours[name].to_numpy(), 0.0, limit("irradiance_max"), "W/m2", findings)
    findings.settle()

    # An instant past the beginning of the hour is the middle of the hour by another clock.
    clock = Place(raw.latitude, raw.longitude, raw.utc_offset_h + 0.5 - raw.instants.irradiance_h)
    hours, moved = check_clocks(hours, clock, raw.utc_offset_h, correct_clock, findings)
    findings.settle()
    hours = to_mid_hours(hours, raw, findings)

    ghi, dni, dhi = (hours[name].to_numpy() for name in IRRADIANCE)
    sun = sun_position(year_times(raw.zone_h), raw.latitude, raw.longitude, raw.elevation_m)
    check_night(ghi, raw.latitude, raw.longitude, raw.zone_h, findings)
    check_closure(ghi, dni, dhi, sun["zenith"].to_numpy(), findings)
    hours = hours.assign(albedo=settle_albedo(hours["albedo"].to_numpy(), findings))
    findings.settle()
    return CheckedHours(hours, tuple(findings.remarks), moved)
