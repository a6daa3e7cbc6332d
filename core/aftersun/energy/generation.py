"""From light to AC output in the lit hours of the year.

References
----------
.. [1] A. Dobos, NREL/TP-6A20-62641, 2014. :doi:`10.2172/1158421`
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import numpy.typing as npt
from pvlib import pvsystem

from aftersun.energy.assumptions import Float32s, system_values
from aftersun.energy.planes import PlaneHours, few_sites, lit_hours, plant_hours_in_parts
from aftersun.energy.shunt import low_light_factor
from aftersun.energy.soiling import distinct_ratios
from aftersun.model.cohort import Cohort
from aftersun.model.plant import PER_ARRAY, Plant
from aftersun.model.ranges import Floats
from aftersun.model.weather import HOURS_PER_YEAR

# Losses of an array in the order of the chain, which is that of the plant's columns; each multiplies by (1 - loss).
ARRAY_LOSSES = tuple(name for name in PER_ARRAY if name.endswith("_loss"))
_OF_SITES = ("inverter_rating_kw", "inverter_efficiency", "availability", "calibration")
# The columns of a plant on which what it generates depends.
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


def constant_share(plant: Plant) -> Floats:
    """Return the share of output left by everything that does not change within the year, per array (A,)."""
    left = plant.transmittance * plant.strings_working * plant.ageing
    for name in ARRAY_LOSSES:
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


_FULL_LOAD = np.float32(10)  # times the rating; clipped since long


def dc_limit_kw(plant: Plant) -> Floats:
    """Return the DC power at which the inverters reach their AC rating, kW (S,)."""
    return np.maximum(plant.inverter_rating_kw / plant.inverter_efficiency, _NO_INVERTER_KW)


def ac_before_stops(dc: Float32s, plant: Plant) -> Float32s:
    """Return AC output with the inverter model of [1]_, clipped at the rating, kW, (S, L).

    As ``pvlib.inverter.pvwatts``, written as a polynomial in the load of the inverter: a third of the time.
    """
    limit = dc_limit_kw(plant)
    load = dc / _column(limit)
    np.minimum(load, _FULL_LOAD, out=load)  # far beyond its range the polynomial would fall back to nothing
    output = load * np.float32(-0.0162)
    output += np.float32(0.9858)
    output *= load
    output -= np.float32(0.0059)
    output *= _column(plant.inverter_efficiency / _REFERENCE_EFFICIENCY * limit)
    np.maximum(output, 0, out=output)
    np.minimum(output, _column(plant.inverter_efficiency * limit), out=output)
    return output


def hourly_generation(cohort: Cohort, plant: Plant) -> Float32s:
    """Return what each site generates in each hour of the weather year, kWh (S, H)."""
    generated = np.zeros((len(cohort), HOURS_PER_YEAR), dtype=np.float32)
    for sites, part in generated_in_parts(cohort, plant, system_values(cohort.overrides)):
        generated[sites, lit_hours(cohort.weather)] = part
    return generated


def annual_generation(cohort: Cohort, plant: Plant) -> Floats:
    """Return what each site generates, kWh a year (S,); less work than the whole balance."""
    generated = np.empty(len(cohort))
    for sites, part in generated_in_parts(cohort, plant, system_values(cohort.overrides)):
        generated[sites] = part.sum(axis=1, dtype=np.float64)
    return generated


def generated_in_parts(cohort: Cohort, plant: Plant, values: Mapping[str, float]) -> Iterator[tuple[slice, Float32s]]:
    """Yield a few sites and what they generate in the lit hours, kWh an hour, until all had their turn."""
    site = cohort.arrays["site"].to_numpy(dtype=np.intp)
    ratios, ratio_of = soiling_lit(cohort, plant, values)
    sites, arrays = few_sites(cohort)
    for few, of_few, hours in zip(sites, arrays, plant_hours_in_parts(cohort, plant, arrays), strict=True):
        part = plant.take(few, of_few)
        dc = before_losses(hours, cell_temp(hours, part), part)
        dc *= ratios[ratio_of[of_few]]
        add_low_light_loss(dc, hours, part)
        dc *= _column(constant_share(part))
        dc = dc_by_site(site[of_few] - few.start, few.stop - few.start, dc)
        dc *= _column(part.calibration)
        ac = ac_before_stops(dc, part)
        ac *= _column(part.availability)
        yield few, ac


def _column(values: Floats) -> Float32s:
    return values.astype(np.float32)[:, None]
