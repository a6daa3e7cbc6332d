"""Anti-soiling coating: a film that soils more slowly, or comes clean in lighter rain, for a while.

Model
-----
Soiling is run twice on the site's own rain (Kimber), on bare glass and on glass with the new film: soiling rate
``r (1 - a)``, rain threshold ``m (1 - b)``, transmittance ``t (1 + g)``. ``a`` and ``g`` may be negative. The effect
halves every ``half_life_years``; where the film is renewed it runs as a saw-tooth. Whether to renew it, and after one
half-life or two, is decided by net present value of each site over the same years, each visit with its own way up.
Below ``least_soiling_loss`` by rain alone there is no case.

Water does the work: a lower threshold counts only where water runs off (from ``run_off_tilt_deg`` up), and nothing is
won where it never rains and dust sticks as before. Where the owner has the modules cleaned, they never get dirtier
than half the build-up from one cleaning to the next, and only there are cleanings saved.

Known limits
------------
No independent trial with a lasting gain in a temperate climate was found: size and sign of ``a``, ``b``, ``g`` are
assumptions bounded by trials in dry ones. The wash before coating counts as cost, its own gain does not. Droppings,
pollen and lichen stick to a film as to bare glass. Where it never rains Kimber's cap of 30 % is reached with and
without a film. Of a place without a rain record nothing is counted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from aftersun import api
from aftersun_retrofits import _common as common

LITTLE_SOILING = "so little soils here that a coating cannot pay"
ONCE = "applied once"
DAYS_PER_YEAR = 365.0


def left_by_year(half_life_years: float, years: int, renewed_every: int | None = None) -> api.Floats:
    """Return the mean of ``exp(-ln2 t / h)`` over year 1, 2, ... after coating, shape (years,); new = 1.

    A film that is ``renewed_every`` so many years is as new again then: a saw-tooth.
    """
    period = years if renewed_every is None else renewed_every
    edges = np.exp2(-np.arange(period + 1) / half_life_years)
    mean: api.Floats = (edges[:-1] - edges[1:]) * half_life_years / np.log(2.0)
    return mean[np.arange(years) % max(period, 1)]


def loss_between_cleanings(rate_per_day: npt.ArrayLike, cleanings_per_year: npt.ArrayLike) -> api.Floats:
    """Return the mean share lost between evenly spread cleanings without rain: half the build-up, ``r T / 2``.

    ``rate_per_day`` share a day; without cleanings there is no bound (inf).
    """
    rate, cleanings = np.broadcast_arrays(np.asarray(rate_per_day, float), np.asarray(cleanings_per_year, float))
    half_build_up = rate * DAYS_PER_YEAR / 2.0
    lost: api.Floats = np.divide(half_build_up, cleanings, out=np.full(rate.shape, np.inf), where=cleanings > 0)
    return lost


def glass_m2(cohort: api.Cohort, rating_kw_per_m2: float) -> api.Floats:
    """Return glass per array (A,) in m2: modules times their size, else rating over ``rating_kw_per_m2``."""
    arrays = cohort.arrays
    size = common.numbers(arrays, "module_width_m") * common.numbers(arrays, "module_height_m")
    measured = size * common.counted_modules(cohort)
    return np.where(np.isnan(measured), common.numbers(arrays, "dc_rating_kw") / rating_kw_per_m2, measured)


class AntiSoilingCoating:
    """A wipe-on film on the glass, after a wash."""

    about, assumptions, facts, claims, notes = common.from_data("anti_soiling_coating")

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
            .survey(common.fragile(cohort), "fragile roof: how to reach the glass safely")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Soil more slowly and clean in lighter rain, as new; the fade says how soon that is over."""
        coated = _coated(cohort, plant, assume)
        remarks = _remarks(cohort, plant, assume)
        years = common.years_of_effect(self.about, assume)
        ways = []
        for every in (None, *renewals(assume)):
            fade = left_by_year(assume["half_life_years"], years, every)
            saved = _cleanings_saved(cohort, assume, fade)
            ways.append(
                api.Change(
                    plant=coated,
                    costs=_visits(cohort, assume, every),
                    yearly=(api.CostLine(api.AVOIDED_WORK, "roof_cleaning", saved, "clean", "cleanings paid for now"),),
                    fade=fade,
                    remarks=remarks,
                    label=ONCE if every is None else f"re-applied every {f'{every} years' if every > 1 else 'year'}",
                )
            )
        return replace(ways[0], alternatives=ways[1:])

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Slippery glass, chemistry and run-off, and the way up."""
        return common.notes_for(cohort, self.notes)


def renewals(assume: api.Assumed) -> tuple[int, ...]:
    """Return the whole years after which renewing is tried: about one half-life and two, as far as life allows."""
    half_life = assume["half_life_years"]
    tried = {max(round(half_life), 1), max(round(2.0 * half_life), 1)}
    return tuple(years for years in sorted(tried) if years < assume["life_years"])


def _coated(cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Plant:
    """Return the plant with the new film, its soiling no better than bare glass that is cleaned allows for."""
    share = _uncleaned_share(cohort, plant)
    runs_off = plant.tilt_deg >= assume["run_off_tilt_deg"]
    return plant.replace(
        soiling_rate_per_day=plant.soiling_rate_per_day * (1.0 - assume["deposition_cut"] * share),
        rain_threshold_mm=plant.rain_threshold_mm * (1.0 - assume["threshold_cut"] * share * runs_off),
        transmittance=plant.transmittance * (1.0 + assume["transmittance_gain"]),
    )


def _uncleaned_share(cohort: api.Cohort, plant: api.Plant) -> api.Floats:
    """Return the soiling loss that the owner's cleanings leave, over that by rain alone, per array (A,), 0..1."""
    cleanings = common.of_site(cohort, common.numbers(cohort.sites, "cleanings_per_year", 0.0))
    between = loss_between_cleanings(plant.soiling_rate_per_day, cleanings)
    alone = api.annual_soiling_loss(cohort, plant)
    return np.divide(between, alone, out=np.ones_like(alone), where=(alone > 0) & (between < alone))


