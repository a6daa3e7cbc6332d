"""Where a system's energy goes on the way from the light on its planes to its AC output."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd

from aftersun.energy.assumptions import system_values
from aftersun.energy.generation import (
    ARRAY_LOSSES,
    ac_before_stops,
    before_losses,
    cell_temp,
    dc_by_site,
    dc_limit_kw,
    plant_hours,
    soiling_lit,
)
from aftersun.energy.planes import plane_hours
from aftersun.model.cohort import Cohort
from aftersun.model.plant import Plant
from aftersun.model.ranges import Floats


def loss_chain(cohort: Cohort, plant: Plant) -> pd.DataFrame:
    """Return a year's energy per site in kWh, one row a site_id, one column a step in the order of the chain.

    ``in_plane_kwh`` is the light on the planes turned into electricity at the rating's efficiency. Each
    further column is what that step takes away (negative = it adds), and ``generated_kwh`` is what is left:
    ``in_plane_kwh - sum of the steps = generated_kwh``.
    """
    values = system_values(cohort.overrides)
    hours = plant_hours(cohort, plant)
    alone = plane_hours(
        cohort.weather, plant.tilt_deg, plant.azimuth_deg, plant.mounting, np.zeros_like(plant.tilt_deg)
    )
    dc = before_losses(hours, cell_temp(hours, plant), plant)
    soiled = dc * soiling_lit(cohort, plant, values)

    # What is left after each step, kWh a year per array; constant steps need the year's sum only.
    left: dict[str, Floats] = {
        "in_plane": _rated_kwh(alone.poa, plant),
        "row_shading": _rated_kwh(hours.poa, plant),
        "incidence": _rated_kwh(hours.effective, plant),
        "temperature": _year(dc),
        "soiling": _year(soiled),
    }
    share = np.ones_like(plant.tilt_deg)
    factors = {
        "transmittance": plant.transmittance,
        **{name.removesuffix("_loss"): 1 - getattr(plant, name) for name in ARRAY_LOSSES if name != "excess_loss"},
        "ageing": plant.ageing,
        "excess_degradation": 1 - plant.excess_loss,
        "open_strings": plant.strings_working,
    }
    for name, factor in factors.items():
        share = share * factor
        left[name] = left["soiling"] * share
    per_site = {name: cohort.sum_by_site(energy) for name, energy in left.items()}

    site_dc = dc_by_site(cohort, soiled * share.astype(np.float32)[:, None])
    clipped = np.minimum(site_dc, dc_limit_kw(plant).astype(np.float32)[:, None])
    per_site["clipping"] = _year(clipped)
    per_site["inverter"] = _year(ac_before_stops(clipped, plant))
    per_site["stops"] = per_site["inverter"] * plant.availability

    names = list(per_site)
    steps = {f"{name}_kwh": per_site[before] - per_site[name] for before, name in pairwise(names)}
    return pd.DataFrame(
        {"in_plane_kwh": per_site["in_plane"], **steps, "generated_kwh": per_site["stops"]},
        index=cohort.sites.index,
    )


def _rated_kwh(irradiance: np.ndarray, plant: Plant) -> Floats:
    return _year(irradiance) / 1000 * plant.dc_rating_kw


def _year(hours: np.ndarray) -> Floats:
    total: Floats = hours.sum(axis=1, dtype=np.float64)
    return total
