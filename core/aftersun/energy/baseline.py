"""The baseline plant from the facts of the inventory; expected values where a fact is unknown."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from aftersun.energy import hot_water
from aftersun.energy.assumptions import NO_OVERRIDES, Float32s, system_values
from aftersun.energy.demand import OWN_SPREAD, yearly_demand
from aftersun.energy.generation import before_losses
from aftersun.energy.geometry import FRAMES, geometry, mounting_of
from aftersun.energy.planes import in_parts, plane_hours
from aftersun.energy.shunt import full_sun_loss
from aftersun.model import tables
from aftersun.model.cohort import Cohort
from aftersun.model.plant import PER_ARRAY, PER_SITE, Plant, Texts
from aftersun.model.ranges import Bools, Floats
from aftersun.model.uses import is_home
from aftersun.model.weather import HOURS_PER_YEAR

Values = Mapping[str, float]

BOILERS = ("gas boiler", "oil boiler", "lpg boiler", "combi boiler")
# Where this degradation is not expected: other cells, strings held near earth potential, low voltages.
_OTHER_CELLS = ("n-type crystalline", "thin film")
_LOW_OR_ISOLATED = ("isolated", "module level")
_LOSSES_KEPT = 20_000  # a number each
# All that the loss in full sun of an array depends on, beside its skyline and the weather.
_DECIDE_ON_FULL_SUN = (
    *("tilt_deg", "azimuth_deg", "mounting", "ground_cover_ratio"),
    *("dc_rating_kw", "temp_coefficient_per_k", "excess_loss", "shunt_share"),
)
FACTS_OF_BASELINE = ("birds_seen", "open_string")  # yes/no facts of facts.csv that the baseline plant depends on


def baseline(cohort: Cohort, overrides: Mapping[str, float] = NO_OVERRIDES) -> Plant:
    """Return the baseline plant of a cohort.

    Known facts are taken as they are; unknown ones take the value of ``system.csv``, which
    ``cohort.overrides`` and ``overrides`` replace by name. Yes/no facts that are unknown enter with their
    chance (``cohort.priors``, else ``facts.csv``). An unknown name in the overrides raises AftersunError.
    """

    def build() -> Plant:
        values = system_values({**cohort.overrides, **overrides})
        plant = Plant(**_array_columns(cohort, values), **_site_columns(cohort, values))
        demand = _household_demand(cohort, plant, values)
        return plant.replace(demand_kwh=demand, excess_loss=_loss_in_full_sun(cohort, plant))

    return build() if overrides else cohort.once("the baseline plant", build)


def _array_columns(cohort: Cohort, values: Values) -> dict[str, Any]:
    sites, arrays = cohort.sites, cohort.arrays
    site = arrays["site"].to_numpy(dtype=np.intp)
    mounting = mounting_of(cohort)
    in_rows = np.isin(mounting, FRAMES)
    age = cohort.age_years(values["unknown_age_years"])
    year_loss, shunt_share = _excess_loss(sites, values)
    planes = geometry(cohort, values)
    columns: dict[str, Any] = {
        "tilt_deg": planes["tilt_deg"],
        "summer_tilt_deg": planes["tilt_deg"],
        "winter_tilt_deg": planes["tilt_deg"],
        "azimuth_deg": planes["azimuth_deg"],
        "ground_cover_ratio": np.where(in_rows, _numbers(arrays["ground_cover_ratio"], 0.0), 0.0),
        "dc_rating_kw": planes["dc_rating_kw"],
        "mounting": mounting,
        "temp_coefficient_per_k": _numbers(arrays["temp_coefficient_pct_per_k"], 100 * values["temp_coefficient_per_k"])
        / 100,
        "soiling_rate_per_day": (_soiling_rates(sites) * values["soiling_rate_factor"])[site],
        "droppings_loss": (_chance(cohort, "birds_seen") * values["droppings_loss_nested"])[site],
        "washes_per_year": _numbers(sites["cleanings_per_year"], 0.0)[site],
        "shading_loss": _shading_loss(cohort, values),
        "excess_loss": year_loss[site],  # becomes that in full sun once the light is known
        "shunt_share": shunt_share[site],
        "ageing": (1 - values["ageing_per_year"]) ** age[site],
        "strings_working": _strings_working(cohort, values)[site],
    }
    same_everywhere = {
        "tilt_positions": 1.0,
        "turn_limit_deg": 0.0,
        "axis_tilt_deg": 0.0,
        "axis_azimuth_deg": 180.0,
        "backtracks": 0.0,
        "extra_temp_k": 0.0,
        "transmittance": 1.0,
        "rain_threshold_mm": values["rain_threshold_mm"],
        **{name: values[name] for name in PER_ARRAY if name not in columns and name in values},
    }
    return columns | {name: np.full(len(arrays), value) for name, value in same_everywhere.items()}


def _site_columns(cohort: Cohort, values: Values) -> dict[str, Any]:
    sites, size = cohort.sites, len(cohort)
    rating = _numbers(sites["inverter_rating_kw"])
    guess = cohort.sum_by_site(geometry(cohort, values)["dc_rating_kw"]) / values["dc_ac_ratio"]
    battery = _numbers(sites["battery_kwh"], 0.0)
    water_heat = _texts(sites["water_heat"], "")
    usual_store = np.where(hot_water.keeps_store(water_heat), values["unknown_store_litres"], 0.0)
    store = _numbers(sites["water_store_litres"], usual_store)
    insulation = _numbers(sites["water_store_insulation_mm"], values["unknown_insulation_mm"])
    loss_kwh_per_day = hot_water.standing_loss_kwh_per_day(store, insulation, values)
    home = is_home(sites)
    demand = yearly_demand(sites, values)
    own_base, own_evenness = (_numbers(sites[name]) if name in sites else np.full(size, np.nan) for name in OWN_SPREAD)
    no_export = _texts(sites["export_rule"], "") == "no export"
    limit = _numbers(sites["export_limit_kw"], np.inf)
    if "export_limit_share" in sites:
        dc_kw = cohort.sum_by_site(geometry(cohort, values)["dc_rating_kw"])
        limit = np.fmin(limit, _numbers(sites["export_limit_share"]) * dc_kw)  # NaN where unknown
    columns: dict[str, Any] = {
        "inverter_rating_kw": np.where(np.isnan(rating), guess, rating),
        "export_limit_kw": np.where(no_export, 0.0, limit),
        "demand_kwh": demand,
        "base_load_kw": _filled(own_base, values["base_load_share"]) * demand / HOURS_PER_YEAR,
        "load_evenness": _filled(own_evenness, _load_evenness(demand, home, values)),
        "battery_kwh": battery,
        "battery_kw": battery * values["battery_kw_per_kwh"],
        "store_litres": store,
        "store_loss_w_per_k": loss_kwh_per_day * 1000 / 24 / values["store_loss_difference_k"],
        "draw_litres_per_day": _draw_litres(sites, home, values),
        "water_heat": water_heat,
        "water_efficiency": _water_efficiency(water_heat, values),
        "heater_kw": _heater_kw(sites, water_heat, values),
        "heating_hours": hot_water.usual_hours(water_heat),
    }
    no_waiting_load = {name: 0.0 for name in PER_SITE if name.startswith("waiting_")}
    same_everywhere = {"standby_kwh": 0.0, "diverter_kw": 0.0, "calibration": 1.0, **no_waiting_load} | {
        name: values[name]
        for name in ("inverter_efficiency", "availability", "ageing_per_year", "store_set_c", "store_max_c")
    }
    return columns | {name: np.full(size, value) for name, value in same_everywhere.items()}


def _draw_litres(sites: pd.DataFrame, home: Bools, values: Values) -> Floats:
    """Return hot water a day, per site: known, else at a home by its people, elsewhere what is usual."""
    occupants = _numbers(sites["occupants"], values["unknown_occupants"])
    of_home = hot_water.litres_per_day(occupants, values) * values["water_draw_factor"]
    return _numbers(sites["hot_water_litres_per_day"], np.where(home, of_home, values["unknown_business_litres"]))


def _load_evenness(demand_kwh: Floats, home: Bools, values: Values) -> Floats:
    """Return how even the load is within the hour, per site: that of a home, where nobody lives more by size.

    It grows in steps of an eighth of a doubling, so that a chunk has few distinct ones.
    """
    size = np.where(home, 1.0, np.maximum(demand_kwh / values["unknown_demand_kwh"], 1.0))
    steps = np.round(8 * values["load_evenness_growth"] * np.log2(size))
    return values["load_evenness"] * np.exp2(steps / 8)


def _shading_loss(cohort: Cohort, values: Values) -> Floats:
    """Return the known loss, else what is usual; where the skyline is known, it holds most of it. Per array."""
    seen = np.array([horizon is not None for horizon in cohort.array_horizons()], dtype=bool)
    unknown = np.where(seen, values["shading_loss_beside_horizon"], values["shading_loss"])
    return _numbers(cohort.arrays["shading_pct"], 100 * unknown) / 100


def _excess_loss(sites: pd.DataFrame, values: Values) -> tuple[Floats, Floats]:
    """Return the share of a year's output lost, and the part of it that is a shunt's, per site.

    The loss is the measured one, else its expected value where nothing known rules potential-induced shunting
    out. What is measured may have another cause; what is expected has none.
    """
    cells, topology = _texts(sites["cell_type"], ""), _texts(sites["inverter_topology"], "")
    ruled_out = np.isin(cells, _OTHER_CELLS) | np.isin(topology, _LOW_OR_ISOLATED)
    measured = _numbers(sites["measured_excess_loss"])
    unmeasured = np.isnan(measured)
    expected = np.where(ruled_out, 0.0, values["excess_loss_chance"] * values["excess_loss_size"])
    shunts = np.where(ruled_out, 0.0, np.where(unmeasured, 1.0, values["shunt_share"]))
    return np.where(unmeasured, expected, measured), shunts


def _loss_in_full_sun(cohort: Cohort, plant: Plant) -> Floats:
    """Return the excess loss in full sun where the plant still has that of the year, per array.

    Each distinct array is computed once for a weather year.
    """
    horizons = cohort.array_horizons()
    columns = (*(getattr(plant, name).tolist() for name in _DECIDE_ON_FULL_SUN), horizons)
    keys = list(zip(*columns, strict=True))
    row_of = {key: row for row, key in enumerate(keys)}

    def compute(missing: list[tuple[Any, ...]]) -> Iterator[Float32s]:
        for part in in_parts(len(missing)):
            rows = np.array([row_of[key] for key in missing[part]], dtype=np.intp)
            few = plant.take(slice(0), rows)
            planes = (few.tilt_deg, few.azimuth_deg, few.mounting, few.ground_cover_ratio)
            hours = plane_hours(cohort.weather, *planes, [horizons[row] for row in rows])
            output = before_losses(hours, hours.cell_temp, few)
            yield from full_sun_loss(hours.effective, output, few.excess_loss, few.shunt_share)[:, np.newaxis]

    losses = cohort.weather.memo.recall("loss in full sun", keys, compute, _LOSSES_KEPT)
    return np.concatenate([plant.excess_loss[:0], *losses])


def site_strings(cohort: Cohort, values: Values) -> Floats:
    """Return the strings per site (S,): counted, else reckoned from the modules, else from the rating; 1 or more."""
    arrays = cohort.arrays
    modules = _numbers(arrays["module_count"], _numbers(arrays["module_rows"]) * _numbers(arrays["module_columns"]))
    guess = _filled(modules / values["string_modules"], _numbers(arrays["dc_rating_kw"]) / values["string_kw"])
    known = _numbers(arrays["strings"], np.maximum(np.round(guess), 1.0))
    return np.maximum(cohort.sum_by_site(known), 1.0)


def open_string_chance(cohort: Cohort, values: Values) -> tuple[Floats, Floats]:
    """Return the chance that one string is open, and of how many strings; both per site (S,).

    With one string only it is 0: nobody overlooks that a system stands still, so what still runs has no open one. Where
    one is known to be open and the strings are not counted there are two at least.
    """
    strings, chance = site_strings(cohort, values), _chance(cohort, "open_string")
    told = cohort.sites["open_string"].fillna(False).to_numpy(dtype=bool)
    counted = cohort.sum_by_site(cohort.arrays["strings"].isna()) == 0
    strings = np.where(told & ~counted, np.maximum(strings, 2.0), strings)
    return np.where(strings > 1, chance, 0.0), strings


def _strings_working(cohort: Cohort, values: Values) -> Floats:
    """Return the expected share of strings that deliver, per site; never 0."""
    chance, strings = open_string_chance(cohort, values)
    return 1 - chance / strings


def _household_demand(cohort: Cohort, plant: Plant, values: Values) -> Floats:
    """Return a year's electricity without water heating, which the known demand includes, per site."""
    known = cohort.sites["annual_demand_kwh"].notna().to_numpy()
    electric = known & hot_water.has_store(plant) & np.isin(plant.water_heat, hot_water.ELECTRIC_HEATERS)
    stores = np.flatnonzero(hot_water.has_store(plant))  # all of them: one pass through the year serves the balance too
    demand = plant.demand_kwh.copy()
    heat = hot_water.present_backup(cohort.weather, plant, stores, values)
    for row, hours in zip(stores, heat, strict=True):
        if not electric[row]:
            continue
        water = hours.sum(dtype=np.float64) / plant.water_efficiency[row]
        demand[row] = max(demand[row] - water, values["household_share_floor"] * demand[row])
    return demand


