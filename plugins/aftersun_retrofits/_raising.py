"""Which arrays can be raised, what raising brings with it, and whether their roof bears the ballast.

Wind and ballast are a screening, never a structural design. Peak velocity pressure as in EN 1991-1-4, sections 4.2 to
4.5, with its recommended values (flat ground, no factor for direction or season; a national annex may differ):
``q_p = c_e(z) q_b``, ``q_b = 0.5 rho v_b^2``. The force ``F = q_p c A`` stands square on a module: at a tilt ``b`` its
part ``F cos b`` lifts and ``F sin b`` pushes. Ballast lies loose and holds by its weight and its friction ``mu``, so
it weighs ``F (cos b + sin b / mu) / g``; no own weight counted. In the outer rows it is more, and the roof has to bear
that there, with the snow that drifts between raised rows where winters have frost. Table 4.1 from memory, compared
with public code that states it.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from aftersun import api
from aftersun_retrofits import _common as common

FRAMES = (common.FLAT_FRAME, common.GROUND_FRAME)
FLAT_ROOFS = ("flat membrane", "flat gravel")
# Without one of these nobody can tell what the wind calls for, or whether the roof bears it.
WIND_FACTS = {
    "wind_m_s": "the basic wind speed of the place is not known",
    "terrain": "the terrain around, which shelters from wind or not, is not known",
    "storeys": "the height of the building is not known",
    "roof_reserve_kg_m2": "the load that the roof can still bear is not known",
}

AIR_DENSITY_KG_M3 = 1.25  # EN 1991-1-4, 4.5
GRAVITY_M_S2 = 9.80665  # standard gravity
STOREY_M = 3.0  # height of a storey; common practice, no source

# Roughness length z0 and least height zmin in m, EN 1991-1-4 table 4.1. "open water" stands for 0 and I: 0 is taken.
TERRAIN = {
    "open water": (0.003, 1.0),
    "open country": (0.05, 2.0),
    "suburban or forest": (0.3, 5.0),
    "city": (1.0, 10.0),
}
_UNKNOWN = (np.nan, np.nan)


@common.of_facts
def can_be_raised(cohort: api.Cohort) -> api.Bools:
    """Tell per array (A,) whether it can be raised as far as is known: frames, and all on flat roofs."""
    arrays = cohort.arrays
    flat = common.of_site(cohort, common.equals(cohort.sites, "roof_kind", *FLAT_ROOFS))
    perhaps_flat = flat | common.of_site(cohort, common.unknown(cohort.sites, "roof_kind"))
    ground = common.of_site(cohort, common.equals(cohort.sites, "roof_kind", common.GROUND))
    return (
        common.equals(arrays, "mounting", *FRAMES)
        | (common.equals(arrays, "mounting", common.FLUSH) & flat)
        | (common.unknown(arrays, "mounting") & (perhaps_flat | ground))
    )


@common.of_facts
def pitch_unknown(cohort: api.Cohort) -> api.Bools:
    """Tell per array (A,) whether there may be several rows whose distance is not known."""
    rows = common.numbers(cohort.arrays, "module_rows")
    return (np.isnan(rows) | (rows > 1)) & common.unknown(cohort.arrays, "ground_cover_ratio")


def ready_to_raise(cohort: api.Cohort, plant: api.Plant, ground_cover: float) -> api.Plant:
    """Return the plant with what any raising brings: rows that can shade each other, air behind.

    Rows whose distance is not known get ``ground_cover``, so that the gain is not overstated.
    """
    can, usual = can_be_raised(cohort), np.where(pitch_unknown(cohort), ground_cover, 0.0)
    shading = common.numbers(cohort.arrays, "ground_cover_ratio", usual)
    ground = common.of_site(cohort, common.equals(cohort.sites, "roof_kind", common.GROUND))
    new_frame = can & ~np.isin(plant.mounting.astype(str), FRAMES)
    frame = np.where(ground, common.GROUND_FRAME, common.FLAT_FRAME).astype(object)
    return common.exchanged(common.exchanged(plant, can, ground_cover_ratio=shading), new_frame, mounting=frame)


@common.of_facts
def raised_on_roof(cohort: api.Cohort) -> api.Bools:
    """Tell per array (A,) whether it can be raised and a roof bears it, as far as is known."""
    return can_be_raised(cohort) & ~common.stands_on_ground(cohort)


def velocity_pressure_pa(wind_m_s: npt.ArrayLike, air_density_kg_m3: float = AIR_DENSITY_KG_M3) -> api.Floats:
    """Return ``0.5 rho v^2`` in Pa."""
    speed = np.asarray(wind_m_s, dtype=np.float64)
    return 0.5 * air_density_kg_m3 * speed**2


def exposure_factor(height_m: npt.ArrayLike, terrain: npt.NDArray[np.object_]) -> api.Floats:
    """Return ``c_e(z) = (1 + 7 I_v) c_r^2``: peak pressure at a height over that of the basic wind speed.

    ``c_r = k_r ln(z / z0)``, ``k_r = 0.19 (z0 / 0.05)^0.07``, ``I_v = 1 / ln(z / z0)``, z no less than zmin. NaN where
    the terrain is not one of :data:`TERRAIN`.
    """
    rough, least = np.array([TERRAIN.get(str(name), _UNKNOWN) for name in terrain]).reshape(-1, 2).T
    ratio = np.log(np.maximum(np.asarray(height_m, dtype=np.float64), least) / rough)
    factor: api.Floats = (1.0 + 7.0 / ratio) * (0.19 * (rough / 0.05) ** 0.07 * ratio) ** 2
    return factor


def ballast_kg_m2_of_glass(pressure_pa: npt.ArrayLike, coefficient: npt.ArrayLike) -> api.Floats:
    """Return the mass in kg whose weight is the wind's force ``q c`` on one m2 of a module."""
    return np.asarray(pressure_pa, dtype=np.float64) * np.asarray(coefficient, dtype=np.float64) / GRAVITY_M_S2


