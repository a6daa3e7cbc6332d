"""Today's plant from the facts of the inventory; expected values where a fact is unknown."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

import aftersun_datasets
from aftersun.energy import hot_water
from aftersun.energy.assumptions import NO_OVERRIDES, system_values
from aftersun.model.cohort import Cohort
from aftersun.model.plant import PER_ARRAY, Plant, Texts, column_names
from aftersun.model.ranges import Fact, Floats, Range

Values = Mapping[str, float]

_BOILERS = ("gas boiler", "oil boiler", "lpg boiler", "combi boiler")
# Where this degradation is not expected: other cells, strings held near earth potential, low voltages.
_OTHER_CELLS = ("n-type crystalline", "thin film")
_LOW_OR_ISOLATED = ("isolated", "module level")
_IN_ROWS = ("flat roof frame", "ground frame")


def baseline(cohort: Cohort, overrides: Mapping[str, float] = NO_OVERRIDES) -> Plant:
    """Return today's plant of a cohort.

    Known facts are taken as they are; unknown ones take the value of ``system.csv``, which
    ``cohort.overrides`` and ``overrides`` replace by name. Yes/no facts that are unknown enter with their
    chance (``cohort.priors``, else ``facts.csv``). An unknown name in the overrides raises AftersunError.
    """
    values = system_values({**cohort.overrides, **overrides})
    per_site = _site_columns(cohort, values)
    plant = Plant(**_array_columns(cohort, values), **per_site)
    return plant.replace(demand_kwh=_household_demand(cohort, plant, values))


def _array_columns(cohort: Cohort, values: Values) -> dict[str, Any]:
    sites, arrays = cohort.sites, cohort.arrays
    site = arrays["site"].to_numpy(dtype=np.intp)
    mounting = _texts(arrays["mounting"], "flush roof")
    in_rows = np.isin(mounting, _IN_ROWS)
    age = _filled(cohort.years_since(sites["commissioned_on"]), values["unknown_age_years"])
    columns: dict[str, Any] = {
        "tilt_deg": _numbers(arrays["tilt_deg"]),
        "azimuth_deg": _numbers(arrays["azimuth_deg"]),
        "ground_cover_ratio": np.where(in_rows, _numbers(arrays["ground_cover_ratio"], 0.0), 0.0),
        "dc_rating_kw": _numbers(arrays["dc_rating_kw"]),
        "mounting": mounting,
        "temp_coefficient_per_k": _numbers(arrays["temp_coefficient_pct_per_k"], 100 * values["temp_coefficient_per_k"])
        / 100,
        "soiling_rate_per_day": (_soiling_rates(sites) * values["soiling_rate_factor"])[site],
        "droppings_loss": (_chance(cohort, "birds_seen") * values["droppings_loss_nested"])[site],
        "shading_loss": _numbers(arrays["shading_pct"], 100 * values["shading_loss"]) / 100,
        "excess_loss": _excess_loss(sites, values)[site],
        "ageing": (1 - values["ageing_per_year"]) ** age[site],
        "strings_working": _strings_working(cohort, values)[site],
    }
    same_everywhere = {
        "extra_temp_k": 0.0,
        "transmittance": 1.0,
        "rain_threshold_mm": values["rain_threshold_mm"],
        **{name: values[name] for name in column_names(PER_ARRAY) if name not in columns and name in values},
    }
    return columns | {name: np.full(len(arrays), value) for name, value in same_everywhere.items()}


def _site_columns(cohort: Cohort, values: Values) -> dict[str, Any]:
    sites, size = cohort.sites, len(cohort)
    rating = _numbers(sites["inverter_rating_kw"])
    guess = cohort.sum_by_site(_numbers(cohort.arrays["dc_rating_kw"])) / values["dc_ac_ratio"]
    battery = _numbers(sites["battery_kwh"], 0.0)
    store = _numbers(sites["water_store_litres"], 0.0)
    insulation = _numbers(sites["water_store_insulation_mm"], values["unknown_insulation_mm"])
    loss_kwh_per_day = hot_water.standing_loss_kwh_per_day(store, insulation, values)
    occupants = _numbers(sites["occupants"], values["unknown_occupants"])
    water_heat = _texts(sites["water_heat"], "")
    no_export = _texts(sites["export_rule"], "") == "no export"
    columns: dict[str, Any] = {
        "inverter_rating_kw": np.where(np.isnan(rating), guess, rating),
        "export_limit_kw": np.where(no_export, 0.0, _numbers(sites["export_limit_kw"], np.inf)),
        "demand_kwh": _numbers(sites["annual_demand_kwh"], values["unknown_demand_kwh"]),
        "battery_kwh": battery,
        "battery_kw": battery * values["battery_kw_per_kwh"],
        "store_litres": store,
        "store_loss_w_per_k": loss_kwh_per_day * 1000 / 24 / values["store_loss_difference_k"],
        "draw_litres_per_day": hot_water.litres_per_day(occupants, values) * values["water_draw_factor"],
        "water_heat": water_heat,
        "water_efficiency": _water_efficiency(water_heat, values),
    }
    same_everywhere = {"standby_kwh": 0.0, "diverter_kw": 0.0} | {
        name: values[name]
        for name in ("inverter_efficiency", "availability", "ageing_per_year", "store_set_c", "store_max_c")
    }
    return columns | {name: np.full(size, value) for name, value in same_everywhere.items()}


def _excess_loss(sites: pd.DataFrame, values: Values) -> Floats:
    """Return the measured loss, else its expected value where nothing known rules it out, per site."""
    cells, topology = _texts(sites["cell_type"], ""), _texts(sites["inverter_topology"], "")
    ruled_out = np.isin(cells, _OTHER_CELLS) | np.isin(topology, _LOW_OR_ISOLATED)
    expected = np.where(ruled_out, 0.0, values["excess_loss_chance"] * values["excess_loss_size"])
    measured = _numbers(sites["measured_excess_loss"])
    return np.where(np.isnan(measured), expected, measured)


def _strings_working(cohort: Cohort, values: Values) -> Floats:
    """Return the expected share of strings that deliver, per site.

    Nobody overlooks that a system with one string stands still, so there the fact counts only if known.
    """
    known = _numbers(cohort.arrays["strings"])
    guess = np.maximum(np.round(_numbers(cohort.arrays["dc_rating_kw"]) / values["string_kw"]), 1.0)
    strings = np.maximum(cohort.sum_by_site(np.where(np.isnan(known), guess, known)), 1.0)
    chance = _chance(cohort, "open_string")
    unknown = cohort.sites["open_string"].isna().to_numpy()
    return 1 - np.where(unknown & (strings <= 1), 0.0, chance) / strings


def _household_demand(cohort: Cohort, plant: Plant, values: Values) -> Floats:
    """Return a year's electricity without water heating, which the known demand includes, per site."""
    known = cohort.sites["annual_demand_kwh"].notna().to_numpy()
    electric = known & hot_water.has_store(plant) & np.isin(plant.water_heat, hot_water.ELECTRIC_HEATERS)
    rows = np.flatnonzero(electric)
    demand = plant.demand_kwh.copy()
    heat = hot_water.present_backup(cohort.weather, hot_water.Stores.of(plant, rows), values)
    for row, hours in zip(rows, heat, strict=True):
        water = hours.sum(dtype=np.float64) / plant.water_efficiency[row]
        demand[row] = max(demand[row] - water, values["household_share_floor"] * demand[row])
    return demand


