"""Tilt, direction and rating of arrays and ages that nobody has told: reckoned from what is known, and marked.

A roof is not left out for a blank cell. What stands in for it is drawn over its range, and asked for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from aftersun.energy.assumptions import system_values
from aftersun.model.cohort import Cohort
from aftersun.model.plant import Texts
from aftersun.model.ranges import Bools, Floats

ASSUMED: Mapping[str, str] = {
    "tilt_deg": "tilt_assumed",
    "azimuth_deg": "azimuth_assumed",
    "dc_rating_kw": "rating_assumed",
}
"""Of each column of an array the one of the cohort that tells where it is assumed; none where nothing is."""
FRAMES = ("flat roof frame", "ground frame")
_FLAT = ("flat membrane", "flat gravel")
_FRAME_SHARE = 0.4  # of the tilt of a pitched roof: 12 degrees, as frames on flat roofs mostly have (assumption)
_LEAST_KW, _MOST_KW, _LEAST_MODULE_KW, _MOST_MODULE_KW = 0.5, 5000.0, 0.15, 0.5
# kW, assumptions that keep a slip in a count or a year from making a roof of none; the most is the dictionary's
_MODULES_OF = 2015  # the year of the system assumption ``unknown_module_kw``
_MID_YEAR = 0.5  # on the mean, a system of a year began in its middle
_OLDEST_YEARS = 25.0  # assumption: older roofs stand alone, and small modules are made to this day


def with_assumed_geometry(cohort: Cohort) -> Cohort:
    """Return the cohort with what is unknown of its arrays filled in and marked; itself where all is known."""
    unknown = {column: cohort.arrays[column].isna().to_numpy(dtype=bool) for column in ASSUMED}
    if not any(rows.any() for rows in unknown.values()):
        return cohort
    marked = cohort.arrays.assign(**{ASSUMED[column]: rows for column, rows in unknown.items()})
    cohort = replace(cohort, arrays=marked)
    filled = geometry(cohort, system_values(cohort.overrides))
    dtypes = {name: cohort.arrays[name].dtype for name in filled}
    return replace(cohort, arrays=marked.assign(**filled).astype(dtypes))


def geometry(cohort: Cohort, values: Mapping[str, float]) -> dict[str, Floats]:
    """Return tilt and azimuth in degrees and rating in kW of A arrays, each (A,), by the assumptions given."""
    columns = {name: cohort.arrays[name].to_numpy(dtype=np.float64, na_value=np.nan) for name in ASSUMED}
    if ASSUMED["tilt_deg"] not in cohort.arrays:
        return columns
    assumed = {name: cohort.arrays[flag].to_numpy(dtype=bool) for name, flag in ASSUMED.items()}
    equator = 180.0 if cohort.weather.station.latitude >= 0 else 0.0
    tilt = values["unknown_tilt_deg"] * np.where(np.isin(mounting_of(cohort), FRAMES), _FRAME_SHARE, 1.0)
    rating = _reckoned_kw(cohort, columns["dc_rating_kw"], assumed["dc_rating_kw"], values)
    instead = {
        "tilt_deg": tilt,
        "azimuth_deg": np.full(len(tilt), (equator + values["unknown_turn_deg"]) % 360.0),
        "dc_rating_kw": np.minimum(rating * values["unknown_rating_ratio"], _MOST_KW),
    }
    return {name: np.where(assumed[name], instead[name], column) for name, column in columns.items()}


def mounting_of(cohort: Cohort) -> Texts:
    """Return the mounting per array (A,); where it is unknown, the usual one of its roof kind."""
    site = cohort.arrays["site"].to_numpy(dtype=np.intp)
    roof = cohort.sites["roof_kind"].to_numpy(dtype=object, na_value="")[site].astype(str)
    usual = np.select([np.isin(roof, _FLAT), roof == "ground"], FRAMES, default="flush roof")
    known = cohort.arrays["mounting"]
    return np.where(known.isna(), usual, known.to_numpy(dtype=object, na_value="")).astype(object)


def with_reckoned_age(cohort: Cohort) -> Cohort:
    """Return the cohort with ages of systems whose day of commissioning is unknown, as far as other facts tell them.

    The column is ``reckoned_age_years``: by the year of the inverter, which may be a later one, else by the rating of a
    module, which has grown from year to year; NA where neither is known. Itself where all days are known.
    """
    if cohort.sites["commissioned_on"].notna().all():
        return cohort
    values = system_values(cohort.overrides)
    now = cohort.as_of.year + cohort.as_of.timetuple().tm_yday / 366
    by_inverter = now - cohort.sites["inverter_year"].to_numpy(dtype=np.float64, na_value=np.nan) - _MID_YEAR
    rating = cohort.arrays["dc_rating_kw"].to_numpy(dtype=np.float64, na_value=np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):  # a site without arrays, modules counted as none
        module_kw = cohort.sum_by_site(rating) / cohort.sum_by_site(_modules(cohort))
    module_kw = np.where((module_kw > _LEAST_MODULE_KW) & (module_kw < _MOST_MODULE_KW), module_kw, np.nan)
    built = _MODULES_OF + (module_kw - values["unknown_module_kw"]) / values["module_kw_per_year"]
    by_module = np.minimum(now - built - _MID_YEAR, _OLDEST_YEARS)
    age = np.maximum(np.where(np.isnan(by_inverter), by_module, by_inverter), 0.0)
    return replace(cohort, sites=cohort.sites.assign(reckoned_age_years=pd.array(age, dtype="Float64")))


def _modules(cohort: Cohort) -> Floats:
    """Return the modules per array (A,), counted or of its rows and columns; NaN where unknown."""
    counted, rows, across = (
        cohort.arrays[name].to_numpy(dtype=np.float64, na_value=np.nan)
        for name in ("module_count", "module_rows", "module_columns")
    )
    modules: Floats = np.where(np.isnan(counted), rows * across, counted)
    return modules


def _reckoned_kw(cohort: Cohort, known: Floats, unknown: Bools, values: Mapping[str, float]) -> Floats:
    """Return a rating for each array (A,): its modules times those of the year, else its part of the inverter's."""
    arrays, sites = cohort.arrays, cohort.sites
    site = arrays["site"].to_numpy(dtype=np.intp)
    modules = _modules(cohort)
    built = cohort.as_of.year - cohort.age_years(values["unknown_age_years"])
    module_kw = values["unknown_module_kw"] + values["module_kw_per_year"] * (built - _MODULES_OF)
    by_modules = modules * np.clip(module_kw, _LEAST_MODULE_KW, _MOST_MODULE_KW)[site]
    inverter = sites["inverter_rating_kw"].to_numpy(dtype=np.float64, na_value=np.nan) * values["dc_ac_ratio"]
    told = np.where(unknown, np.nan_to_num(by_modules), known)
    open_arrays = cohort.sum_by_site(unknown & np.isnan(by_modules))
    rest = (inverter - cohort.sum_by_site(told)) / np.maximum(open_arrays, 1.0)
    usual = values["unknown_rating_kw"] / np.maximum(open_arrays, 1.0)
    by_inverter = np.where(np.isnan(rest), usual, np.maximum(rest, _LEAST_KW))[site]
    reckoned: Floats = np.where(np.isnan(by_modules), by_inverter, by_modules)
    return reckoned
