"""Tilt mount: frames on a flat roof or on the ground are raised, once, to the best fixed tilt.

Candidate tilts around the optimum for the latitude are simulated with the azimuth that the array has, row
shading included, and the one with the most energy in the year is taken. Nothing is adjusted by season: the
angle left wrong costs more than the visits win. Steeper glass also sheds more dirt; that is not counted.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from aftersun import api
from aftersun_retrofits import _common as common

FRAMES = (common.FLAT_FRAME, common.GROUND_FRAME)
FLAT_ROOFS = ("flat membrane", "flat gravel")
# More below the fit than above: cloud, row shading and other directions call for flatter modules.
STEPS_FROM_FIT = (-3, -2, -1, 0, 1, 2)


def optimal_tilt_deg(latitude_deg: npt.ArrayLike) -> api.Floats:
    """Return the best fixed tilt in degrees of modules that face the equator, by latitude (north positive).

    A cubic fit to simulated yields; for the southern hemisphere the angle is given as positive too.

    References
    ----------
    Jacobson and Jadhav, Solar Energy 169, 2018, 55-66.
    """
    lat = np.asarray(latitude_deg, dtype=np.float64)
    north = 1.3793 + lat * (1.2011 + lat * (-0.014404 + lat * 0.000080509))
    south = -0.41657 + lat * (1.4216 + lat * (0.024051 + lat * 0.00021828))
    return np.abs(np.where(lat < 0, south, north))


class TiltMount:
    """Frames that hold the modules at a better fixed tilt."""

    assumptions = api.read_ranges(common.DATA, "assumptions/tilt_mount.csv")
    facts = api.read_facts(common.DATA, "facts.csv", ())
    claims = api.read_claims(common.DATA, "claims.csv", "tilt_mount")
    notes = api.read_notes(
        common.DATA,
        "safety_notes.csv",
        (
            *common.VISIT_NOTES,
            "structural_check",
            "dc_safe_order",
            "lifting_modules",
            "waterproofing",
            "cables_under_modules",
            "adjusting_angle",
            "lightning_bonding",
            "test_after_dc_work",
            "listed_building",
            "glare",
        ),
    )
    about = api.About(
        id="tilt_mount",
        title="Tilt mount",
        summary="Raises modules on a flat roof or on the ground to the best fixed tilt",
        version="1.0",
        life=assumptions["life_years"],
        reads=(
            "latitude",
            "roof_kind",
            "listed_building",
            "tilt_deg",
            "azimuth_deg",
            "mounting",
            "ground_cover_ratio",
            "dc_rating_kw",
            "module_count",
            "module_rows",
            "module_columns",
        ),
        sources=(
            "Jacobson and Jadhav, Solar Energy 169, 2018, 55-66",
            "EN 1991-1-4",
            "ASCE 7-16 section 29.4.3",
        ),
        price_items=("tilt_frame", "structural_check", "insulation_test"),
    )

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Fit only frames and flat roofs that bear them, not what lies on a pitched roof or in its skin."""
        sites, arrays = cohort.sites, cohort.arrays
        can = _can_be_raised(cohort)
        in_roof = common.at_any_array(cohort, common.equals(arrays, "mounting", common.IN_ROOF))
        unsure = can & common.unknown(arrays, "mounting")
        lying_flat = can & common.equals(arrays, "mounting", common.FLUSH)
        return (
            api.Screening.of(cohort)
            .reject(
                common.equals(sites, "roof_kind", common.FRAGILE) & ~common.on_ground(cohort),
                "a fragile roof bears neither frames nor ballast",
            )
            .reject(~common.at_any_array(cohort, can) & in_roof, "modules that are the roof skin cannot be raised")
            .reject(
                ~common.at_any_array(cohort, can),
                "on a pitched roof raised modules catch the wind and win too little",
            )
            .survey(common.at_any_array(cohort, unsure), "how the modules are fixed is not known")
            .survey(
                common.at_any_array(cohort, lying_flat),
                "the modules lie flat now; see whether there is room for rows with space between",
            )
            .survey(
                common.at_any_array(cohort, can & _pitch_unknown(cohort)),
                "the distance from row to row is not known, and raised rows shade each other",
            )
            .survey(
                common.equals(sites, "listed_building", True),
                "listed building: consent before anything visible changes",
            )
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Raise what can be raised to the one best tilt of the site, unless it is there already."""
        can = _can_be_raised(cohort)
        raised = _ready_to_raise(cohort, plant, can, assume["ground_cover_if_unknown"])
        best = _best_tilt_deg(cohort, plant, raised, can, assume["tilt_step_deg"], assume["most_tilt_deg"])
        best = common.of_site(cohort, best)
        moved = can & (np.abs(best - plant.tilt_deg) > assume["least_change_deg"])  # NaN does not move
        count = common.module_count(cohort, assume["module_rating_kw"])
        modules = cohort.sum_by_site(np.where(can, count, 0.0))
        ones = np.ones(len(cohort))
        return api.Change(
            plant=plant.replace(
                tilt_deg=np.where(moved, best, plant.tilt_deg),
                ground_cover_ratio=np.where(moved, raised.ground_cover_ratio, plant.ground_cover_ratio),
                mounting=np.where(moved, raised.mounting, plant.mounting),
            ),
            costs=(
                api.CostLine(api.INSPECTION, "structural_check", ones, "check"),
                api.CostLine(api.MATERIAL, "tilt_frame", modules, "module"),
                api.CostLine(api.LABOUR, "roofer", assume["mount_h_per_module"] * modules, "h"),
                api.CostLine(api.INSPECTION, "insulation_test", ones, "visit", "plugs are opened and closed"),
                *common.access(cohort),
            ),
            remarks=_remarks(cohort, plant, moved, best),
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Wind and load, live cables, lifting, and the way up."""
        ground = common.on_ground(cohort)
        return common.notes_for(cohort, self.notes, {"waterproofing": ~ground})


def _can_be_raised(cohort: api.Cohort) -> api.Bools:
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


def _pitch_unknown(cohort: api.Cohort) -> api.Bools:
    """Tell per array (A,) whether there may be several rows whose distance is not known."""
    rows = common.numbers(cohort.arrays, "module_rows")
    return (np.isnan(rows) | (rows > 1)) & common.unknown(cohort.arrays, "ground_cover_ratio")


def _ready_to_raise(cohort: api.Cohort, plant: api.Plant, can: api.Bools, ground_cover: float) -> api.Plant:
    """Return the plant with what any raising brings: rows that can shade each other, air behind.

    Rows whose distance is not known get ``ground_cover``, so that the gain is not overstated.
    """
    known = common.numbers(cohort.arrays, "ground_cover_ratio")
    shading = np.where(np.isnan(known), np.where(_pitch_unknown(cohort), ground_cover, 0.0), known)
    ground = common.of_site(cohort, common.equals(cohort.sites, "roof_kind", common.GROUND))
    new_frame = can & ~np.isin(plant.mounting.astype(str), FRAMES)
    frame = np.where(ground, common.GROUND_FRAME, common.FLAT_FRAME).astype(object)
    return plant.replace(
        ground_cover_ratio=np.where(can, shading, plant.ground_cover_ratio),
        mounting=np.where(new_frame, frame, plant.mounting),
    )


def _best_tilt_deg(
    cohort: api.Cohort, plant: api.Plant, raised: api.Plant, can: api.Bools, step_deg: float, most_deg: float
) -> api.Floats:
    """Return the candidate tilt that generates most per site (S,), NaN where none beats today's plant."""
    fit = np.round(optimal_tilt_deg(common.numbers(cohort.sites, "latitude")) / step_deg) * step_deg
    most = api.annual_generation(cohort, plant)
    best = np.full(len(cohort), np.nan)
    for steps in STEPS_FROM_FIT:
        tilt = np.clip(fit + steps * step_deg, 0.0, most_deg)
        candidate = raised.replace(tilt_deg=np.where(can, common.of_site(cohort, tilt), plant.tilt_deg))
        generated = api.annual_generation(cohort, candidate)
        better = generated > most
        most, best = np.where(better, generated, most), np.where(better, tilt, best)
    return best


def _remarks(cohort: api.Cohort, plant: api.Plant, moved: api.Bools, best_deg: api.Floats) -> npt.NDArray[np.object_]:
    texts = np.full(len(cohort), "The tilt is as good as the best already: nothing to win", dtype=object)
    site = cohort.arrays["site"].to_numpy(dtype=np.intp)
    for row in np.flatnonzero(moved)[::-1]:  # the first array of a site speaks for it
        texts[site[row]] = f"Tilt from {plant.tilt_deg[row]:.0f} to {best_deg[row]:.0f} degrees"
    return texts


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [TiltMount()]