def held_against_sliding(tilt_deg: npt.ArrayLike, friction: float) -> api.Floats:
    """Return the ballast that neither lifts nor slides, over that for the whole force as lift: ``cos b + sin b / mu``.

    ``friction`` 0.5 and 30 degrees: 1.87.
    """
    tilt = np.radians(np.asarray(tilt_deg, dtype=np.float64))
    return np.asarray(np.cos(tilt) + np.sin(tilt) / friction)


@common.of_facts
def _peak_pressure_pa(cohort: api.Cohort) -> api.Floats:
    """Return the peak velocity pressure at the eaves per site (S,), NaN where wind, terrain or height is not known."""
    sites = cohort.sites
    height = common.numbers(sites, "storeys") * STOREY_M
    terrain = sites["terrain"].astype(object).to_numpy(dtype=object)
    pressure: api.Floats = velocity_pressure_pa(common.numbers(sites, "wind_m_s")) * exposure_factor(height, terrain)
    return pressure


def _on_glass_kg_m2(cohort: api.Cohort, values: Mapping[str, float], tilt_deg: api.Floats, factor: float) -> api.Floats:
    """Return the new ballast on a m2 of glass per array (A,), raised to a tilt per site (S,); NaN = not known.

    What lies there already is taken off. 0 where nothing is raised on a roof.
    """
    whole = ballast_kg_m2_of_glass(_peak_pressure_pa(cohort), values["wind_coefficient"])
    need = common.of_site(cohort, whole * factor * held_against_sliding(tilt_deg, values["friction"]))
    framed = common.equals(cohort.arrays, "mounting", common.FLAT_FRAME)
    there = np.where(framed, values["present_ballast_kg_m2"] / _cover(cohort, values), 0.0)
    return np.where(raised_on_roof(cohort), np.maximum(need - there, 0.0), 0.0)


def _cover(cohort: api.Cohort, values: Mapping[str, float]) -> api.Floats:
    """Return glass over roof per array (A,): a single row lies on its own area, rows at their pitch."""
    usual = np.where(pitch_unknown(cohort), values["ground_cover_if_unknown"], 1.0)
    return common.numbers(cohort.arrays, "ground_cover_ratio", usual)


