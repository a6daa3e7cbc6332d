"""A film that bends light on the glass: shown beside what is claimed of it, never offered.

What a film on finished modules can win is at most what their glass reflects, most of that at a low sun; what it takes
by its own absorption and ageing in the sun is of the same size. No independent measurement in the field is known.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from aftersun import api
from aftersun_upgrades import _common as common

LIFE = api.Range(5, 2, 10, "years", "assumption: films age in the sun")


class LightFilm:
    """A claim, and what physics leaves of it."""

    about = api.About(
        id="light_film",
        title="Light-bending film",
        summary="A film on the glass is said to catch more light",
        version="0.1",
        life=LIFE,
        reads=("roof_kind",),
        sources=("Fresnel: 4 % of light is reflected by a surface of glass, about 2 % where it has a coating",),
        prices=(
            api.PriceItem(
                "light_film",
                api.MATERIAL,
                api.Range(60, 20, 150, "per kW", "assumption; EUR of 2026", "film for each kW"),
            ),
        ),
        claim_only=True,
    )
    assumptions: Mapping[str, api.Range] = {
        "life_years": LIFE,
        "net_gain": api.Range(
            0.0, -0.03, 0.02, "share of output", "Fresnel for the best, absorption of a film for the worst: assumption"
        ),
        "h_per_kw": api.Range(0.7, 0.4, 1.5, "h/kW", "assumption", "cleaned and laid without bubbles"),
    }
    facts: Mapping[str, api.Fact] = {}
    claims = (api.Claim("10 to 20 % more light by a film on the modules.", "common practice, no source"),)

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Everywhere: it is only shown."""
        return api.Screening.of(cohort)

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """A little light more or less."""
        kw = cohort.sum_by_site(plant.dc_rating_kw)
        return api.Change(
            plant=plant.replace(transmittance=np.clip(plant.transmittance * (1.0 + assume["net_gain"]), 0.5, 1.2)),
            costs=(
                api.CostLine(api.MATERIAL, "light_film", kw, "kW"),
                api.CostLine(api.LABOUR, "roofer", assume["h_per_kw"] * kw, "h"),
                *common.access(cohort),
            ),
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """The way up, live cables, glass."""
        ground = common.equals(cohort.sites, "roof_kind", "ground")
        return api.Notes.of(cohort).add(common.HEIGHT, ~ground).add(common.LIVE).add(common.GLASS)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [LightFilm()]
