"""Old modules replaced by new ones on the same field: more power from the same glass, and years for an old system.

The inverter stays, so what it clips is clipped; no more is fitted than ``most_dc_per_ac`` of it. Left out: gaps filled,
other faces of the roof, and frames for modules of another size.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from aftersun import api
from aftersun_upgrades import _common as common

LIFE = api.Range(25, 20, 30, "years", "common practice, no source")


class ModuleRenewal:
    """New modules in the place of old ones."""

    about = api.About(
        id="module_renewal",
        title="New modules in place of old ones",
        summary="The old modules come down and new ones of more power take their place",
        version="0.1",
        life=LIFE,
        reads=("commissioned_on", "roof_kind", "module_count", "module_width_m", "module_height_m", "mounting",
               "export_rule", "remaining_life_years"),
        sources=("rating times light, as the program simulates", "common practice, no source: power per m2"),
        price_items=("insulation_test",),
        prices=(
            common.MODULE,
            api.PriceItem(
                "module_taken_away", api.MATERIAL,
                api.Range(4, 0, 12, "per module", "assumption; EUR of 2026", "to recycling, Directive 2012/19/EU"),
            ),
        ),
    )  # fmt: skip
    assumptions: Mapping[str, api.Range] = {
        "life_years": LIFE,
        "new_kw_per_m2": api.Range(0.21, 0.19, 0.23, "kW/m2", "common practice, no source"),
        "old_kw_per_m2": api.Range(
            0.15, 0.12, 0.18, "kW/m2", "common practice, no source", "where the size is not known"
        ),
        "module_m2": api.Range(1.65, 1.5, 1.9, "m2", "common practice, no source", "an old one, where not known"),
        "most_dc_per_ac": api.Range(
            1.5, 1.2, 1.7, "kW/kW", "common practice, no source", "modules for each kW of inverter"
        ),
        "least_age_years": api.Range(10, 8, 15, "years", "assumption", "younger modules are left alone"),
        "unknown_age_years": api.Range(8, 3, 14, "years", "assumption"),
        "h_per_module": api.Range(0.8, 0.5, 1.2, "h", "assumption", "two people each, off and on"),
    }
    facts: Mapping[str, api.Fact] = {}
    claims = (api.Claim("Repowering doubles the yield.", "common practice, no source"),)

    def screen(self, cohort: api.Cohort, assume: api.Assumed) -> api.Screening:
        """Old modules that are not the skin of the roof; a tariff that ends with the old ones is asked for first."""
        skin = cohort.sum_by_site(common.equals(cohort.arrays, "mounting", "in roof").astype(np.float64)) > 0
        age = cohort.age_years(assume["unknown_age_years"])
        everywhere = np.ones(len(cohort), dtype=bool)
        return (
            api.Screening.of(cohort)
            .reject(skin, "the modules are the skin of the roof")
            .reject(age < assume["least_age_years"], "the modules are too young")
            .reject(common.equals(cohort.sites, "roof_kind", "fragile sheet"), "nobody works on a fragile roof")
            .survey(everywhere, "rails and clamps for modules of another size, and what the grid operator allows")
            .survey(common.equals(cohort.sites, "export_rule", "gross feed-in"), "whether the support goes on")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """The same glass with new power, as new; no more than the inverter can take."""
        arrays, site = cohort.arrays, cohort.arrays["site"].to_numpy(dtype=np.intp)
        size = common.numbers(arrays, "module_width_m") * common.numbers(arrays, "module_height_m")
        size = np.where(np.isnan(size), assume["module_m2"], size)
        old = plant.dc_rating_kw
        by_rating = old / assume["old_kw_per_m2"] / assume["module_m2"]
        count = common.numbers(arrays, "module_count")
        count = np.where(np.isnan(count), np.maximum(np.round(by_rating), 1.0), count)
        wanted = count * size * assume["new_kw_per_m2"]
        room = assume["most_dc_per_ac"] * plant.inverter_rating_kw / np.maximum(cohort.sum_by_site(wanted), 1e-9)
        rating = np.clip(wanted * np.minimum(room, 1.0)[site], old, 1e6)
        ones, modules = np.ones(len(cohort)), cohort.sum_by_site(count)
        hours = assume["h_per_module"] * modules
        new = plant.replace(
            dc_rating_kw=rating,
            ageing=np.ones(len(old)),
            excess_loss=np.zeros(len(old)),
            strings_working=np.ones(len(old)),
        )
        said = cohort.sites["remaining_life_years"].notna().to_numpy()
        return api.Change(
            plant=new,
            costs=(
                api.CostLine(api.MATERIAL, "module", cohort.sum_by_site(rating), "kW"),
                api.CostLine(api.MATERIAL, "module_taken_away", modules, "module"),
                api.CostLine(api.LABOUR, "roofer", hours, "h"),
                api.CostLine(api.LABOUR, "helper", hours, "h", "two people lift"),
                api.CostLine(api.INSPECTION, "insulation_test", ones, "visit", "plugs are opened and closed"),
                *common.access(cohort),
            ),
            plant_life_years=np.where(said, 0.0, assume["life_years"]),
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """The way up, live cables, loads on the roof."""
        ground = common.equals(cohort.sites, "roof_kind", "ground")
        load = api.Note(
            "module_renewal_load", api.WARNING,
            "Larger modules catch more wind and snow: clamps, rails and roof are to be checked for them.",
            "a structural engineer", "EN 1991-1-3; EN 1991-1-4",
        )  # fmt: skip
        return api.Notes.of(cohort).add(common.HEIGHT, ~ground).add(common.LIVE).add(load)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [ModuleRenewal()]
