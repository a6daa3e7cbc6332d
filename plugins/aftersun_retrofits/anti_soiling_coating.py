"""Anti-soiling coating: a film that soils more slowly for a while.

Model
-----
Soiling by Kimber on the site's own rain and the washes that the owner pays for; the new film lowers the soiling rate by
``soiling_cut``, which stays within what field trials found of the yearly loss, and changes the transmittance ``t`` to
``t (1 + g)``, ``g`` of either sign. Water takes the dirt off: on glass so flat that none runs off
(``run_off_tilt_deg``), the film does no more than in the poorest of these trials. The effect halves every
``half_life_years``; where the film is renewed it runs as a saw-tooth. Whether to renew it, and after one half-life or
two, is decided by net present value of each site over the same years, each visit with its own way up. Below
``least_soiling_loss`` by rain alone there is no case.

Washes are saved only as far as washing pays: of what the owner pays for now, those at the interval at which washes and
dirt together cost least. Whoever washes more often would save the rest without any film, and is told how much.

Known limits
------------
No independent trial with a lasting gain in a temperate climate was found. The wash before coating counts as cost, its
own gain does not. Droppings, pollen and lichen stick to a film as to bare glass. Where it never rains Kimber's cap of
30 % is reached with and without a film. Of a place without a rain record nothing is counted. Washes are spread evenly
over the year; one at the end of a dry season does more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from aftersun import api
from aftersun_retrofits import _common as common

LITTLE_SOILING = "so little soils here that a coating cannot pay"
WASHED_BY_RAIN = f"{LITTLE_SOILING}, and rain does what the washes are paid for"
ONCE = "applied once"
WASHES = (0, 1, 2, 3, 4, 6, 8, 12, 18, 26, 40, 52)  # a year, that are tried
LEAST_TOLD = 0.5  # washes a year too many from which on the owner is told
USUAL_RAIN_THRESHOLD = api.read_ranges(common.DATA, "system.csv")["rain_threshold_mm"]


def left_by_year(half_life_years: float, years: int, renewed_every: int | None = None) -> api.Floats:
    """Return the mean of ``exp(-ln2 t / h)`` over year 1, 2, ... after coating, shape (years,); new = 1.

    A film that is ``renewed_every`` so many years is as new again then: a saw-tooth.
    """
    period = years if renewed_every is None else renewed_every
    edges = np.exp2(-np.arange(period + 1) / half_life_years)
    mean: api.Floats = (edges[:-1] - edges[1:]) * half_life_years / np.log(2.0)
    return mean[np.arange(years) % max(period, 1)]


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
        """Reject where bare glass is known to lose too little; ask where rain is unknown or the roof is fragile."""
        no_rain_record = np.full(len(cohort), cohort.weather.rain_mm is None)
        little = _site_soiling_loss(cohort) < self.assumptions["least_soiling_loss"].mode
        little &= ~common.unknown(cohort.sites, "surroundings")
        washed = _washes(cohort) > 0
        return (
            api.Screening.of(cohort)
            .reject(little & washed & ~no_rain_record, WASHED_BY_RAIN)
            .reject(little & ~no_rain_record, LITTLE_SOILING)
            .survey(no_rain_record, "the weather station has no rain record, so the soiling loss is not known")
            .survey(common.fragile(cohort), "fragile roof: how to reach the glass safely")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Soil more slowly, as new; the fade says how soon that is over. Fewer washes of those that pay are needed."""
        best, wasted = _best_washing(cohort, plant, assume.price("roof_cleaning"))
        dropped = np.minimum(_washes(cohort), best) * assume["cleanings_saved_share"]
        coated = self._coated(cohort, plant, assume, dropped)
        remarks = _remarks(cohort, plant, assume, best, wasted)
        years = common.years_of_effect(self.about, assume)
        ways = []
        for every in (None, *renewals(assume)):
            fade = left_by_year(assume["half_life_years"], years, every)
            # Yearly items do not fade, so they are spread evenly over the life.
            saved = dropped * float(fade[: max(round(assume["life_years"]), 1)].mean())
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

    def _coated(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed, dropped: api.Floats) -> api.Plant:
        """Return the plant with the new film and so many washes fewer, (S,)."""
        film, poorest = assume["soiling_cut"], self.assumptions["soiling_cut"].low
        cut = np.where(plant.tilt_deg >= assume["run_off_tilt_deg"], film, min(film, poorest))
        return plant.replace(
            soiling_rate_per_day=plant.soiling_rate_per_day * (1.0 - cut),
            washes_per_year=np.maximum(plant.washes_per_year - common.of_site(cohort, dropped), 0.0),
            transmittance=plant.transmittance * (1.0 + assume["transmittance_gain"]),
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Slippery glass, chemistry and run-off, and the way up."""
        return common.notes_for(cohort, self.notes)


def renewals(assume: api.Assumed) -> tuple[int, ...]:
    """Return the whole years after which renewing is tried: about one half-life and two, as far as life allows."""
    half_life = assume["half_life_years"]
    tried = {max(round(half_life), 1), max(round(2.0 * half_life), 1)}
    return tuple(years for years in sorted(tried) if years < assume["life_years"])


def _visits(cohort: api.Cohort, assume: api.Assumed, every: int | None) -> Sequence[api.CostLine]:
    """Return what coating takes at the start and each time the film is renewed."""
    area = cohort.sum_by_site(glass_m2(cohort, assume["glass_rating_kw_per_m2"]))
    first = (
        api.CostLine(api.MATERIAL, "anti_soiling_coating", area, "m2"),
        api.CostLine(api.LABOUR, "roofer", assume["wash_min_per_m2"] / 60.0 * area, "h", "wash", shared_work="wash"),
        api.CostLine(api.LABOUR, "roofer", assume["coating_min_per_m2"] / 60.0 * area, "h"),
        *common.access(cohort),
    )
    again = () if every is None else range(every, int(np.ceil(assume["life_years"])), every)
    return (*first, *(replace(line, in_year=year) for year in again for line in first))


def _washes(cohort: api.Cohort) -> api.Floats:
    """Return the washes a year that the owner pays for now (S,)."""
    return common.numbers(cohort.sites, "cleanings_per_year", 0.0)


def _best_washing(cohort: api.Cohort, plant: api.Plant, price: float) -> tuple[api.Floats, api.Floats]:
    """Return the washes a year that cost least together with the dirt that they leave, and what they save a year.

    Both (S,), against those of now and never more of them. The bill follows the light that dirt takes. Where the price
    of a wash or the bill is not known, those of now stand.
    """
    now = _washes(cohort)
    if np.isnan(price) or not (now > 0).any():
        return now, np.zeros_like(now)

    def choose() -> tuple[api.Floats, api.Floats]:
        dirty = plant.replace(washes_per_year=np.zeros_like(plant.washes_per_year))
        clean = plant.replace(soiling_rate_per_day=np.zeros_like(plant.soiling_rate_per_day))
        value = np.maximum(api.electricity_bill(cohort, dirty) - api.electricity_bill(cohort, clean), 0.0)
        most = _site_soiling_loss(cohort, dirty)
        tried = np.array([np.minimum(count, now) for count in WASHES] + [now])
        lost = [_site_soiling_loss(cohort, plant.replace(washes_per_year=common.of_site(cohort, of))) for of in tried]
        dirt = value * np.divide(lost, most, out=np.zeros_like(tried), where=most > 0)
        cost = np.where(np.isfinite(value), tried * price + dirt, np.where(tried == now, 0.0, np.inf))
        least, site = np.argmin(cost, axis=0), np.arange(len(now))
        return tried[least, site], cost[-1] - cost[least, site]

    return cohort.once(("anti_soiling_coating", "best washing", plant.digest(), price), choose)


def _site_soiling_loss(cohort: api.Cohort, plant: api.Plant | None = None) -> api.Floats:
    """Return the yearly soiling loss per site (S,), the arrays weighted by rating; without a plant by rain alone."""
    if plant is None:
        plant = api.baseline(cohort)
        plant = plant.replace(washes_per_year=np.zeros_like(plant.washes_per_year))
    rating = common.numbers(cohort.arrays, "dc_rating_kw")
    lost = cohort.sum_by_site(api.annual_soiling_loss(cohort, plant) * rating)
    return lost / cohort.sum_by_site(rating)


def _remarks(
    cohort: api.Cohort, plant: api.Plant, assume: api.Assumed, best: api.Floats, wasted: api.Floats
) -> npt.NDArray[np.object_]:
    if cohort.weather.rain_mm is None:
        return np.full(len(cohort), "No rain record: nothing is counted for slower soiling", dtype=object)
    alone = plant.replace(washes_per_year=np.zeros_like(plant.washes_per_year))
    loss = _site_soiling_loss(cohort, alone)
    texts = np.array([f"Rain alone leaves {share:.1%} of the year's light to dirt" for share in loss], dtype=object)
    texts[loss < assume["least_soiling_loss"]] = f"No case: {LITTLE_SOILING}"
    own, usual = cohort.overrides.get("rain_threshold_mm"), USUAL_RAIN_THRESHOLD.mode
    if own is not None and own != usual:
        as_usual = alone.replace(rain_threshold_mm=np.full_like(alone.rain_threshold_mm, usual))
        said = f"; what decides is your own figure that {own:g} mm of rain clean: by the usual {usual:g} mm it is"
        texts += np.array([f"{said} {share:.1%}" for share in _site_soiling_loss(cohort, as_usual)], dtype=object)
    now = _washes(cohort)
    for row in np.flatnonzero((now - best >= LEAST_TOLD) & (wasted > 0)):
        texts[row] += f"; {now[row]:g} washes a year are too many: {best[row]:g} would save {wasted[row]:,.0f} a year"
    return texts


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [AntiSoilingCoating()]
