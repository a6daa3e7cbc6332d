"""Bird mesh: closes the gap under modules that lie on a pitched roof, so that birds cannot nest there.

Model
-----
``chance of nesting x (droppings away + clean-ups and cable repairs avoided) - ventilation penalty``. What owners pay
for against noise, mess and blocked gutters is a line of its own, as avoided fires are, and never energy. Where none
nest now they may come later: so many of these roofs a year that the share of the prior, of which little is known
(``share_of_prior``), is reached after ``years_to_prior``. Then clean-ups and repairs are avoided, by the mean over the
life of the mesh. Whether birds nest is a fact where somebody looked; else its prior, which is a share of town roofs,
times a factor where the place is out of town or the roof covering is too smooth to hold a nest. Droppings stay on flat
modules and are washed off steep ones in heavy rain, so mesh under steep ones wins less. It never wins more than the
baseline plant loses by them.

Mesh costs a little ventilation: the rise of the cell temperature counts in full whether there are birds or not, in
proportion to irradiance, and ends where a wholly closed back would (Sandia sets, 8 K at 1000 W/m2). So without birds
energy is lost. Length is the outline as traced, else of the rectangle around each block of rows and columns; blocks of
several arrays are closed each for itself. A block with an unequal last row, or stepped at its corners, has the outline
of that rectangle, since steps only move its edges. A notch inside an edge adds twice its depth and has to be
traced; sides that a parapet or a sheet closes are left out when it is traced.

Mesh is work of hours along the edge: by ladder with fall arrest or from a platform that several roofs of a round share,
as the company file says.

Not for modules that are the roof skin or stand on frames, nor for gaps too narrow to nest in or too wide to close.

Known limits
------------
No controlled trial of the yield lost to droppings, and no rate of cable damage, was found: both are assumptions. The
chance of nesting rests on complaints and councils' lists, not on a survey. Droppings of birds that come later are not
counted, nor are leaves behind the mesh.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from aftersun import api
from aftersun_retrofits import _common as common

Number: TypeAlias = api.Floats | float

FRAMES_AND_SKINS = (common.IN_ROOF, common.FLAT_FRAME, common.GROUND_FRAME)
FLAT_OR_GROUND = ("flat membrane", "flat gravel", common.GROUND)

NORTH_SEASON = "often March to August"
SOUTH_SEASON = "often September to February"

OUT_OF_TOWN = ("rural", "farmland", "desert")
SMOOTH_ROOFS = ("pitched metal", common.FRAGILE)
FLAT_DEG, STEEP_DEG = 10.0, 30.0  # Haeberlin: no self-clearing below, almost full self-clearing in heavy rain from here


def perimeter_m(rows: Number, columns: Number, width_m: Number, height_m: Number, spacing_m: float = 0.0) -> api.Floats:
    """Return the outline in m of a rectangular block of modules.

    ``width_m`` along the row, ``height_m`` up the slope, ``spacing_m`` between neighbours. A block that is stepped
    at its corners has the outline of the rectangle around it.
    """
    across = columns * width_m + (columns - 1.0) * spacing_m
    up = rows * height_m + (rows - 1.0) * spacing_m
    return np.asarray(2.0 * (across + up), dtype=np.float64)


def droppings_staying(tilt_deg: npt.ArrayLike, staying_when_steep: float) -> api.Floats:
    """Return the share of the loss by droppings that rain leaves: all up to 10 degrees, ``staying_when_steep`` from 30.

    Between them it falls in a straight line. ``tilt_deg`` of any shape.
    """
    return np.interp(np.asarray(tilt_deg, dtype=np.float64), (FLAT_DEG, STEEP_DEG), (1.0, staying_when_steep))


def nesting_factor(
    surroundings: npt.NDArray[np.object_], roof_kind: npt.NDArray[np.object_], out_of_town: float, smooth_roof: float
) -> api.Floats:
    """Return the factor on the chance of nesting that holds for town roofs, per site (S,); unknown counts as 1."""
    of_surroundings = np.where(np.isin(surroundings.astype(str), OUT_OF_TOWN), out_of_town, 1.0)
    return of_surroundings * np.where(np.isin(roof_kind.astype(str), SMOOTH_ROOFS), smooth_roof, 1.0)


def share_of_life(come_per_year: Number, life_years: float) -> api.Floats:
    """Return the share of ``life_years`` that birds nest, if they come with this chance in each year and stay.

    The mean over the life of ``1 - exp(-h t)``: 0 for none, near 1 where they come at once.
    """
    passed = np.asarray(come_per_year, dtype=np.float64) * life_years
    return np.where(passed > 0, 1.0 + np.expm1(-passed) / np.where(passed > 0, passed, 1.0), 0.0)


class BirdMesh:
    """Mesh clipped to the frames around each block."""

    about, assumptions, facts, claims, notes = common.from_data("bird_mesh")

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Fit only around modules that lie on a pitched roof with a gap that mesh can close."""
        sites = cohort.sites
        fits = _can_be_meshed(cohort)
        none_fits = ~common.at_any_array(cohort, fits)
        closed = ~common.at_any_array(cohort, fits & ~_closed_all_round(cohort))
        kind_unknown = common.at_any_array(cohort, fits & common.unknown(cohort.arrays, "mounting"))
        gap_mm = common.numbers(sites, "module_gap_mm")
        least, most = self.assumptions["least_gap_mm"].mode, self.assumptions["most_gap_mm"].mode
        listed, fragile = common.equals(sites, "listed_building", True), common.fragile(cohort)
        return (
            api.Screening.of(cohort)
            .reject(none_fits, "no modules that lie on a pitched roof with a gap below; mesh is for those")
            .reject(closed, "every side is closed already, as traced")
            .reject(gap_mm < least, f"the gap is below {least:.0f} mm: birds cannot nest there and clips do not hold")
            .reject(gap_mm > most, f"the gap is above {most:.0f} mm: mesh does not close it")
            .survey(np.isnan(gap_mm), "the gap between roof and modules is not known")
            .survey(kind_unknown, "how the modules are fixed is not known")
            .survey(listed, "listed building: consent before anything visible changes")
            .survey(fragile, "fragile roof: how to reach the modules safely")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Take the droppings away, warm the cells a little; count the work it takes and saves."""
        meshed = _can_be_meshed(cohort) & ~_closed_all_round(cohort)
        birds = _chance_of_nesting(cohort, assume, self.facts["birds_seen"])
        length = cohort.sum_by_site(np.where(meshed, _outline_m(cohort, assume), 0.0))
        hours = assume["set_up_h"] + length * assume["mesh_min_per_m"] / 60.0
        clips = np.ceil(length / assume["clip_spacing_m"])
        clear_out = birds * assume["clear_out_h"]
        over_the_years = birds + (1.0 - birds) * self._coming_later(cohort, assume)
        return api.Change(
            plant=plant.replace(
                droppings_loss=plant.droppings_loss * np.where(meshed, self._droppings_left(cohort, assume), 1.0),
                extra_temp_k=np.where(meshed, _warmer(plant.extra_temp_k, assume), plant.extra_temp_k),
            ),
            costs=(
                api.CostLine(api.MATERIAL, "bird_mesh", length * (1.0 + assume["mesh_waste_share"]), "m"),
                api.CostLine(api.MATERIAL, "mesh_clip", clips, "piece"),
                api.CostLine(api.LABOUR, "roofer", hours, "h"),
                api.CostLine(api.LABOUR, "roofer", clear_out, "h", "old droppings washed off", shared_work="wash"),
                api.CostLine(api.LABOUR, "helper", hours * (assume["crew"] - 1.0), "h"),
                *common.access(cohort, "roof edge"),
            ),
            yearly=(
                api.CostLine(
                    api.AVOIDED_NUISANCE,
                    "bird_clean_up",
                    over_the_years * assume["clean_ups_per_year"],
                    "clean-up",
                    "noise, mess and gutters; no energy",
                ),
                api.CostLine(
                    api.AVOIDED_WORK, "repair_visit", over_the_years * assume["cable_repairs_per_year"], "repair"
                ),
            ),
            remarks=_remarks(cohort),
        )

    def _droppings_left(self, cohort: api.Cohort, assume: api.Assumed) -> api.Floats:
        """Return the share of today's droppings loss that the mesh leaves, per array (A,), never below 0.

        Today's plant has the loss at the plain chance of nesting and at any tilt; what it lacks cannot be won back.
        """
        fact = self.facts["birds_seen"]
        plain = assume.chance(cohort.sites, fact)
        here = _chance_of_nesting(cohort, assume, fact)
        likelier = np.divide(here, plain, out=np.zeros_like(here), where=plain > 0)
        staying = droppings_staying(common.numbers(cohort.arrays, "tilt_deg"), assume["droppings_staying_at_30_deg"])
        won = (1.0 - assume["droppings_left"]) * staying * common.of_site(cohort, likelier)
        left: api.Floats = np.maximum(1.0 - won, 0.0)
        return left

    def _coming_later(self, cohort: api.Cohort, assume: api.Assumed) -> api.Floats:
        """Return the share of the mesh's life that birds nest on a roof where none do now, (S,)."""
        unasked = cohort.sites.assign(birds_seen=cohort.sites["birds_seen"].mask(cohort.sites["birds_seen"].notna()))
        in_town = assume["share_of_prior"] * assume.chance(unasked, self.facts["birds_seen"])
        here = _nesting_prior(cohort, assume, in_town) * assume["roof_nesting_factor"]
        return share_of_life(here / assume["years_to_prior"], assume["life_years"])

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Nests and animals, droppings, cables, and the way up."""
        return common.notes_for(cohort, self.notes)


def _can_be_meshed(cohort: api.Cohort) -> api.Bools:
    """Tell per array (A,) whether it lies on a pitched roof with a gap below, as far as is known."""
    on_flat = common.of_site(cohort, common.equals(cohort.sites, "roof_kind", *FLAT_OR_GROUND))
    return ~(common.equals(cohort.arrays, "mounting", *FRAMES_AND_SKINS) | on_flat)


def _closed_all_round(cohort: api.Cohort) -> api.Bools:
    """Tell per array (A,) whether it was traced and no side is open."""
    closed: api.Bools = common.numbers(cohort.arrays, "open_outline_m") == 0.0
    return closed


def _chance_of_nesting(cohort: api.Cohort, assume: api.Assumed, birds_seen: api.Fact) -> api.Floats:
    """Return per site (S,) 1 or 0 where somebody looked, else the prior for roofs like this one."""
    known = ~common.unknown(cohort.sites, "birds_seen")
    chance = assume.chance(cohort.sites, birds_seen)
    return np.where(known, chance, _nesting_prior(cohort, assume, chance))


def _nesting_prior(cohort: api.Cohort, assume: api.Assumed, in_town: api.Floats) -> api.Floats:
    """Return the chance of nesting on roofs like these, (S,), from that on town roofs."""
    surroundings, roof_kind = (
        cohort.sites[name].astype(object).to_numpy(dtype=object) for name in ("surroundings", "roof_kind")
    )
    factor = nesting_factor(surroundings, roof_kind, assume["out_of_town_factor"], assume["smooth_roof_factor"])
    return np.minimum(in_town * factor, 1.0)


def _warmer(extra_temp_k: api.Floats, assume: api.Assumed) -> api.Floats:
    """Return the cells' excess temperature behind mesh, K (A,): no more than behind a wholly closed gap."""
    bound = np.maximum(extra_temp_k, assume["insulated_back_extra_temp_k"])
    return np.minimum(extra_temp_k + assume["mesh_extra_temp_k"], bound)


def _outline_m(cohort: api.Cohort, assume: api.Assumed) -> api.Floats:
    """Return the outline of each array's block in m, shape (A,): as traced, else by what is known of the block."""
    arrays = cohort.arrays
    count = common.module_count(cohort, assume["module_rating_kw"])
    rows, columns = common.numbers(arrays, "module_rows"), common.numbers(arrays, "module_columns")
    guessed = np.where(np.isnan(columns), np.minimum(assume["rows_if_unknown"], count), np.ceil(count / columns))
    rows = np.where(np.isnan(rows), guessed, rows)
    columns = common.numbers(arrays, "module_columns", np.ceil(count / rows))
    width, height = (common.numbers(arrays, name, assume[name]) for name in ("module_width_m", "module_height_m"))
    return common.numbers(
        arrays, "open_outline_m", perimeter_m(rows, columns, width, height, assume["module_spacing_m"])
    )


def _remarks(cohort: api.Cohort) -> npt.NDArray[np.object_]:
    season = np.where(common.numbers(cohort.sites, "latitude") < 0, SOUTH_SEASON, NORTH_SEASON)
    none_seen = common.equals(cohort.sites, "birds_seen", False)
    texts = [
        f"Plan outside the nesting season ({when}); look on the day and stop if a nest is active"
        + ("; no birds are seen: it only keeps them from coming" if bare else "")
        for when, bare in zip(season, none_seen, strict=True)
    ]
    return np.array(texts, dtype=object)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [BirdMesh()]
