"""Anti-soiling coating: a film that soils more slowly, or comes clean in lighter rain, for a while.

The plant with the new film has the soiling rate ``r (1 - a)``, the rain threshold ``m (1 - b)`` and the
transmittance ``t (1 + g)``; ``a`` and ``g`` may be negative. The effect halves every ``half_life_years``.
Water does the work: where it hardly soils, or never rains, there is nothing to win. Droppings stick to a
coating as to bare glass.
"""

from __future__ import annotations

import numpy as np

from aftersun import api
from aftersun_retrofits import _common as common

LITTLE_SOILING = "so little soils here that a coating cannot pay"


def left_by_year(half_life_years: float, years: int) -> api.Floats:
    """Return the mean of ``exp(-ln2 t / h)`` over year 1, 2, ... after coating, shape (years,); new = 1."""
    edges = np.exp2(-np.arange(years + 1) / half_life_years)
    mean: api.Floats = (edges[:-1] - edges[1:]) * half_life_years / np.log(2.0)
    return mean


def glass_m2(cohort: api.Cohort, rating_kw_per_m2: float) -> api.Floats:
    """Return glass per array (A,) in m2: modules times their size, else rating over ``rating_kw_per_m2``."""
    arrays = cohort.arrays
    rating = common.numbers(arrays, "dc_rating_kw")
    size = common.numbers(arrays, "module_width_m") * common.numbers(arrays, "module_height_m")
    count = common.numbers(arrays, "module_count")
    laid = common.numbers(arrays, "module_rows") * common.numbers(arrays, "module_columns")
    measured = size * np.where(np.isnan(count), laid, count)
    return np.where(np.isnan(measured), rating / rating_kw_per_m2, measured)


class AntiSoilingCoating:
    """A wipe-on film on the glass, after a wash."""

    assumptions = api.read_ranges(common.DATA, "assumptions/anti_soiling_coating.csv")
    facts = api.read_facts(common.DATA, "facts.csv", ())
    claims = api.read_claims(common.DATA, "claims.csv", "anti_soiling_coating")
    notes = api.read_notes(
        common.DATA,
        "safety_notes.csv",
        (*common.VISIT_NOTES, "wet_glass_slippery", "chemicals", "coating_trial_area", "cold_glass_only"),
    )
    about = api.About(
        id="anti_soiling_coating",
        title="Anti-soiling coating",
        summary="A wash and a film on the glass that takes dust more slowly for a year or two",
        version="1.0",
        life=assumptions["life_years"],
        reads=(
            "roof_kind",
            "surroundings",
            "cleanings_per_year",
            "mounting",
            "dc_rating_kw",
            "module_count",
            "module_rows",
            "module_columns",
            "module_width_m",
            "module_height_m",
        ),
        sources=(
            "Outdoor performance of anti-soiling coatings in various climates of Saudi Arabia",
            "Lisco et al., Energies 13(15) 2020, 3811",
            "RSC Energy Advances 2025, d5ya00103j",
            "Kimber et al., IEEE WCPEC 2006",
        ),
        price_items=("anti_soiling_coating", "roof_cleaning"),
    )

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Reject where bare glass loses too little; ask where rain is unknown or the roof is fragile."""
        no_rain_record = np.full(len(cohort), cohort.weather.rain_mm is None)
        unknown = common.unknown(cohort.sites, "surroundings")
        factor = np.where(unknown, self.assumptions["unknown_surroundings_factor"].mode, 1.0)
        little = _site_soiling_loss(cohort) * factor < self.assumptions["least_soiling_loss"].mode
        return (
            api.Screening.of(cohort)
            .reject(little & ~no_rain_record, LITTLE_SOILING)
            .survey(unknown, "what soils the modules here is not known")
            .survey(no_rain_record, "the weather station has no rain record, so the soiling loss is not known")
            .survey(
                common.equals(cohort.sites, "roof_kind", common.FRAGILE),
                "fragile roof: how to reach the glass safely",
            )
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Soil more slowly and clean in lighter rain, as new; the fade says how soon that is over."""
        area = cohort.sum_by_site(glass_m2(cohort, assume["glass_rating_kw_per_m2"]))
        years = int(np.ceil(max(self.about.life.high, assume["life_years"])))
        fade = left_by_year(assume["half_life_years"], years)
        # Yearly items do not fade, so the cleanings saved are spread evenly over the life.
        mean_left = fade[: max(round(assume["life_years"]), 1)].mean()
        cleanings = np.nan_to_num(common.numbers(cohort.sites, "cleanings_per_year"))
        saved = cleanings * assume["cleanings_saved_share"] * mean_left
        little = _site_soiling_loss(cohort, plant) < assume["least_soiling_loss"]
        return api.Change(
            plant=plant.replace(
                soiling_rate_per_day=plant.soiling_rate_per_day * (1.0 - assume["deposition_cut"]),
                rain_threshold_mm=plant.rain_threshold_mm * (1.0 - assume["threshold_cut"]),
                transmittance=plant.transmittance * (1.0 + assume["transmittance_gain"]),
            ),
            costs=(
                api.CostLine(api.MATERIAL, "anti_soiling_coating", area, "m2"),
                api.CostLine(api.LABOUR, "roofer", assume["coating_min_per_m2"] / 60.0 * area, "h", "wash included"),
                *common.access(cohort),
            ),
            yearly=(api.CostLine(api.AVOIDED_WORK, "roof_cleaning", saved, "clean", "cleanings paid for now"),),
            fade=fade,
            remarks=np.where(little, f"No case: {LITTLE_SOILING}", "").astype(object),
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Slippery glass, chemistry and run-off, and the way up."""
        return common.notes_for(cohort, self.notes)


def _site_soiling_loss(cohort: api.Cohort, plant: api.Plant | None = None) -> api.Floats:
    """Return the yearly soiling loss per site (S,), the arrays weighted by their rating."""
    rating = common.numbers(cohort.arrays, "dc_rating_kw")
    lost = cohort.sum_by_site(api.annual_soiling_loss(cohort, plant) * rating)
    return lost / cohort.sum_by_site(rating)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [AntiSoilingCoating()]