def _water_efficiency(water_heat: Texts, values: Values) -> Floats:
    boiler, pump = np.isin(water_heat, BOILERS), water_heat == "heat pump"
    return np.select(
        [boiler, pump], [values["water_efficiency_boiler"], values["water_efficiency_heat_pump"]], default=1.0
    )


def _heater_kw(sites: pd.DataFrame, water_heat: Texts, values: Values) -> Floats:
    element = _numbers(sites["element_kw"])
    element = np.where(element > 0, element, values["unknown_element_kw"])
    immersed, pump = np.isin(water_heat, ("immersion", "night immersion")), water_heat == "heat pump"
    return np.select([immersed, pump], [element, values["heat_pump_water_kw"]], default=values["boiler_water_kw"])


def _chance(cohort: Cohort, name: str) -> Floats:
    """Return per site the chance that a yes/no fact is true: 1, 0, or where unknown the chance in force."""
    return tables.facts()[name].chance(cohort.sites, cohort.priors.get(name))


def _soiling_rates(sites: pd.DataFrame) -> Floats:
    """Return the share of output lost per dry day by surroundings, per site."""
    rates = tables.ranges("soiling_rates.csv", key="surroundings")
    return np.array([rates[name].mode for name in _texts(sites["surroundings"], "unknown")], dtype=np.float64)


def _numbers(column: pd.Series, unknown: float | Floats = np.nan) -> Floats:
    return _filled(column.to_numpy(dtype=np.float64, na_value=np.nan), unknown)


def _filled(values: Floats, unknown: float | Floats) -> Floats:
    return np.where(np.isnan(values), unknown, values)


def _texts(column: pd.Series, unknown: str) -> Texts:
    texts: Texts = column.to_numpy(dtype=object, na_value=unknown)
    return texts
