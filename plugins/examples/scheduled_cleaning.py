"""Scheduled cleaning: somebody comes and washes the modules a few times a year.

Dirt builds up evenly between rains and a wash takes all of it away. In most places rain does that for nothing.
Left out: streaks that rain leaves, cleaning machines, and what jets and brushes do to the glass.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
import pvlib.soiling

from aftersun import api

HOURS = 8760
DAYS = 365
MOST_WASHES = 12  # a year


def best_interval_days(
    cost: api.Floats | float, rate: api.Floats | float, energy: api.Floats | float, price: api.Floats | float = 1.0
) -> api.Floats:
    """Return the days between cleans at which dirt and cleans together cost least, if it never rains.

    ``cost`` of one clean, ``rate`` the share of output lost per day since the last one, ``energy`` in kWh a day and
    ``price`` of a kWh, cost and energy of the same kW. An interval T loses ``rate energy price T / 2`` and costs
    ``cost / T`` a day, least at ``sqrt(2 cost / (rate energy price))``; infinite where nothing is lost.
    """
    with np.errstate(divide="ignore"):
        return np.sqrt(2.0 * np.asarray(cost) / (np.asarray(rate) * energy * price))


def dirt_left(weather: api.WeatherYear, rate: float, threshold_mm: float, washes: int) -> float:
    """Return the share of a year's soiling loss that evenly spaced washes leave, begun in the best month."""

    def left() -> float:
        lost = [_lost(weather, rate, threshold_mm, washes, first) for first in range(0, DAYS // washes, 30)]
        before = _lost(weather, rate, threshold_mm)
        return min(lost) / before if before > 0 else 1.0

    return weather.once(("scheduled_cleaning", rate, threshold_mm, washes), left)


def _lost(weather: api.WeatherYear, rate: float, threshold_mm: float, washes: int = 0, first: int = 0) -> float:
    """Return the light lost in a year like the one before, by Kimber et al., IEEE WCPEC 2006; in Wh/m2."""
    hours = pd.date_range("2001-01-01", periods=2 * HOURS, freq="h")
    days = [year * DAYS + first + round(turn * DAYS / washes) for year in (0, 1) for turn in range(washes)]
    loss = pvlib.soiling.kimber(
        pd.Series(np.tile(np.asarray(weather.rain_mm), 2), index=hours),
        cleaning_threshold=threshold_mm,
        soiling_loss_rate=rate,
        manual_wash_dates=hours[0] + pd.to_timedelta(days, unit="D") if days else None,
    )
    return float(loss.to_numpy()[HOURS:] @ weather.ghi)


HEIGHT = api.Note(
    "cleaning_height",
    api.DANGER,
    "A fall kills. Wash from the ground or a platform with poles; nobody stands on modules or on a wet roof.",
    "people trained for work at height",
    "common practice, no source",
)
GLASS = api.Note(
    "cleaning_glass",
    api.CAUTION,
    "Wash cold glass only, with soft tools and pure water: cold water cracks hot glass, pressure and grit ruin it.",
    "the crew on site",
    "common practice, no source",
)
LIVE = api.Note(
    "cleaning_live_parts",
    api.DANGER,
    "Daylight keeps cables live. Look for broken glass, bare cables and open plugs first, and let no water near them.",
    "the crew on site; a qualified electrician where something is broken",
    "common practice, no source",
)


class ScheduledCleaning:
    """Washes at the interval that pays, if there is one."""

    assumptions: Mapping[str, api.Range] = {
        "visit_kwh": api.Range(
            mode=320.0,
            low=100.0,
            high=400.0,
            unit="kWh",
            source="UK home GBP 60-100 per clean (trade page) over GBP 0.25 a kWh; low: assumption",
            meaning="what one visit costs, in electricity at the price of the site",
        ),
        "kw_per_visit": api.Range(mode=20.0, low=10.0, high=50.0, unit="kW", source="assumption"),
        "least_soiling_loss": api.Range(
            mode=0.02,
            low=0.01,
            high=0.05,
            unit="share of output",
            source="assumption",
            meaning="yearly soiling loss below which nobody needs to come",
        ),
        "life_years": api.Range(mode=5.0, low=1.0, high=10.0, unit="years", source="assumption: length of a contract"),
    }
    facts: Mapping[str, api.Fact] = {}
    claims = (api.Claim("15 to 25 % more after cleaning.", "trade pages"),)
    about = api.About(
        id="scheduled_cleaning",
        title="Scheduled cleaning",
        summary="The modules are washed as often as it pays",
        version="0.1",
        life=assumptions["life_years"],
        reads=("surroundings", "roof_kind", "cleanings_per_year", "mounting"),
        sources=("Kimber et al., IEEE WCPEC 2006", "calculus: least of dirt and cleans together"),
        price_items=("survey_visit", "cleaning_visit"),
    )

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Reject where rain does the work or somebody cleans already; ask where dirt or roof is not known."""
        sites, plant = cohort.sites, api.baseline(cohort)
        cleaned = sites["cleanings_per_year"].fillna(0).to_numpy(dtype=np.float64) > 0
        no_rain_record = np.full(len(cohort), cohort.weather.rain_mm is None)
        clean = _site_loss(cohort, plant) < self.assumptions["least_soiling_loss"].mode
        return (
            api.Screening.of(cohort)
            .reject(clean & ~no_rain_record, "rain keeps the modules clean enough")
            .reject(cleaned, "the owner has the modules cleaned already")
            .survey(no_rain_record, "the weather station has no rain record, so the dirt is not known")
            .survey(sites["surroundings"].isna().to_numpy(), "what soils the modules here is not known")
            .survey(sites["roof_kind"].eq("fragile sheet").fillna(False).to_numpy(dtype=bool), "the roof is fragile")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Leave less dirt on the glass, by as many washes as pay in kWh; the price book says what they cost."""
        kw = cohort.sum_by_site(plant.dc_rating_kw)
        visits = np.ceil(kw / assume["kw_per_visit"])  # of one wash of the whole site
        washes, left = _best_washes(cohort, plant, visits * assume["visit_kwh"] / kw)
        return api.Change(
            plant=plant.replace(soiling_rate_per_day=plant.soiling_rate_per_day * left),  # the loss follows the rate
            costs=(api.CostLine(api.INSPECTION, "survey_visit", np.ones(len(cohort)), "visit"),),
            yearly=(api.CostLine(api.STANDING, "cleaning_visit", washes * visits, "visit"),),
            remarks=np.array([f"Washes a year: {count:.0f}" if count else "No wash pays" for count in washes], object),
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Height, unless every array stands on the ground; glass and live parts everywhere."""
        low = cohort.arrays["mounting"].eq("ground frame").fillna(False).to_numpy(dtype=bool)
        high = cohort.sum_by_site(~low) > 0
        return api.Notes.of(cohort).add(HEIGHT, high).add(LIVE).add(GLASS)


def _site_loss(cohort: api.Cohort, plant: api.Plant) -> api.Floats:
    """Return the yearly soiling loss per site (S,), arrays weighted by their rating."""
    lost = cohort.sum_by_site(api.annual_soiling_loss(cohort, plant) * plant.dc_rating_kw)
    return lost / cohort.sum_by_site(plant.dc_rating_kw)


def _best_washes(cohort: api.Cohort, plant: api.Plant, wash_kwh_per_kw: api.Floats) -> tuple[api.Floats, api.Floats]:
    """Return washes a year per site (S,) and the share of the dirt that they leave per array (A,).

    Rain only makes cleans rarer than the interval without rain, so no more are tried than that asks for.
    """
    site = cohort.arrays["site"].to_numpy(dtype=np.intp)
    washes, left = np.zeros(len(cohort)), np.ones(len(site))
    if cohort.weather.rain_mm is None:
        return washes, left
    kw = cohort.sum_by_site(plant.dc_rating_kw)
    kwh_per_kw = api.annual_generation(cohort, plant) / kw
    rate = cohort.sum_by_site(plant.soiling_rate_per_day * plant.dc_rating_kw) / kw
    most = DAYS / best_interval_days(wash_kwh_per_kw, rate, kwh_per_kw / DAYS)
    loss, gain = _site_loss(cohort, plant), np.zeros(len(cohort))
    for count in range(1, MOST_WASHES + 1):
        asked = np.ceil(most) >= count
        share = np.ones(len(site))
        for row in np.flatnonzero(asked[site]):
            share[row] = dirt_left(cohort.weather, plant.soiling_rate_per_day[row], plant.rain_threshold_mm[row], count)
        kept = 1.0 - cohort.sum_by_site(share * plant.dc_rating_kw) / kw
        worth = loss * kept * kwh_per_kw - count * wash_kwh_per_kw
        better = asked & (worth > gain)
        washes, gain = np.where(better, count, washes), np.where(better, worth, gain)
        left = np.where(better[site], share, left)
    return washes, left


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [ScheduledCleaning()]
