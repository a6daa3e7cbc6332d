"""Cleaning by contract: one, two or four even washes a year, whichever is worth most on the site's own rain."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from aftersun import api
from aftersun_upgrades import _common as common

LIFE = api.Range(5, 2, 10, "years", "assumption: as long as a contract")
TIMES = (1, 2, 4)


class ScheduledCleaning:
    """Washes at the best of three intervals."""

    about = api.About(
        id="scheduled_cleaning",
        title="Scheduled cleaning",
        summary="We wash the modules in the interval that pays",
        version="0.1",
        life=LIFE,
        reads=("cleanings_per_year", "roof_kind", "surroundings"),
        sources=("Kimber et al., IEEE WCPEC 2006, as the program reckons soiling",),
        price_items=("roof_cleaning",),
        prices=(
            api.PriceItem(
                "cleaning_visit",
                api.STANDING,
                api.Range(60, 40, 120, "per visit", "common practice, no source; EUR of 2026", "way and set-up"),
            ),
            api.PriceItem(
                "cleaning_of_array",
                api.STANDING,
                api.Range(6, 3, 12, "per kW", "common practice, no source: EUR 1 to 2 a m2, 2026", "each wash"),
            ),
        ),
    )
    assumptions: Mapping[str, api.Range] = {
        "life_years": LIFE,
        "least_soiling_loss": api.Range(
            0.01, 0.005, 0.03, "share of output", "assumption", "yearly loss below which nobody needs to come"
        ),
    }
    facts: Mapping[str, api.Fact] = {}
    claims = (
        api.Claim("15 to 25 % more after cleaning.", "common practice, no source"),
        api.Claim("Up to 30 % lost to dust and birds in dry regions.", "common practice, no source"),
    )

    def screen(self, cohort: api.Cohort, assume: api.Assumed) -> api.Screening:
        """Not where rain does it; ask where rain or dirt is not known or the roof may break."""
        loss = api.annual_soiling_loss(cohort)
        site = cohort.arrays["site"].to_numpy(dtype=np.intp)
        most = np.zeros(len(cohort))
        np.maximum.at(most, site, loss)
        no_rain = np.full(len(cohort), cohort.weather.rain_mm is None)
        return (
            api.Screening.of(cohort)
            .reject((most < assume["least_soiling_loss"]) & ~no_rain, "rain keeps the modules clean enough")
            .survey(no_rain, "the weather station has no rain record, so the dirt is not known")
            .survey(cohort.sites["surroundings"].isna().to_numpy(), "what soils the modules here is not known")
            .survey(common.equals(cohort.sites, "roof_kind", "fragile sheet"), "fragile roof: how to reach the modules")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:  # noqa: ARG002
        """What is washed today is in today's plant: no fewer washes than that, and what they cost today is spared."""
        kw = cohort.sum_by_site(plant.dc_rating_kw)
        today = common.numbers(cohort.sites, "cleanings_per_year", 0.0)

        def washed(times: int) -> api.Change:
            return api.Change(
                plant=plant.replace(washes_per_year=np.maximum(plant.washes_per_year, float(times))),
                costs=(),
                yearly=(
                    api.CostLine(api.STANDING, "cleaning_visit", np.full(len(cohort), float(times)), "visit"),
                    api.CostLine(api.STANDING, "cleaning_of_array", times * kw, "kW"),
                    api.CostLine(api.AVOIDED_WORK, "roof_cleaning", np.minimum(today, times), "clean"),
                ),
                label=f"{times} a year",
            )

        first, *others = (washed(times) for times in TIMES)
        return replace(first, alternatives=tuple(others))

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """The way up, live cables, glass."""
        ground = common.equals(cohort.sites, "roof_kind", "ground")
        return api.Notes.of(cohort).add(common.HEIGHT, ~ground).add(common.LIVE).add(common.GLASS)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [ScheduledCleaning()]
