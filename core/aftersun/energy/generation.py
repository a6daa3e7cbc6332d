"""From light to AC output in the lit hours of the year.

References
----------
.. [1] A. Dobos, NREL/TP-6A20-62641, 2014. :doi:`10.2172/1158421`
.. [2] A. and M. Meinel, "Applied Solar Energy", 1976: beam through a clear sky, 0.7 to the power of airmass^0.678.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

import numpy as np
import numpy.typing as npt
from pvlib import atmosphere, pvsystem

from aftersun.energy.assumptions import Float32s, system_values
from aftersun.energy.planes import PlaneHours, few_sites, lit_hours, plant_hours_in_parts
from aftersun.energy.shunt import low_light_factor
from aftersun.energy.soiling import distinct_ratios
from aftersun.model.cohort import Cohort
from aftersun.model.plant import PER_ARRAY, Plant
from aftersun.model.ranges import Floats
from aftersun.model.weather import HOURS_PER_YEAR, WeatherYear

# Losses of an array in the order of the chain, which is that of the plant's columns; each multiplies by (1 - loss).
ARRAY_LOSSES = tuple(name for name in PER_ARRAY if name.endswith("_loss"))
# Of these, what takes more of some hours than of others.
LOSSES_BY_HOUR = ("shading_loss", "wiring_loss", "connection_loss")
_MOST_OF_AN_HOUR = 0.9  # what they take; the rest of a greater loss is taken alike from all hours
_OF_SITES = ("inverter_rating_kw", "inverter_efficiency", "calibration")
# The columns of a plant on which what it generates while it runs depends.
DECIDE_ON_GENERATION = (*PER_ARRAY, *_OF_SITES)
_NO_INVERTER_KW = 1e-9  # stands for 0, which the inverter model divides by
_REFERENCE_EFFICIENCY = 0.9637  # of the inverter that the model's curve was fitted to


def cell_temp(hours: PlaneHours, plant: Plant) -> Float32s:
    """Return cell temperature with the array's own excess over its mounting, degrees C, (A, L)."""
    if not plant.extra_temp_k.any():
        return hours.cell_temp
    return hours.cell_temp + _column(plant.extra_temp_k / 1000) * hours.poa


def before_losses(hours: PlaneHours, temperature: Float32s, plant: Plant) -> Float32s:
    """Return DC output of clean, new, unshaded arrays with the DC power model of [1]_, kW, (A, L)."""
    output: Float32s = pvsystem.pvwatts_dc(
        hours.effective, temperature, _column(plant.dc_rating_kw), _column(plant.temp_coefficient_per_k)
    )
    return output


def soiling_lit(cohort: Cohort, plant: Plant, values: Mapping[str, float]) -> tuple[Float32s, npt.NDArray[np.intp]]:
    """Return the K distinct soiling ratios in the lit hours (K, L), and which one each array has (A,)."""
    distinct, index = distinct_ratios(
        cohort.weather,
        plant.soiling_rate_per_day,
        plant.rain_threshold_mm,
        values["default_soiling_loss"],
        plant.washes_per_year,
    )
    return distinct[:, lit_hours(cohort.weather)], index


def add_low_light_loss(dc: Float32s, hours: PlaneHours, plant: Plant) -> None:
    """Take off ``dc`` (A, L), in place, what damaged shunts lose in low light beyond their loss in full sun."""
    loss = plant.excess_loss * plant.shunt_share
    rows = np.flatnonzero(loss > 0)
    if len(rows):
        dc[rows] *= low_light_factor(hours.effective[rows], loss[rows])


def add_losses_by_hour(dc: Float32s, weather: WeatherYear, plant: Plant, values: Mapping[str, float]) -> None:
    """Take off ``dc`` (A, L), in place, what some hours lose more of than others; the year's shares are the plant's.

    Trees and buildings hide the low sun: what they take falls with the sun's height, to 1/e at ``shade_height_deg``.
    What cables and plugs take of a current grows with it.
    """
    _take_off(dc, plant.shading_loss, _low_sun(weather, values["shade_height_deg"]))
    _take_off(dc, 1 - (1 - plant.wiring_loss) * (1 - plant.connection_loss), dc)


def _low_sun(weather: WeatherYear, scale_deg: float) -> Float32s:
    height = 90 - weather.zenith[lit_hours(weather)]
    share: Float32s = np.exp(-np.maximum(height, 0) / scale_deg).astype(np.float32)[np.newaxis]
    return share


def _take_off(dc: Float32s, loss: Floats, weight: Float32s) -> None:
    """Take ``loss`` (A,) of each row of ``dc`` (A, L), in place: of each hour a share in proportion to ``weight``."""
    mean = np.vecdot(dc, weight) / np.maximum(dc.sum(axis=1), 1e-9)
    wanted = loss / np.maximum(mean, 1e-9)
    slope = np.minimum(wanted, _MOST_OF_AN_HOUR / np.maximum(weight.max(axis=1, initial=0), 1e-9))
    rest = np.where(slope < wanted, (1 - loss) / (1 - slope * mean), 1.0)
    dc *= 1 - _column(slope) * weight
    if (rest < 1).any():
        dc *= _column(rest)


def constant_share(plant: Plant, left_out: Collection[str] = ()) -> Floats:
    """Return the share of a year's output left by what does not depend on the weather, per array (A,)."""
    left = plant.transmittance * plant.strings_working * plant.ageing
    for name in ARRAY_LOSSES:
        if name not in left_out:
            left = left * (1 - getattr(plant, name))
    return left


