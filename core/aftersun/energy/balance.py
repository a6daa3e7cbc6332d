"""The hourly energy balance of every site of a cohort."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from aftersun.energy import hot_water
from aftersun.energy.assumptions import Float32s, system_values
from aftersun.energy.battery import run_batteries
from aftersun.energy.demand import direct_use
from aftersun.energy.generation import generated_lit
from aftersun.energy.planes import lit_hours
from aftersun.model.cohort import Cohort
from aftersun.model.energy import Energy
from aftersun.model.plant import Plant
from aftersun.model.weather import HOURS_PER_YEAR


def simulate(cohort: Cohort, plant: Plant) -> Energy:
    """Return the hourly balance of S sites over the weather year, each column (S, H) in kWh.

    What is generated serves, in this order: the household's load at once, the battery, the diverter's
    element, electric water heating that runs in that hour, the grid up to the export limit; the rest is
    curtailed. One site alone gives the same bits as in a batch. An unknown name in ``cohort.overrides``
    raises AftersunError.
    """
    values = system_values(cohort.overrides)
    lit = lit_hours(cohort.weather)
    load = household_load(cohort, plant)

    generated = generated_lit(cohort, plant, values)
    used = direct_use(load[:, lit], generated, values["load_evenness"])
    surplus = generated - used
    unmet = load.copy()
    unmet[:, lit] -= used

    _add_batteries(plant, lit, used, surplus, unmet, values)
    water_backup, diverted = _water(cohort, plant, lit, used, surplus, unmet, values)
    exported = np.minimum(surplus, plant.export_limit_kw.astype(np.float32)[:, None])
    return Energy(
        generated=_whole_year(generated, lit),
        used=_whole_year(used, lit),
        to_water=diverted,
        exported=_whole_year(exported, lit),
        curtailed=_whole_year(surplus - exported, lit),
        imported=unmet,
        water_backup=water_backup,
    )


def household_load(cohort: Cohort, plant: Plant) -> Float32s:
    """Return electricity without water heating, standby of added devices included, kWh an hour, (S, H)."""
    shapes = cohort.load_shapes.astype(np.float32)
    load: Float32s = shapes[cohort.sites["load_shape"].to_numpy(dtype=np.intp)]
    load *= plant.demand_kwh.astype(np.float32)[:, None]
    load += (plant.standby_kwh / HOURS_PER_YEAR).astype(np.float32)[:, None]
    return load


def _add_batteries(
    plant: Plant,
    lit: npt.NDArray[np.intp],
    used: Float32s,
    surplus: Float32s,
    unmet: Float32s,
    values: Mapping[str, float],
) -> None:
    """Let the batteries move energy from ``surplus`` to ``used`` and take it off ``unmet``, in place."""
    sites = np.flatnonzero(plant.battery_kwh > 0)
    if not len(sites):
        return
    taken, given = run_batteries(
        _whole_year(surplus[sites], lit),
        unmet[sites],
        plant.battery_kwh[sites],
        plant.battery_kw[sites],
        values["battery_round_trip_efficiency"],
    )
    used[sites] += taken[:, lit]
    surplus[sites] -= taken[:, lit]
    unmet[sites] -= given


def _water(
    cohort: Cohort,
    plant: Plant,
    lit: npt.NDArray[np.intp],
    used: Float32s,
    surplus: Float32s,
    unmet: Float32s,
    values: Mapping[str, float],
) -> tuple[Float32s, Float32s]:
    """Heat the stores: change ``used``, ``surplus``, ``unmet`` in place, return backup, diverted (S, H)."""
    backup, diverted = (np.zeros((len(cohort), HOURS_PER_YEAR), dtype=np.float32) for _ in range(2))
    store = hot_water.has_store(plant)
    present = np.flatnonzero(store & (plant.diverter_kw <= 0))
    for site, heat in zip(
        present,
        hot_water.present_backup(cohort.weather, hot_water.Stores.of(plant, present), values),
        strict=True,
    ):
        backup[site] = heat
    fed = np.flatnonzero(store & (plant.diverter_kw > 0))
    if len(fed):
        offer = _whole_year(_diverter_offer(surplus[fed], plant.diverter_kw[fed], values), lit)
        year = hot_water.run_stores(cohort.weather, hot_water.Stores.of(plant, fed), offer, values)
        backup[fed], diverted[fed] = year.backup, year.diverted
        surplus[fed] -= diverted[fed][:, lit]
    heated = np.flatnonzero(store)
    backup[heated] /= plant.water_efficiency[heated].astype(np.float32)[:, None]

    electric = np.flatnonzero(store & np.isin(plant.water_heat, hot_water.ELECTRIC_HEATERS))
    wanted = backup[electric]
    unmet[electric] += wanted
    at_once = np.minimum(wanted[:, lit], surplus[electric])
    used[electric] += at_once
    surplus[electric] -= at_once
    unmet[np.ix_(electric, lit)] -= at_once
    return backup, diverted


def _diverter_offer(surplus: Float32s, element_kw: npt.NDArray[np.float64], values: Mapping[str, float]) -> Float32s:
    """Return what diverters could take: surplus above the margin, from the least power to the element's."""
    above = surplus - np.float32(values["diverter_margin_kw"])
    offer: Float32s = np.minimum(above, element_kw.astype(np.float32)[:, None])
    offer[above < values["diverter_least_kw"]] = 0
    return offer


def _whole_year(lit_values: Float32s, lit: npt.NDArray[np.intp]) -> Float32s:
    year = np.zeros((len(lit_values), HOURS_PER_YEAR), dtype=np.float32)
    year[:, lit] = lit_values
    return year
