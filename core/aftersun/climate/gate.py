"""The quality gate: can these hours be believed? Each check is one small function that returns findings.

The checks stand in stages, because a later one makes sense only where the earlier ones hold: the hours and
the place, values and units, the clock, and last whether the components of irradiance agree.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from aftersun.climate.clock import check_clock, check_night, fit_clock
from aftersun.climate.findings import Finding, refusal, settle
from aftersun.climate.formats import RawWeather
from aftersun.climate.hours import fill_holes, in_order, name_hours
from aftersun.climate.limits import limit
from aftersun.climate.sun import sun_position, year_times
from aftersun.model.weather import Hours

IRRADIANCE = ("ghi", "dni", "dhi")


def check_place(raw: RawWeather) -> list[Finding]:
    """Latitude, longitude, height and time zone must be possible."""
    bounds = {
        "latitude": (raw.latitude, -90.0, 90.0),
        "longitude": (raw.longitude, -180.0, 180.0),
        "height above sea level": (raw.elevation_m, -430.0, 9000.0),
        "time zone": (raw.utc_offset_h, -12.0, 14.0),
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


def check_hours(raw: RawWeather, file_name: str) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Take a file's records through the gate.

    Returns
    -------
    hours : DataFrame
        8760 rows in calendar order with the columns of the raw hours; rain as in the file, all else settled.
    remarks : tuple of str
        What was noticed or changed.

    Raises
    ------
    AftersunError
        At the first stage with findings that stop the file, naming all of that stage.
    """
    ordered, found = in_order(raw.hours)
    hours, holes = fill_holes(ordered)
    remarks = settle([*check_place(raw), *found, *holes], file_name)

    values = {name: hours[name].to_numpy() for name in (*IRRADIANCE, "temp_air", "wind_speed", "albedo")}
    found = check_irradiance_unit(values["ghi"])
    for name in IRRADIANCE:
        found += check_negative(name, values[name])
    found += check_range("temp_air", values["temp_air"], limit("temp_air_min"), limit("temp_air_max"), "deg C")
    found += check_range("wind_speed", values["wind_speed"], 0.0, limit("wind_speed_max"), "m/s")
    remarks += settle(found, file_name)
    ghi, dni, dhi = (np.maximum(values[name], 0.0) for name in IRRADIANCE)
    found = check_range("dni", dni, 0.0, limit("irradiance_max"), "W/m2")
    remarks += settle([*found, *check_range("dhi", dhi, 0.0, limit("irradiance_max"), "W/m2")], file_name)

    place = (raw.latitude, raw.longitude, raw.utc_offset_h)
    remarks += settle(check_clock(fit_clock(ghi, *place), raw.longitude, raw.utc_offset_h), file_name)

    sun = sun_position(year_times(raw.utc_offset_h), raw.latitude, raw.longitude, raw.elevation_m)
    closure = check_closure(ghi, dni, dhi, sun["zenith"].to_numpy())
    albedo, replaced = settle_albedo(values["albedo"])
    remarks += settle([*check_night(ghi, *place), *closure, *replaced], file_name)
    return hours.assign(ghi=ghi, dni=dni, dhi=dhi, albedo=albedo), remarks