def ballast_kg_m2(cohort: api.Cohort, values: Mapping[str, float], tilt_deg: api.Floats) -> api.Floats:
    """Return what raising to a tilt per site (S,) adds to the load in the outer rows, kg a m2 of roof, per site (S,).

    Ballast beyond what is there, and drifted snow. The greatest of the site's arrays; NaN where wind, terrain or height
    is not known; 0 where nothing is raised on a roof.
    """
    on_roof = raised_on_roof(cohort)
    drift = values["snow_drift_kg_m2"] if _frosty(cohort, values) else 0.0
    need = _on_glass_kg_m2(cohort, values, tilt_deg, values["outer_row_factor"]) * _cover(cohort, values)
    need = np.where(on_roof, np.nan_to_num(need + drift, nan=np.inf), 0.0)  # inf: not known
    greatest = np.zeros(len(cohort))
    np.maximum.at(greatest, cohort.arrays["site"].to_numpy(dtype=np.intp), need)
    return np.where(np.isinf(greatest), np.nan, greatest)


def _frosty(cohort: api.Cohort, values: Mapping[str, float]) -> bool:
    return bool((cohort.weather.temp_air < 0.0).mean() > values["frost_share"])


def ballast_kg(
    cohort: api.Cohort, values: Mapping[str, float], tilt_deg: api.Floats, modules: api.Floats
) -> api.Floats:
    """Return the ballast to be bought and lifted, kg per site (S,), for ``modules`` per array (A,).

    Where the wind is not known each module on a roof takes ``ballast_if_unknown_kg``.
    """
    outer = values["outer_row_share"]
    factor = 1.0 + outer * (values["outer_row_factor"] - 1.0)
    each = _on_glass_kg_m2(cohort, values, tilt_deg, factor) * values["module_area_m2"]
    each = np.where(np.isnan(each), values["ballast_if_unknown_kg"], each)
    return cohort.sum_by_site(np.where(raised_on_roof(cohort), each * modules, 0.0))


def steepest_borne_deg(cohort: api.Cohort, values: Mapping[str, float]) -> api.Floats:
    """Return the steepest tilt in steps of the frames that the roof bears, per site (S,); -inf = none.

    The steepest that is tried where load or reserve is not known, and on the ground.
    """
    reserve = common.numbers(cohort.sites, "roof_reserve_kg_m2")
    steepest = np.full(len(cohort), -np.inf)
    for tilt in np.arange(0.0, values["most_tilt_deg"] + 0.1, values["tilt_step_deg"]):
        need = ballast_kg_m2(cohort, values, np.full(len(cohort), tilt))
        steepest = np.where(~(need > reserve), tilt, steepest)  # NaN compares false
    return steepest


def screen_wind(screening: api.Screening, cohort: api.Cohort, values: Mapping[str, float]) -> api.Screening:
    """Reject what the roof cannot bear at one step above today's tilt, with both figures; ask for what nobody knows."""
    on_roof = common.at_any_array(cohort, raised_on_roof(cohort))
    flattest = np.full(len(cohort), np.inf)
    tilt = np.where(raised_on_roof(cohort), common.numbers(cohort.arrays, "tilt_deg"), np.inf)
    np.minimum.at(flattest, cohort.arrays["site"].to_numpy(dtype=np.intp), tilt)
    step = values["tilt_step_deg"]
    least = np.where(np.isfinite(flattest), np.floor(flattest / step + 1.0) * step, 0.0)
    need, reserve = ballast_kg_m2(cohort, values, least), common.numbers(cohort.sites, "roof_reserve_kg_m2")
    texts = np.array([_too_heavy(*of_site) for of_site in zip(need, reserve, least, strict=True)], dtype=object)
    too_heavy = on_roof & (need > reserve)  # NaN compares false
    for text in np.unique(texts[too_heavy].astype(str)):
        screening = screening.reject(too_heavy & (texts == text), text)
    for name, reason in WIND_FACTS.items():
        screening = screening.survey(on_roof & common.unknown(cohort.sites, name), reason)
    return screening


def _too_heavy(need_kg_m2: float, reserve_kg_m2: float, tilt_deg: float) -> str:
    load = f"at {tilt_deg:.0f} degrees wind and snow call for {need_kg_m2:.0f} kg/m2 more in the outer rows"
    return f"{load}, and the roof bears {reserve_kg_m2:.0f} kg/m2"