def dc_by_site(site: npt.NDArray[np.intp], size: int, per_array: Float32s) -> Float32s:
    """Add up (A, L) to (S, L) in the order of the arrays of each site, so that other sites do not matter.

    ``site`` has the position of each array's site, rising; ``size`` is S.
    """
    total = np.zeros((size, per_array.shape[1]), dtype=np.float32)
    ordinal = np.arange(len(site)) - np.searchsorted(site, site)
    for turn in range(int(ordinal.max(initial=-1)) + 1):
        rows = np.flatnonzero(ordinal == turn)
        total[site[rows]] += per_array[rows]
    return total


def dc_limit_kw(plant: Plant) -> Floats:
    """Return the DC power at which the inverters reach their AC rating, kW (S,)."""
    return np.maximum(plant.inverter_rating_kw / plant.inverter_efficiency, _NO_INVERTER_KW)


def spread_within_hours(weather: WeatherYear, values: Mapping[str, float]) -> Float32s:
    """Return how far output strays from its mean within each lit hour, as a share of it, (L,).

    Under broken cloud it swings; the less of a clear sky's beam [2]_ comes through in the hour, the more. A typical
    year has means of hours, above which inverters that are small for their arrays cut off more than of the means.
    """

    def compute() -> Float32s:
        lit = lit_hours(weather)
        pressure = atmosphere.alt2pres(weather.station.elevation_m)
        airmass = atmosphere.get_absolute_airmass(weather.airmass[lit], pressure)
        clear = weather.dni_extra[lit] * 0.7 ** (airmass**0.678)
        hidden = 1 - np.nan_to_num(weather.dni[lit] / clear)
        least, most = values["within_hour_least"], values["within_hour_most"]
        spread: Float32s = np.clip(least + values["within_hour_slope"] * np.maximum(hidden, 0), least, most).astype(
            np.float32
        )
        return spread

    return weather.once(("spread within hours", *(values[name] for name in _OF_SPREAD)), compute)


_OF_SPREAD = ("within_hour_least", "within_hour_slope", "within_hour_most")


def inverter_load(dc: Float32s, plant: Plant, spread: Float32s) -> Float32s:
    """Return the mean load of the inverters in each hour over that at their rating, 0..1, (S, L).

    Output is taken as spread evenly within the hour, by ``spread`` (L,) of its mean either way; what is above the
    rating is cut off.
    """
    load: Float32s = dc / _column(dc_limit_kw(plant))
    site, hour = np.nonzero(load * (1 + spread) > 1)
    mean, stray = load[site, hour], spread[hour]
    with np.errstate(divide="ignore"):
        cut = (mean * (1 + stray) - 1) ** 2 / (4 * mean * stray)
    load[site, hour] = np.where(mean * (1 - stray) >= 1, 1, mean - cut)
    return load


def ac_before_stops(load: Float32s, plant: Plant) -> Float32s:
    """Return AC output with the inverter model of [1]_ for loads of 0..1 of that at the rating, kW, (S, L).

    As ``pvlib.inverter.pvwatts``, written as a polynomial: a third of the time.
    """
    output = load * np.float32(-0.0162)
    output += np.float32(0.9858)
    output *= load
    output -= np.float32(0.0059)
    output *= _column(plant.inverter_efficiency / _REFERENCE_EFFICIENCY * dc_limit_kw(plant))
    np.maximum(output, 0, out=output)
    return output


def hourly_generation(cohort: Cohort, plant: Plant) -> Float32s:
    """Return what each site generates in each hour of the weather year, kWh (S, H)."""
    generated = np.zeros((len(cohort), HOURS_PER_YEAR), dtype=np.float32)
    for sites, part in generated_in_parts(cohort, plant, system_values(cohort.overrides)):
        generated[sites, lit_hours(cohort.weather)] = part * _column(plant.availability[sites])
    return generated


def annual_generation(cohort: Cohort, plant: Plant) -> Floats:
    """Return what each site generates, kWh a year (S,); less work than the whole balance."""
    generated = np.empty(len(cohort))
    for sites, part in generated_in_parts(cohort, plant, system_values(cohort.overrides)):
        generated[sites] = (part * _column(plant.availability[sites])).sum(axis=1, dtype=np.float64)
    return generated


def generated_in_parts(cohort: Cohort, plant: Plant, values: Mapping[str, float]) -> Iterator[tuple[slice, Float32s]]:
    """Yield a few sites and what they generate in the lit hours while they run, kWh an hour, until all had their turn.

    Stops are hours without output, not less output in all hours: ``availability`` is the share of hours that count.
    """
    site = cohort.arrays["site"].to_numpy(dtype=np.intp)
    ratios, ratio_of = soiling_lit(cohort, plant, values)
    spread = spread_within_hours(cohort.weather, values)
    sites, arrays = few_sites(cohort)
    for few, of_few, hours in zip(sites, arrays, plant_hours_in_parts(cohort, plant, arrays), strict=True):
        part = plant.take(few, of_few)
        dc = before_losses(hours, cell_temp(hours, part), part)
        dc *= ratios[ratio_of[of_few]]
        add_low_light_loss(dc, hours, part)
        add_losses_by_hour(dc, cohort.weather, part, values)
        dc *= _column(constant_share(part, LOSSES_BY_HOUR))
        dc = dc_by_site(site[of_few] - few.start, few.stop - few.start, dc)
        dc *= _column(part.calibration)
        yield few, ac_before_stops(inverter_load(dc, part, spread), part)


def _column(values: Floats) -> Float32s:
    return values.astype(np.float32)[:, None]
