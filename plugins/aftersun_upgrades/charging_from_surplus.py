"""A car charged from surplus while it stands at home, in place of by night.

Both sides are in the same hourly balance: today the car takes the day's energy by night, at the tariff of those hours;
with the control it takes what the roof has over while it stands there, and what is missing in the last hours before it
leaves. What it replaces is therefore bought electricity, never fuel: the car is there in both cases. Left out: a
charging point where there is none, charging from the car back to the house, and days away.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from aftersun import api
from aftersun_upgrades import _common as common

LIFE = api.Range(10, 8, 15, "years", "common practice, no source")
DAYS = 365.0


class ChargingFromSurplus:
    """A control that has the charging point follow the surplus."""

    about = api.About(
        id="charging_from_surplus",
        title="Charging the car from surplus",
        summary="A control has the charging point follow what the roof has over",
        version="0.1",
        life=LIFE,
        reads=("export_rule", "use"),
        sources=("hourly balance of the program", "IEC 61851-1: least current of 6 A"),
        prices=(
            api.PriceItem(
                "charging_control", api.MATERIAL,
                api.Range(
                    380, 200, 700, "per piece", "common practice, no source; EUR of 2026", "meter and control that "
                    "work with the charging point that is there",
                ),
            ),
        ),
    )  # fmt: skip
    assumptions: Mapping[str, api.Range] = {
        "life_years": LIFE,
        "km_a_year": api.Range(
            12_000, 6_000, 20_000, "km", "common practice, no source: 10,000 to 14,000 a year in national surveys",
            of_each_site=True,
        ),
        "kwh_per_km": api.Range(0.18, 0.15, 0.22, "kWh/km", "common practice, no source", "with charging losses"),
        "charged_at_home": api.Range(0.8, 0.5, 1.0, "share", "assumption", of_each_site=True),
        "comes_at_hour": api.Range(16, 12, 19, "h", "assumption", "hour of a workday", of_each_site=True),
        "leaves_at_hour": api.Range(8, 7, 11, "h", "assumption", "hour of a workday", of_each_site=True),
        "night_from_hour": api.Range(22, 18, 24, "h", "assumption", "when it is charged today, if by night"),
        "charging_kw": api.Range(7.4, 3.7, 11, "kW", "common practice, no source", "of the charging point"),
        "least_kw": api.Range(1.4, 1.3, 4.2, "kW", "IEC 61851-1: 6 A in one phase; 4.2 in three"),
        "standby_w": api.Range(4, 2, 8, "W", "assumption", "meter and control"),
        "work_h": api.Range(4, 2, 7, "h", "assumption", "electrician"),
    }  # fmt: skip
    facts: Mapping[str, api.Fact] = {}
    claims = (api.Claim("Drive on sunshine for nothing.", "common practice, no source"),)

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Where export earns less than import costs; whether there is such a car has to be asked."""
        pointless = common.equals(cohort.sites, "export_rule", "net metering", "net metering by month", "gross feed-in")
        everywhere = np.ones(len(cohort), dtype=bool)
        return (
            api.Screening.of(cohort)
            .reject(pointless, "exported energy counts in full: there is nothing to save")
            .survey(everywhere, "an electric car with a charging point, and when it stands there")
            .survey(common.equals(cohort.sites, "use", "school", "hotel"), "whose cars are charged")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Today by night; with the control from surplus while it stands there."""
        size = len(cohort)
        kwh = np.full(size, assume["km_a_year"] * assume["kwh_per_km"] * assume["charged_at_home"] / DAYS)

        def charged(come: float, gone: float, surplus: float) -> api.Plant:
            hours = {
                "waiting_kw": assume["charging_kw"], "waiting_least_kw": assume["least_kw"], "waiting_from_hour": come,
                "waiting_until_hour": gone, "waiting_at_weekends": surplus, "waiting_for_surplus": surplus,
            }  # fmt: skip
            return plant.replace(
                waiting_kwh_per_day=kwh, **{name: np.full(size, float(value)) for name, value in hours.items()}
            )

        standby = plant.standby_kwh + assume["standby_w"] * 8.76
        return api.Change(
            plant=charged(assume["comes_at_hour"], assume["leaves_at_hour"], 1.0).replace(standby_kwh=standby),
            today=charged(assume["night_from_hour"] % 24.0, assume["leaves_at_hour"], 0.0),
            costs=(
                api.CostLine(api.MATERIAL, "charging_control", np.ones(size), "piece"),
                api.CostLine(api.LABOUR, "electrician", np.full(size, assume["work_h"]), "h"),
            ),
            remarks=np.full(size, f"For a car that takes about {DAYS * kwh[0]:,.0f} kWh a year at home", dtype=object)
            if size
            else None,
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Hours of full current, and the right protection against faults."""
        current = api.Note(
            "charging_current", api.DANGER,
            "A car draws full current for hours: test cable, fuse, plug and earth first; no household socket.",
            "a licensed electrician", "IEC 60364-7-722; IEC 61851-1; local codes come first",
        )  # fmt: skip
        fault = api.Note(
            "charging_fault", api.DANGER,
            "An ordinary residual current device misses faults of direct current in a car: it needs one of its own.",
            "a licensed electrician", "IEC 60364-7-722; IEC 62955",
        )  # fmt: skip
        return api.Notes.of(cohort).add(current).add(fault)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [ChargingFromSurplus()]
