"""More modules: in the gaps of a field that stands, or on the opposite face of a pitched roof.

The added part is an array of its own, as new, on the inverter that is there: it gets no more than ``most_dc_per_ac`` of
it, what is clipped or passes the grid's limit is lost, and support that was granted for the present modules is not
taken for more of them. Left out: a second inverter, faces to the side, dormers and what else stands in the way.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from aftersun import api
from aftersun_upgrades import _common as common

LIFE = api.Range(25, 20, 30, "years", "common practice, no source")
PITCHED = ("pitched tile", "pitched slate", "pitched metal")


class MoreModules:
    """A second array on the inverter that is there."""

    about = api.About(
        id="more_modules",
        title="More modules",
        summary="More modules are laid beside the present ones or on the opposite face, on the same inverter",
        version="0.1",
        life=LIFE,
        reads=("roof_kind", "mounting", "export_rule", "generation_price", "export_limit_kw", "listed_building"),
        sources=("the added array, as the program simulates it", "common practice, no source: room and prices"),
        price_items=("insulation_test",),
        prices=(
            common.MODULE,
            api.PriceItem(
                "module_frame", api.MATERIAL,
                api.Range(110, 60, 220, "per kW", "common practice, no source; EUR of 2026", "hooks, rails, cables"),
            ),
        ),
    )  # fmt: skip
    assumptions: Mapping[str, api.Range] = {
        "life_years": LIFE,
        "gap_share": api.Range(
            0.2, 0.0, 0.4, "share", "assumption", "room in the gaps and at the edges, of the present rating"
        ),
        "face_share": api.Range(
            0.8, 0.3, 1.0, "share", "assumption", "room on the opposite face, of the present rating"
        ),
        "most_dc_per_ac": api.Range(
            1.5, 1.2, 1.7, "kW/kW", "common practice, no source", "modules for each kW of inverter"
        ),
        "least_kw": api.Range(1.0, 0.5, 3.0, "kW", "assumption", "nobody comes for less"),
        "module_kw": api.Range(0.44, 0.40, 0.50, "kW", "common practice, no source", "a new one"),
        "h_per_module": api.Range(0.5, 0.3, 0.8, "h", "assumption", "two people each"),
        "electrician_h": api.Range(4, 2, 8, "h", "assumption", "string, tests, registration"),
    }
    facts: Mapping[str, api.Fact] = {}
    claims = (api.Claim("More modules pay back sooner than a battery.", "common practice, no source"),)

    def screen(self, cohort: api.Cohort, assume: api.Assumed) -> api.Screening:
        """Where the inverter has room, and what more modules send out is paid as the present ones' is."""
        sites, plant = cohort.sites, api.baseline(cohort)
        supported = common.equals(sites, "export_rule", "gross feed-in") | (
            common.numbers(sites, "generation_price", 0.0) > 0
        )
        skin = ~common.at_any_array(cohort, ~common.equals(cohort.arrays, "mounting", "in roof"))
        everywhere = np.ones(len(cohort), dtype=bool)
        return (
            api.Screening.of(cohort)
            .reject(common.equals(sites, "roof_kind", "fragile sheet"), "nobody works on a fragile roof")
            .reject(skin, "the modules are the skin of the roof")
            .reject(
                supported, "the support of the present modules does not hold for more; they need a meter of their own"
            )
            .reject(_room_kw(cohort, plant, assume) < assume["least_kw"], "the inverter has no room for more modules")
            .survey(everywhere, "room on the roof, its load, and what the grid operator allows")
            .survey(common.equals(sites, "export_rule", "net metering"), "whether net metering holds for more modules")
            .survey(common.equals(sites, "listed_building", True), "listed building: consent before anything changes")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """In the gaps; or on the opposite face of a pitched roof."""
        rating = cohort.sum_by_site(plant.dc_rating_kw)
        first = _first(cohort)
        gaps = self._with(cohort, plant, assume, assume["gap_share"] * rating, plant.azimuth_deg[first], "in the gaps")
        across = (plant.azimuth_deg[first] + 180.0) % 360.0
        face = self._with(cohort, plant, assume, assume["face_share"] * rating, across, "on the opposite face")
        pitched = common.equals(cohort.sites, "roof_kind", *PITCHED)
        return replace(gaps, alternatives=(replace(face, available=pitched),))

    def _with(
        self,
        cohort: api.Cohort,
        plant: api.Plant,
        assume: api.Assumed,
        wanted_kw: api.Floats,
        azimuth_deg: api.Floats,
        label: str,
    ) -> api.Change:
        first, ones = _first(cohort), np.ones(len(cohort))
        modules = np.floor(np.minimum(wanted_kw, _room_kw(cohort, plant, assume)) / assume["module_kw"])
        kw = modules * assume["module_kw"]
        there = (kw > 0).astype(np.float64)
        hours = assume["h_per_module"] * modules
        new = api.NewArray(
            {
                "dc_rating_kw": kw,
                "tilt_deg": plant.tilt_deg[first],
                "azimuth_deg": azimuth_deg,
                "mounting": plant.mounting[first],
                "ground_cover_ratio": plant.ground_cover_ratio[first],
            }
        )
        return api.Change(
            plant=plant,
            added=(new,),
            costs=(
                api.CostLine(api.MATERIAL, "module", kw, "kW"),
                api.CostLine(api.MATERIAL, "module_frame", kw, "kW"),
                api.CostLine(api.LABOUR, "roofer", hours, "h"),
                api.CostLine(api.LABOUR, "helper", hours, "h", "two people lift"),
                api.CostLine(api.LABOUR, "electrician", there * assume["electrician_h"], "h"),
                api.CostLine(api.INSPECTION, "insulation_test", ones * there, "visit", "plugs are opened and closed"),
                *common.access(cohort, there),
            ),
            remarks=np.array([f"{n:.0f} modules, {k:.1f} kW" for n, k in zip(modules, kw, strict=True)], dtype=object),
            label=label,
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """The way up, live cables, what the roof bears."""
        ground = common.equals(cohort.sites, "roof_kind", "ground")
        load = api.Note(
            "more_modules_load", api.WARNING,
            "More modules are more weight, wind and snow: hooks, rails and roof are to be checked for them first.",
            "a structural engineer", "EN 1991-1-3; EN 1991-1-4",
        )  # fmt: skip
        string = api.Note(
            "more_modules_string", api.DANGER,
            "More modules in a string may pass what the inverter bears: check cold voltage, current and plugs.",
            "a licensed electrician", "IEC 60364-7-712; IEC 62548-1",
        )  # fmt: skip
        return api.Notes.of(cohort).add(common.HEIGHT, ~ground).add(common.LIVE).add(load).add(string)


def _first(cohort: api.Cohort) -> np.ndarray[tuple[int, ...], np.dtype[np.intp]]:
    """Return the position of the first array of each site (S,)."""
    return np.searchsorted(cohort.arrays["site"].to_numpy(dtype=np.intp), np.arange(len(cohort)))


def _room_kw(cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Floats:
    """Return how much more the inverters may have, kW (S,)."""
    most = assume["most_dc_per_ac"] * plant.inverter_rating_kw - cohort.sum_by_site(plant.dc_rating_kw)
    return np.maximum(most, 0.0)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [MoreModules()]
