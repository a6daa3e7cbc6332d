"""A service contract: somebody reads the output, comes once a year, looks at everything and washes the modules.

A share of what is lost in stops and dead strings is found and repaired; the wash is one more a year. Left out: what an
inspection finds that costs no output, and repairs, which are paid when they come.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from aftersun import api
from aftersun_upgrades import _common as common

LIFE = api.Range(10, 3, 15, "years", "assumption: contracts are renewed for as long as the company does its work")


class ServiceContract:
    """Monitoring that somebody reads, one visit a year with inspection, tests and a wash."""

    about = api.About(
        id="service_contract",
        title="Service contract",
        summary="We watch the output, come once a year, inspect and test the system and wash the modules",
        version="0.1",
        life=LIFE,
        reads=("monitoring", "cleanings_per_year", "roof_kind"),
        excludes=("monitoring_add_on",),  # it holds the watching: sold beside it, the same stops would be saved twice
        sources=("IEC 62446-2: maintenance of PV systems", "assumption: what is found of what stops"),
        price_items=("roof_cleaning",),
        prices=(
            api.PriceItem(
                "service_visit",
                api.STANDING,
                api.Range(
                    110, 70, 250, "per visit", "common practice, no source; EUR of 2026", "way and report included"
                ),
            ),
            api.PriceItem(
                "service_of_array",
                api.STANDING,
                api.Range(
                    4, 2, 8, "per kW", "common practice, no source; EUR of 2026", "tests and wash of each kW a year"
                ),
            ),
        ),
    )
    assumptions: Mapping[str, api.Range] = {
        "life_years": LIFE,
        "found_share": api.Range(
            0.5,
            0.2,
            0.8,
            "share",
            "assumption",
            "part of the output lost in stops and dead strings that watching and a yearly visit saves",
        ),
        "found_if_watched": api.Range(
            0.1, 0.0, 0.3, "share", "assumption", "the same where somebody reads a portal already"
        ),
        "washes": api.Range(1.0, 1.0, 2.0, "a year", "common practice, no source", "washes that the contract brings"),
    }
    facts: Mapping[str, api.Fact] = {}
    claims = (api.Claim("Maintained systems yield 10 to 30 % more.", "common practice, no source"),)

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Everybody may have it; a fragile roof is looked at first."""
        fragile = common.equals(cohort.sites, "roof_kind", "fragile sheet")
        return api.Screening.of(cohort).survey(fragile, "fragile roof: how to reach the modules safely")

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Fewer stops, fewer dead strings, one wash more, for a yearly charge."""
        watched = common.equals(cohort.sites, "monitoring", "portal somebody reads")
        found = np.where(watched, assume["found_if_watched"], assume["found_share"])
        of_array = common.at_sites(cohort, found)
        paid = np.minimum(common.numbers(cohort.sites, "cleanings_per_year", 0.0), assume["washes"])
        own = common.at_sites(cohort, assume["washes"] - paid)
        kept = plant.replace(
            availability=1.0 - (1.0 - plant.availability) * (1.0 - found),
            strings_working=1.0 - (1.0 - plant.strings_working) * (1.0 - of_array),
            washes_per_year=plant.washes_per_year + own,
        )
        kw = cohort.sum_by_site(plant.dc_rating_kw)
        ones = np.ones(len(cohort))
        return api.Change(
            plant=kept,
            costs=(),
            yearly=(
                api.CostLine(api.STANDING, "service_visit", ones, "visit"),
                api.CostLine(api.STANDING, "service_of_array", kw, "kW"),
                api.CostLine(api.AVOIDED_WORK, "roof_cleaning", paid, "clean", "paid to others today"),
            ),
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """The way up, live cables, glass."""
        ground = common.equals(cohort.sites, "roof_kind", "ground")
        return api.Notes.of(cohort).add(common.HEIGHT, ~ground).add(common.LIVE).add(common.GLASS)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [ServiceContract()]
