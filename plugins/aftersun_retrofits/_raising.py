"""Which arrays can be raised, what raising brings with it, and whether their roof bears the ballast."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from aftersun import api
from aftersun_retrofits import _common as common
from aftersun_retrofits import _wind as wind

FRAMES = (common.FLAT_FRAME, common.GROUND_FRAME)
FLAT_ROOFS = ("flat membrane", "flat gravel")
# Without one of these nobody can tell what the wind calls for, or whether the roof bears it.
WIND_FACTS = {
    "wind_m_s": "the basic wind speed of the place is not known",
    "terrain": "the terrain around, which shelters from wind or not, is not known",
    "storeys": "the height of the building is not known",
    "roof_reserve_kg_m2": "the load that the roof can still bear is not known",
}


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


def ballast_kg_m2(cohort: api.Cohort, values: Mapping[str, float]) -> api.Floats:
    """Return the ballast that wind calls for beyond what is there, kg a m2 of roof, per site (S,).

    The greatest of the site's arrays; NaN where wind, terrain or height is not known; 0 where nothing is raised on a
    roof. A single row is reckoned to lie on its own area, rows at their pitch.
    """
    sites, arrays = cohort.sites, cohort.arrays
    height = common.numbers(sites, "storeys") * wind.STOREY_M
    terrain = sites["terrain"].astype(object).to_numpy(dtype=object)
    pressure = wind.velocity_pressure_pa(common.numbers(sites, "wind_m_s")) * wind.exposure_factor(height, terrain)
    per_module_m2 = wind.ballast_kg(wind.wind_force_n(pressure, values["wind_coefficient"], 1.0))
    usual = np.where(pitch_unknown(cohort), values["ground_cover_if_unknown"], 1.0)
    cover = common.numbers(arrays, "ground_cover_ratio", usual)
    there = np.where(common.equals(arrays, "mounting", common.FLAT_FRAME), values["present_ballast_kg_m2"], 0.0)
    need = np.maximum(common.of_site(cohort, per_module_m2) * cover - there, 0.0)
    need = np.where(raised_on_roof(cohort), np.nan_to_num(need, nan=np.inf), 0.0)  # inf: not known
    greatest = np.zeros(len(cohort))
    np.maximum.at(greatest, arrays["site"].to_numpy(dtype=np.intp), need)
    return np.where(np.isinf(greatest), np.nan, greatest)


def screen_wind(screening: api.Screening, cohort: api.Cohort, values: Mapping[str, float]) -> api.Screening:
    """Reject what the roof cannot bear, with both figures; ask for each fact without which nobody can tell."""
    on_roof = common.at_any_array(cohort, raised_on_roof(cohort))
    need, reserve = ballast_kg_m2(cohort, values), common.numbers(cohort.sites, "roof_reserve_kg_m2")
    texts = np.array([_too_heavy(kg, bears) for kg, bears in zip(need, reserve, strict=True)], dtype=object)
    too_heavy = on_roof & (need > reserve)  # NaN compares false
    for text in np.unique(texts[too_heavy].astype(str)):
        screening = screening.reject(too_heavy & (texts == text), text)
    for name, reason in WIND_FACTS.items():
        screening = screening.survey(on_roof & common.unknown(cohort.sites, name), reason)
    return screening


def _too_heavy(need_kg_m2: float, reserve_kg_m2: float) -> str:
    return f"wind calls for {need_kg_m2:.0f} kg/m2 more ballast, and the roof bears {reserve_kg_m2:.0f} kg/m2"
