"""A battery beside the inverter (AC-coupled): the day's surplus for the evening, its size of three by worth.

The hourly balance of the program charges it from surplus, once water and load are served, and from the grid in cheap
hours where the column battery_charges_from_grid of the site says so. Left out: power in an outage, and DC coupling.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from aftersun import api
from aftersun_upgrades import _common as common

LIFE = api.Range(13, 8, 18, "years", "common practice, no source: warranties of ten years")
SIZES = {0.3: "small", 0.6: "middle", 1.0: "large"}  # of a day's use


class Battery:
    """Storage of the day's surplus."""

    about = api.About(
        id="battery",
        title="Battery",
        summary="A battery keeps the day's surplus for the evening and the night",
        version="0.1",
        life=LIFE,
        reads=("battery_kwh", "export_rule", "roof_kind"),
        sources=("hourly balance of the program", "VDI 4655 and IEC 62619 for what is left out"),
        prices=(
            api.PriceItem(
                "battery_capacity",
                api.MATERIAL,
                api.Range(380, 220, 650, "per kWh", "common practice, no source; EUR of 2026", "usable capacity"),
            ),
            api.PriceItem(
                "battery_inverter",
                api.MATERIAL,
                api.Range(
                    900, 500, 1500, "per piece", "common practice, no source; EUR of 2026",
                    "inverter, meter and cables of a battery of up to 15 kWh",
                ),
            ),
        ),
    )  # fmt: skip
    assumptions: Mapping[str, api.Range] = {
        "life_years": LIFE,
        "kw_per_kwh": api.Range(0.5, 0.3, 1.0, "kW/kWh", "common practice, no source", "greatest power over capacity"),
        "fade_per_year": api.Range(
            0.02,
            0.01,
            0.035,
            "share a year",
            "common practice, no source: 80 % left after ten years",
            "loss of capacity",
        ),
        "work_h": api.Range(10, 6, 16, "h", "assumption", "electrician"),
        "kwh_per_inverter": api.Range(15, 10, 20, "kWh", "assumption", "one battery inverter for so much"),
    }
    facts: Mapping[str, api.Fact] = {}
    claims = (api.Claim("Independent of the grid by 80 %.", "common practice, no source"),)

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Not where there is one, nor where export is worth as much as import; a place for it is to be found."""
        there = common.numbers(cohort.sites, "battery_kwh", 0.0) > 0
        pointless = common.equals(cohort.sites, "export_rule", "net metering", "gross feed-in")
        everywhere = np.ones(len(cohort), dtype=bool)
        return (
            api.Screening.of(cohort)
            .reject(there, "there is a battery")
            .reject(pointless, "exported energy counts in full: a battery has nothing to save")
            .survey(everywhere, "a dry place away from escape routes, and the present meter cabinet")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:  # noqa: ARG002
        """Three sizes by the use of a day; each hour charged from surplus."""
        sizes = [self._of_size(share, label, plant, assume) for share, label in SIZES.items()]
        return replace(sizes[0], alternatives=tuple(sizes[1:]))

    def _of_size(self, share: float, label: str, plant: api.Plant, assume: api.Assumed) -> api.Change:
        kwh = np.maximum(np.round(2.0 * share * plant.demand_kwh / 365.0) / 2.0, 2.0)
        inverters = np.ceil(kwh / assume["kwh_per_inverter"])
        left = np.maximum(1.0 - assume["fade_per_year"] * (common.years_of(self.about) - 1), 0.0)
        texts = np.array([f"{size:g} kWh usable" for size in kwh], dtype=object)
        return api.Change(
            plant=plant.replace(battery_kwh=kwh, battery_kw=kwh * assume["kw_per_kwh"]),
            costs=(
                api.CostLine(api.MATERIAL, "battery_capacity", kwh, "kWh"),
                api.CostLine(api.MATERIAL, "battery_inverter", inverters, "piece"),
                api.CostLine(api.LABOUR, "electrician", assume["work_h"] * np.sqrt(inverters), "h"),
            ),
            fade=left,
            remarks=texts,
            label=label,
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Fire, weight, live parts."""
        fire = api.Note(
            "battery_fire",
            api.DANGER,
            "A damaged cell burns and gives off poisonous gas: not in escape routes or bedrooms; fit a smoke alarm.",
            "a licensed electrician trained by the maker",
            "IEC 62619; VDE-AR-E 2510-50; local fire rules come first",
        )
        live = api.Note(
            "battery_live",
            api.DANGER,
            "A battery cannot be switched dead: its terminals stay live; insulated tools, no jewellery.",
            "a licensed electrician trained by the maker",
            "EN 50110-1; the maker's manual",
        )
        weight = api.Note(
            "battery_weight", api.WARNING, "Modules weigh 25 to 60 kg: two people lift, the wall has to bear it.",
            "two people", "common practice, no source",
        )  # fmt: skip
        return api.Notes.of(cohort).add(fire).add(live).add(weight)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [Battery()]