def _water_efficiency(water_heat: Texts, values: Values) -> Floats:
    boiler, pump = np.isin(water_heat, _BOILERS), water_heat == "heat pump"
    return np.select(
        [boiler, pump], [values["water_efficiency_boiler"], values["water_efficiency_heat_pump"]], default=1.0
    )


def _chance(cohort: Cohort, name: str) -> Floats:
    """Return per site the chance that a yes/no fact is true: 1, 0, or where unknown the chance in force."""
    return _fact(name).chance(cohort.sites, cohort.priors.get(name))


@cache
def _fact(name: str) -> Fact:
    row = next(row for row in aftersun_datasets.rows("facts.csv") if row["id"] == name)
    return Fact(name, Range.from_row(row), row["question"])


def _soiling_rates(sites: pd.DataFrame) -> Floats:
    """Return the share of output lost per dry day by surroundings, per site."""
    rates = {row["surroundings"]: float(row["mode"]) for row in aftersun_datasets.rows("soiling_rates.csv")}
    return np.array([rates[name] for name in _texts(sites["surroundings"], "unknown")], dtype=np.float64)


def _numbers(column: pd.Series, unknown: float = np.nan) -> Floats:
    return _filled(column.to_numpy(dtype=np.float64, na_value=np.nan), unknown)


def _filled(values: Floats, unknown: float) -> Floats:
    return np.where(np.isnan(values), unknown, values)


def _texts(column: pd.Series, unknown: str) -> Texts:
    texts: Texts = column.astype(object).where(column.notna(), unknown).to_numpy(dtype=object)
    return texts
