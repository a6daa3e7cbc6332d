"""Where a system's energy goes on the way from the light on its planes to its AC output."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.energy.assumptions import Float32s, system_values
from aftersun.energy.generation import (
    ARRAY_LOSSES,
    LOSSES_BY_HOUR,
    ac_before_stops,
    add_losses_by_hour,
    add_low_light_loss,
    before_losses,
    cell_temp,
    constant_share,
    dc_by_site,
    dc_limit_kw,
    inverter_load,
    soiling_lit,
    spread_within_hours,
)
from aftersun.energy.planes import PlaneHours, few_sites, plant_hours_in_parts
from aftersun.model.cohort import Cohort
from aftersun.model.plant import Plant
from aftersun.model.ranges import Floats
from aftersun.model.weather import WeatherYear


def loss_chain(cohort: Cohort, plant: Plant) -> pd.DataFrame:
    """Return a year's energy per site in kWh, one row a site_id, one column a step in the order of the chain.

    ``in_plane_kwh`` is the light on the planes turned into electricity at the rating's efficiency. Each
    further column is what that step takes away (negative = it adds), and ``generated_kwh`` is what is left:
    ``in_plane_kwh - sum of the steps = generated_kwh``.
    """
    one_row = plant.replace(ground_cover_ratio=np.zeros_like(plant.tilt_deg))
    values = system_values(cohort.overrides)
    ratios, ratio_of = soiling_lit(cohort, plant, values)
    sites, arrays = few_sites(cohort)
    hours = (
        plant_hours_in_parts(replace(cohort, horizons={}), one_row, arrays),
        plant_hours_in_parts(cohort, one_row, arrays),
        plant_hours_in_parts(cohort, plant, arrays),
    )
    site = cohort.arrays["site"].to_numpy(dtype=np.intp)
    parts = [{name: np.empty(0) for name in _STEPS}]
    for few, of_few, free, skyline, seen in zip(sites, arrays, *hours, strict=True):
        part, position = plant.take(few, of_few), site[of_few] - few.start
        soiling = ratios[ratio_of[of_few]]
        parts.append(_left(part, position, free.poa, skyline.poa, seen, soiling, cohort.weather, values))
    left = {name: np.concatenate([part[name] for part in parts]) for name in _STEPS}
    steps = {f"{name}_kwh": left[before] - left[name] for before, name in pairwise(_STEPS)}
    return pd.DataFrame(
        {"in_plane_kwh": left["in_plane"], **steps, "generated_kwh": left["stops"]}, index=cohort.sites.index
    )


_CONSTANT = tuple(name.removesuffix("_loss") for name in ARRAY_LOSSES if name != "excess_loss")
_STEPS = (
    *("in_plane", "horizon", "row_shading", "incidence", "temperature", "soiling", "shunts_in_low_light"),
    *("transmittance", *_CONSTANT, "ageing", "excess_degradation", "open_strings", "calibration"),
    *("clipping", "inverter", "stops"),
)


def _left(
    plant: Plant,
    site: npt.NDArray[np.intp],
    free_poa: Float32s,
    skyline_poa: Float32s,
    hours: PlaneHours,
    soiling: Float32s,
    weather: WeatherYear,
    values: Mapping[str, float],
) -> dict[str, Floats]:
    """Return what is left after each step, kWh a year per site; ``site`` has the position of each array's site."""
    dc = before_losses(hours, cell_temp(hours, plant), plant)
    soiled = dc * soiling
    shunted = soiled.copy()
    add_low_light_loss(shunted, hours, plant)
    left = {
        "in_plane": _rated_kwh(free_poa, plant),
        "horizon": _rated_kwh(skyline_poa, plant),
        "row_shading": _rated_kwh(hours.poa, plant),
        "incidence": _rated_kwh(hours.effective, plant),
        "temperature": _year(dc),
        "soiling": _year(soiled),
        "shunts_in_low_light": _year(shunted),
    }
    factors = {
        "transmittance": plant.transmittance,
        **{name: 1 - getattr(plant, f"{name}_loss") for name in _CONSTANT},
        "ageing": plant.ageing,
        "excess_degradation": 1 - plant.excess_loss,
        "open_strings": plant.strings_working,
        "calibration": plant.calibration[site],
    }
    share = np.ones_like(plant.tilt_deg)  # these steps need the year's sum only
    for name, factor in factors.items():
        share = share * factor
        left[name] = left["shunts_in_low_light"] * share
    size = len(plant.availability)
    of_site: dict[str, Floats] = {
        name: np.bincount(site, energy, size).astype(np.float64) for name, energy in left.items()
    }
    add_losses_by_hour(shunted, weather, plant, values)
    shunted *= (constant_share(plant, LOSSES_BY_HOUR) * plant.calibration[site]).astype(np.float32)[:, None]
    load = inverter_load(dc_by_site(site, size, shunted), plant, spread_within_hours(weather, values))
    of_site["clipping"] = _year(load) * dc_limit_kw(plant)
    of_site["inverter"] = _year(ac_before_stops(load, plant))
    of_site["stops"] = of_site["inverter"] * plant.availability
    return of_site


def _rated_kwh(irradiance: np.ndarray, plant: Plant) -> Floats:
    return _year(irradiance) / 1000 * plant.dc_rating_kw


def _year(hours: np.ndarray) -> Floats:
    total: Floats = hours.sum(axis=1, dtype=np.float64)
    return total