def _visits(cohort: api.Cohort, assume: api.Assumed, every: int | None) -> Sequence[api.CostLine]:
    """Return what coating takes at the start and each time the film is renewed."""
    area = cohort.sum_by_site(glass_m2(cohort, assume["glass_rating_kw_per_m2"]))
    first = (
        api.CostLine(api.MATERIAL, "anti_soiling_coating", area, "m2"),
        api.CostLine(api.LABOUR, "roofer", assume["coating_min_per_m2"] / 60.0 * area, "h", "wash included"),
        *common.access(cohort),
    )
    again = () if every is None else range(every, int(np.ceil(assume["life_years"])), every)
    return (*first, *(replace(line, in_year=year) for year in again for line in first))


def _cleanings_saved(cohort: api.Cohort, assume: api.Assumed, fade: api.Floats) -> api.Floats:
    """Return cleanings a year that the owner pays for now and drops (S,).

    Yearly items do not fade, so they are spread evenly over the life.
    """
    mean_left = float(fade[: max(round(assume["life_years"]), 1)].mean())
    cleanings = common.numbers(cohort.sites, "cleanings_per_year", 0.0)
    return cleanings * assume["cleanings_saved_share"] * mean_left


def _site_soiling_loss(cohort: api.Cohort, plant: api.Plant | None = None) -> api.Floats:
    """Return the yearly soiling loss per site (S,) that rain alone leaves, the arrays weighted by their rating."""
    rating = common.numbers(cohort.arrays, "dc_rating_kw")
    lost = cohort.sum_by_site(api.annual_soiling_loss(cohort, plant) * rating)
    return lost / cohort.sum_by_site(rating)


def _remarks(cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> npt.NDArray[np.object_]:
    if cohort.weather.rain_mm is None:
        return np.full(len(cohort), "No rain record: nothing is counted for slower soiling", dtype=object)
    loss = _site_soiling_loss(cohort, plant)
    texts = np.array([f"Rain alone leaves {share:.1%} of the year's light to dirt" for share in loss], dtype=object)
    texts[loss < assume["least_soiling_loss"]] = f"No case: {LITTLE_SOILING}"
    return texts


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [AntiSoilingCoating()]
