"""From light to AC output in the lit hours of the year.

References
----------
.. [1] A. Dobos, "PVWatts Version 5 Manual", NREL/TP-6A20-62641, 2014. :doi:`10.2172/1158421`
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
from pvlib import inverter, pvsystem

from aftersun.energy.assumptions import Float32s
from aftersun.energy.planes import PlaneHours, lit_hours, plane_hours
from aftersun.energy.soiling import distinct_ratios
from aftersun.model.cohort import Cohort
from aftersun.model.plant import Plant
from aftersun.model.ranges import Floats

# Losses of an array in the order of the chain; each multiplies by (1 - loss).
ARRAY_LOSSES = (
    "droppings_loss",
    "shading_loss",
    "mismatch_loss",
    "wiring_loss",
    "connection_loss",
    "light_induced_loss",
    "nameplate_loss",
    "excess_loss",
)
_NO_INVERTER_KW = 1e-9  # stands for 0, which pvlib's formula divides by


def plant_hours(cohort: Cohort, plant: Plant) -> PlaneHours:
    """Return irradiance and cell temperature of every array in the lit hours, (A, L) each."""
    return plane_hours(cohort.weather, plant.tilt_deg, plant.azimuth_deg, plant.mounting, plant.ground_cover_ratio)


def cell_temp(hours: PlaneHours, plant: Plant) -> Float32s:
    """Return cell temperature with the array's own excess over its mounting, degrees C, (A, L)."""
    if not plant.extra_temp_k.any():
        return hours.cell_temp
    return hours.cell_temp + _column(plant.extra_temp_k / 1000) * hours.poa


def before_losses(hours: PlaneHours, temperature: Float32s, plant: Plant) -> Float32s:
    """Return DC output of clean, new, unshaded arrays with the PVWatts model [1]_, kW, (A, L)."""
    output: Float32s = pvsystem.pvwatts_dc(
        hours.effective, temperature, _column(plant.dc_rating_kw), _column(plant.temp_coefficient_per_k)
    )
    return output


def soiling_lit(cohort: Cohort, plant: Plant, values: Mapping[str, float]) -> Float32s:
    """Return the soiling ratio of every array in the lit hours, (A, L)."""
    distinct, index = distinct_ratios(
        cohort.weather, plant.soiling_rate_per_day, plant.rain_threshold_mm, values["default_soiling_loss"]
    )
    return distinct[:, lit_hours(cohort.weather)][index]


def constant_share(plant: Plant) -> Floats:
    """Return the share of output left by everything that does not change within the year, per array (A,)."""
    left = plant.transmittance * plant.strings_working * plant.ageing
    for name in ARRAY_LOSSES:
        left = left * (1 - getattr(plant, name))
    return left


def dc_by_site(cohort: Cohort, per_array: npt.NDArray[np.float32]) -> Float32s:
    """Add up (A, L) to (S, L) in the order of the arrays of each site, so that other sites do not matter."""
    site = cohort.arrays["site"].to_numpy(dtype=np.intp)
    total = np.zeros((len(cohort), per_array.shape[1]), dtype=np.float32)
    ordinal = np.arange(len(site)) - np.searchsorted(site, site)
    for turn in range(int(ordinal.max(initial=-1)) + 1):
        rows = np.flatnonzero(ordinal == turn)
        total[site[rows]] += per_array[rows]
    return total


def dc_limit_kw(plant: Plant) -> Floats:
    """Return the DC power at which the inverters reach their AC rating, kW (S,)."""
    return np.maximum(plant.inverter_rating_kw / plant.inverter_efficiency, _NO_INVERTER_KW)


def ac_before_stops(dc: Float32s, plant: Plant) -> Floats:
    """Return AC output with the PVWatts inverter model [1]_, clipped at the rating, kW, (S, L)."""
    output: Floats = inverter.pvwatts(dc, _column(dc_limit_kw(plant)), eta_inv_nom=_column(plant.inverter_efficiency))
    return output


def generated_lit(cohort: Cohort, plant: Plant, values: Mapping[str, float]) -> Float32s:
    """Return what each site generates in the lit hours, kWh an hour, (S, L)."""
    hours = plant_hours(cohort, plant)
    dc = before_losses(hours, cell_temp(hours, plant), plant)
    dc *= soiling_lit(cohort, plant, values)
    dc *= _column(constant_share(plant))
    ac = ac_before_stops(dc_by_site(cohort, dc), plant)
    ac *= plant.availability[:, None]
    return ac.astype(np.float32)


def _column(values: Floats) -> Float32s:
    return values.astype(np.float32)[:, None]
