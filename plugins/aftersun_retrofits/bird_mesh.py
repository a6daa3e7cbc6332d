"""Bird mesh: closes the gap under modules that lie on a pitched roof, so that birds cannot nest there.

It takes away most of the loss by droppings where there are birds, and the clean-ups and cable repairs that
come with nests. It costs a little ventilation, so without birds it loses energy. Where nobody knows, the
gains count with the chance that there are birds; the warmer cells count in full.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from aftersun import api
from aftersun_retrofits import _common as common

FRAMES_AND_SKINS = (common.IN_ROOF, common.FLAT_FRAME, common.GROUND_FRAME)
FLAT_OR_GROUND = ("flat membrane", "flat gravel", common.GROUND)

NORTH_SEASON = "often March to August"
SOUTH_SEASON = "often September to February"


def perimeter_m(
    rows: api.Floats | float,
    columns: api.Floats | float,
    width_m: api.Floats | float,
    height_m: api.Floats | float,
    spacing_m: float = 0.0,
) -> api.Floats:
    """Return the outline in m of a rectangular block of modules.

    ``width_m`` along the row, ``height_m`` up the slope, ``spacing_m`` between neighbours. A block that is
    notched at its corners has the outline of the rectangle around it.
    """
    across = columns * width_m + (columns - 1.0) * spacing_m
    up = rows * height_m + (rows - 1.0) * spacing_m
    return np.asarray(2.0 * (across + up), dtype=np.float64)


class BirdMesh:
    """Mesh clipped to the frames around each block."""

    assumptions = api.read_ranges(common.DATA, "assumptions/bird_mesh.csv")
    facts = api.read_facts(common.DATA, "facts.csv", ("birds_seen",))
    claims = api.read_claims(common.DATA, "claims.csv", "bird_mesh")
    notes = api.read_notes(
        common.DATA,
        "safety_notes.csv",
        (
            *common.VISIT_NOTES,
            "wildlife",
            "droppings_health",
            "cables_under_modules",
            "lightning_bonding",
            "listed_building",
            "mesh_ventilation",
            "mesh_fixing",
        ),
    )
    about = api.About(
        id="bird_mesh",
        title="Bird mesh",
        summary="Mesh around the modules that keeps birds from nesting under them",
        version="1.0",
        life=assumptions["life_years"],
        reads=(
            "latitude",
            "roof_kind",
            "birds_seen",
            "module_gap_mm",
            "listed_building",
            "mounting",
            "dc_rating_kw",
            "module_count",
            "module_rows",
            "module_columns",
            "module_width_m",
            "module_height_m",
        ),
        sources=(
            "Crawley council: mesh for 40 of 225 homes (local press)",
            "Gan, Energy 2009",
            "Wildlife and Countryside Act 1981, government summary",
        ),
        price_items=("bird_mesh", "mesh_clip", "bird_clean_up", "repair_visit"),
    )

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Fit only around modules that lie on a pitched roof with a gap that mesh can close."""
        sites = cohort.sites
        fits = _can_be_meshed(cohort)
        kind_unknown = common.at_any_array(cohort, fits & common.unknown(cohort.arrays, "mounting"))
        gap_mm = common.numbers(sites, "module_gap_mm")
        least, most = self.assumptions["least_gap_mm"].mode, self.assumptions["most_gap_mm"].mode
        return (
            api.Screening.of(cohort)
            .reject(
                ~common.at_any_array(cohort, fits),
                "no modules that lie on a pitched roof with a gap below; mesh is for those",
            )
            .reject(
                gap_mm < least,
                f"the gap is below {least:.0f} mm: birds cannot nest there and clips do not hold",
            )
            .reject(gap_mm > most, f"the gap is above {most:.0f} mm: mesh does not close it")
            .survey(np.isnan(gap_mm), "the gap between roof and modules is not known")
            .survey(kind_unknown, "how the modules are fixed is not known")
            .survey(
                common.equals(sites, "listed_building", True),
                "listed building: consent before anything visible changes",
            )
            .survey(
                common.equals(sites, "roof_kind", common.FRAGILE),
                "fragile roof: how to reach the modules safely",
            )
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Take the droppings away, warm the cells a little; count the work it takes and saves."""
        meshed = _can_be_meshed(cohort)
        birds = assume.chance(cohort.sites, self.facts["birds_seen"])
        length = cohort.sum_by_site(np.where(meshed, _outline_m(cohort, assume), 0.0))
        hours = assume["set_up_h"] + length * assume["mesh_min_per_m"] / 60.0
        clips = np.ceil(length / assume["clip_spacing_m"])
        clear_out = birds * assume["clear_out_h"]
        rise = min(assume["mesh_extra_temp_k"], assume["insulated_back_extra_temp_k"])
        return api.Change(
            plant=plant.replace(
                droppings_loss=plant.droppings_loss * np.where(meshed, assume["droppings_left"], 1.0),
                extra_temp_k=plant.extra_temp_k + np.where(meshed, rise, 0.0),
            ),
            costs=(
                api.CostLine(api.MATERIAL, "bird_mesh", length * (1.0 + assume["mesh_waste_share"]), "m"),
                api.CostLine(api.MATERIAL, "mesh_clip", clips, "piece"),
                api.CostLine(api.LABOUR, "roofer", hours + clear_out, "h", "old droppings cleared"),
                api.CostLine(api.LABOUR, "helper", hours * (assume["crew"] - 1.0), "h"),
                *common.access(cohort),
            ),
            yearly=(
                api.CostLine(api.AVOIDED_WORK, "bird_clean_up", birds * assume["clean_ups_per_year"], "clean-up"),
                api.CostLine(api.AVOIDED_WORK, "repair_visit", birds * assume["cable_repairs_per_year"], "repair"),
            ),
            remarks=_remarks(cohort),
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Nests and animals, droppings, cables, and the way up."""
        return common.notes_for(cohort, self.notes)


def _can_be_meshed(cohort: api.Cohort) -> api.Bools:
    """Tell per array (A,) whether it lies on a pitched roof with a gap below, as far as is known."""
    on_flat = common.of_site(cohort, common.equals(cohort.sites, "roof_kind", *FLAT_OR_GROUND))
    return ~(common.equals(cohort.arrays, "mounting", *FRAMES_AND_SKINS) | on_flat)


def _outline_m(cohort: api.Cohort, assume: api.Assumed) -> api.Floats:
    """Return the outline of each array's block in m, shape (A,); what is not known of it is assumed."""
    arrays = cohort.arrays
    count = common.module_count(cohort, assume["module_rating_kw"])
    rows, columns = common.numbers(arrays, "module_rows"), common.numbers(arrays, "module_columns")
    guessed = np.where(np.isnan(columns), np.minimum(assume["rows_if_unknown"], count), np.ceil(count / columns))
    rows = np.where(np.isnan(rows), guessed, rows)
    columns = np.where(np.isnan(columns), np.ceil(count / rows), columns)
    width, height = common.numbers(arrays, "module_width_m"), common.numbers(arrays, "module_height_m")
    width = np.where(np.isnan(width), assume["module_width_m"], width)
    height = np.where(np.isnan(height), assume["module_height_m"], height)
    return perimeter_m(rows, columns, width, height, assume["module_spacing_m"])


def _remarks(cohort: api.Cohort) -> npt.NDArray[np.object_]:
    season = np.where(common.numbers(cohort.sites, "latitude") < 0, SOUTH_SEASON, NORTH_SEASON)
    none_seen = common.equals(cohort.sites, "birds_seen", False)
    texts = [
        f"Plan outside the nesting season ({when}); look on the day and stop if a nest is active"
        + ("; no birds are seen, so there is nothing to gain" if bare else "")
        for when, bare in zip(season, none_seen, strict=True)
    ]
    return np.array(texts, dtype=object)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [BirdMesh()]
