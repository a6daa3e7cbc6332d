"""Tilt mount: frames on a flat roof or on the ground are raised to the tilt that is best for the owner's tariff.

Model
-----
Fixed tilt: candidates around the optimum for the latitude (Jacobson and Jadhav) are simulated with the azimuth that the
array has, row shading included. The one with the most energy and its two neighbours are compared with the baseline by
the owner's bill: a tariff that pays little for surplus calls for steeper modules where winter's use counts, for flatter
ones where long days do. The lowest bill wins; where that is the baseline, nothing moves. Steeper rows at the old pitch
shade each other more; where the pitch is not known a usual one is taken, so that the gain is not overstated.

Two or four seasonal positions (days and tilts by Landau, in the steps of the frames) are alternatives, taken where they
are worth more. Each adjustment is missed with some chance, and then the old position stays. For two positions the plant
with summer and winter tilt exchanged is simulated, and stands ``m / (1 + m)`` of the year. For four the plant that
stays at its middle tilt is, and the loss grows with the square of the error in angle (within 0.2 % of the yield of the
full chain at m = 0.3). What is left of the gain is the fade, the same in every year, taken by energy. On the ground an
owner who lives there adjusts by himself; everywhere else each visit is a yearly cost.

Wind: ballast against lifting and sliding at the peak velocity pressure of EN 1991-1-4 (``_raising``) as a screening, in
the outer rows and with drifted snow. No tilt is tried that the roof does not bear; where it bears none steeper than
today's the site is rejected; if wind, terrain, height or reserve is not known it is surveyed. It never replaces the
engineer's check, which is part of the price. On the ground posts or weights hold the frame, not the roof.

Two people take each module off and put it back, fit the frame, and lift the ballast, which is bought. Whoever sets the
tilt by season gives time for it: a visit, or the owner's own hours. Beside it stands what more modules in the gaps
between the rows would bring.

A pitched roof with modules flush to it is rejected: raised ones catch the wind and win little over its own slope.

Known limits
------------
One wind coefficient for all tilts, one factor for outer rows; corners can be higher. Landau's angles are for a clear
sky, modules that face the equator and latitudes of 25 to 50 degrees; elsewhere the seasonal plant is still simulated as
set, so that a poor setting is not chosen. By bill only one step beside the tilt of most energy is tried. That steeper
glass sheds more dirt is not counted, nor is a frame left unbolted in a storm, nor room for spreading rows.

References
----------
.. [1] Jacobson and Jadhav, Solar Energy 169, 2018, 55-66: cubic fit to simulated yields of fixed tilts.
.. [2] C. R. Landau, "Optimum Tilt of Solar Panels" (web article): clear-sky beam, for latitudes of 25 to 50 degrees.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from aftersun import api
from aftersun_retrofits import _common as common
from aftersun_retrofits import _raising as raising

# More below the fit than above: cloud, row shading and other directions call for flatter modules.
STEPS_FROM_FIT = (-3, -2, -1, 0, 1, 2)
POSITIONS = {2: "two seasonal positions", 4: "four seasonal positions"}
# Tilt = factor x latitude + offset in degrees [2]_: in between, in summer, in winter.
_SEASONAL = {
    2: ((0.76, 3.1), (0.93, -21.0), (0.875, 19.2)),  # in between: the fixed tilt, which two positions do not have
    4: ((0.98, -2.3), (0.92, -24.3), (0.89, 24.0)),
}
# Of four positions, days in spring and autumn over those in summer and winter: 88 / 277.
_BETWEEN_DAYS = 88.0 / 277.0


def optimal_tilt_deg(latitude_deg: npt.ArrayLike) -> api.Floats:
    """Return the best fixed tilt in degrees of modules that face the equator, by latitude (north positive) [1]_.

    For the southern hemisphere the angle is given as positive too.
    """
    lat = np.asarray(latitude_deg, dtype=np.float64)
    north = 1.3793 + lat * (1.2011 + lat * (-0.014404 + lat * 0.000080509))
    south = -0.41657 + lat * (1.4216 + lat * (0.024051 + lat * 0.00021828))
    return np.abs(np.where(lat < 0, south, north))


def seasonal_tilts_deg(latitude_deg: npt.ArrayLike, positions: int) -> tuple[api.Floats, api.Floats, api.Floats]:
    """Return the tilts in between, in summer and in winter for 2 or 4 positions, degrees, either hemisphere [2]_."""
    lat = np.abs(np.asarray(latitude_deg, dtype=np.float64))
    between, summer, winter = (np.clip(factor * lat + offset, 0.0, 90.0) for factor, offset in _SEASONAL[positions])
    return between, summer, winter


def standing_since(missed: npt.ArrayLike, positions: int) -> api.Floats:
    """Return the chance that the frame was last moved 0, 1, 2, ... adjustments ago, last axis of size ``positions``.

    Each adjustment is missed with the chance ``missed``, whatever happened before, and then the old position stays. One
    made ``positions`` ago left the same position, so the chances are ``m^j / (1 + m + ... + m^(positions - 1))``.
    """
    chance = np.asarray(missed, dtype=np.float64)[..., np.newaxis] ** np.arange(positions)
    shares: api.Floats = chance / chance.sum(axis=-1, keepdims=True)
    return shares


def swapped_share(missed: npt.ArrayLike) -> api.Floats:
    """Return the share of the year that two positions stand the wrong way round: ``m / (1 + m)``."""
    return standing_since(missed, 2)[..., 1]


def held_back_share(missed: npt.ArrayLike) -> api.Floats:
    """Return what missed adjustments of four positions lose, over the loss of standing at the middle tilt all year.

    The loss grows with the square of the error in angle. In summer and winter one step is that to the middle tilt, two
    steps lose four times as much; in spring and autumn one step loses as much a day, two steps lead back.
    """
    since = standing_since(missed, 4)
    one_step, two_steps = since[..., 1] + since[..., 3], since[..., 2]
    return one_step * (1.0 + _BETWEEN_DAYS) + 4.0 * two_steps


def effect_left(today_kwh: api.Floats, right_kwh: api.Floats, wrong_kwh: api.Floats, share: api.Floats) -> api.Floats:
    """Return the share of the gain ``right - today`` that stays where ``share`` of ``right - wrong`` is lost; 0..1.

    All of shape (S,). Where nothing is gained there is nothing to lose: 1.
    """
    gain = right_kwh - today_kwh
    lost = np.divide(share * (right_kwh - wrong_kwh), gain, out=np.zeros_like(gain), where=gain > 0.0)
    return np.clip(1.0 - lost, 0.0, 1.0)


class TiltMount:
    """Frames that hold the modules at a better fixed tilt."""

    about, assumptions, facts, claims, notes = common.from_data("tilt_mount")

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Fit only frames and flat roofs that bear them, not what lies on a pitched roof or in its skin."""
        sites, arrays = cohort.sites, cohort.arrays
        can = raising.can_be_raised(cohort)
        none_can = ~common.at_any_array(cohort, can)
        fragile = common.fragile(cohort) & ~common.on_ground(cohort)
        in_roof = common.at_any_array(cohort, common.equals(arrays, "mounting", common.IN_ROOF))
        unsure = common.at_any_array(cohort, can & common.unknown(arrays, "mounting"))
        lying_flat = common.at_any_array(cohort, can & common.equals(arrays, "mounting", common.FLUSH))
        no_pitch = common.at_any_array(cohort, can & raising.pitch_unknown(cohort))
        listed = common.equals(sites, "listed_building", True)
        screening = (
            api.Screening.of(cohort)
            .reject(fragile, "a fragile roof bears neither frames nor ballast")
            .reject(none_can & in_roof, "modules that are the roof skin cannot be raised")
            .reject(none_can, "on a pitched roof raised modules catch the wind and win too little")
            .survey(unsure, "how the modules are fixed is not known")
            .survey(lying_flat, "the modules lie flat now; see whether there is room for rows with space between")
            .survey(no_pitch, "the distance from row to row is not known, and raised rows shade each other")
            .survey(listed, "listed building: consent before anything visible changes")
        )
        return raising.screen_wind(screening, cohort, {name: given.mode for name, given in self.assumptions.items()})

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Raise what can be raised to the one best tilt of the site, or set it anew two or four times a year."""
        raised = raising.ready_to_raise(cohort, plant, assume["ground_cover_if_unknown"])
        borne = raising.steepest_borne_deg(cohort, assume)
        best, most_kwh = _best_tilt_deg(cohort, plant, raised, assume, borne)
        of_array = common.of_site(cohort, best)
        turned = np.abs(of_array - plant.tilt_deg) > assume["least_change_deg"]  # not where it is NaN
        moved = raising.can_be_raised(cohort) & turned
        fixed = api.Change(
            plant=common.exchanged(
                plant,
                moved,
                tilt_deg=of_array,
                tilt_positions=1.0,
                ground_cover_ratio=raised.ground_cover_ratio,
                mounting=raised.mounting,
            ),
            costs=_costs(cohort, assume, np.nan_to_num(best)),
            remarks=_remarks(cohort, _fixed_remarks(cohort, plant, moved, best, most_kwh), assume, np.nan_to_num(best))
            + _rival(cohort, plant, assume),
            label="fixed tilt",
        )
        return replace(fixed, alternatives=self._seasonal(cohort, plant, raised, assume, borne))

    def _seasonal(
        self, cohort: api.Cohort, plant: api.Plant, raised: api.Plant, assume: api.Assumed, borne: api.Floats
    ) -> list[api.Change]:
        """Return the changes to two and to four positions, for the sites where anything can be raised."""
        years = common.years_of_effect(self.about, assume)
        by_owner = common.on_ground(cohort) * assume.chance(cohort.sites, self.facts["owner_present"])
        missed = by_owner * assume["missed_by_owner"] + (1.0 - by_owner) * assume["missed_by_visit"]
        modules = _modules(cohort, assume)
        adjust_h = modules * assume["adjust_min_per_module"] / 60.0
        beyond_h = np.maximum(adjust_h - assume["visit_includes_h"], 0.0)
        today = api.annual_generation(cohort, plant)
        changes = []
        for positions, label in POSITIONS.items():
            right, wrong = _seasonal_plants(cohort, raised, positions, assume)
            right_kwh, wrong_kwh = api.annual_generation(cohort, right), api.annual_generation(cohort, wrong)
            share = swapped_share(missed) if positions == 2 else held_back_share(missed)
            left = effect_left(today, right_kwh, wrong_kwh, share)
            visits = positions * (1.0 - by_owner)
            steepest = np.max(_seasonal_tilts(cohort, positions, assume), axis=0)
            changes.append(
                api.Change(
                    plant=right,
                    costs=_costs(cohort, assume, steepest),
                    yearly=(
                        api.CostLine(api.STANDING, "seasonal_adjustment_visit", visits, "visit"),
                        api.CostLine(api.LABOUR, "roofer", visits * beyond_h, "h", "longer than a visit includes"),
                        api.CostLine(api.LABOUR, "helper", visits * beyond_h, "h", "longer than a visit includes"),
                        api.CostLine(
                            api.OWN_WORK, "owner_hour", positions * by_owner * adjust_h, "h", "the owner's own"
                        ),
                    ),
                    fade=np.repeat(left[:, np.newaxis], years, axis=1),
                    remarks=_remarks(cohort, _seasonal_remarks(cohort, positions, assume), assume, steepest),
                    label=label,
                    available=common.at_any_array(cohort, raising.can_be_raised(cohort)) & (steepest <= borne),
                )
            )
        return changes

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Wind and load, live cables, lifting, and the way up."""
        return common.notes_for(cohort, self.notes, {"waterproofing": ~common.on_ground(cohort)})


def _modules(cohort: api.Cohort, assume: api.Assumed) -> api.Floats:
    """Return the modules that can be raised per site (S,)."""
    count = common.module_count(cohort, assume["module_rating_kw"])
    return cohort.sum_by_site(np.where(raising.can_be_raised(cohort), count, 0.0))


def _costs(cohort: api.Cohort, assume: api.Assumed, tilt_deg: api.Floats) -> tuple[api.CostLine, ...]:
    """Return what raising takes: two people take off, fit and put back each module, and lift the ballast."""
    modules, ones = _modules(cohort, assume), np.ones(len(cohort))
    ballast = raising.ballast_kg(cohort, assume, tilt_deg, common.module_count(cohort, assume["module_rating_kw"]))
    hours = (assume["refit_h_per_module"] + assume["mount_h_per_module"]) * modules
    hours = hours + ballast / assume["ballast_kg_per_h"]
    return (
        api.CostLine(api.INSPECTION, "structural_check", ones, "check"),
        api.CostLine(api.MATERIAL, "tilt_frame", modules, "module"),
        api.CostLine(api.MATERIAL, "roof_ballast", ballast / 1000.0, "t"),
        api.CostLine(api.LABOUR, "roofer", hours, "h"),
        api.CostLine(api.LABOUR, "helper", hours, "h", "two people lift"),
        api.CostLine(api.INSPECTION, "insulation_test", ones, "visit", "plugs are opened and closed"),
        *common.access(cohort),
    )


def _tilted(cohort: api.Cohort, raised: api.Plant, tilt_deg: api.Floats) -> api.Plant:
    """Return the plant with all that can be raised fixed at one tilt per site (S,)."""
    tilt = common.of_site(cohort, tilt_deg)
    return common.exchanged(raised, raising.can_be_raised(cohort), tilt_deg=tilt, tilt_positions=1.0)


def _best_tilt_deg(
    cohort: api.Cohort, plant: api.Plant, raised: api.Plant, assume: api.Assumed, borne_deg: api.Floats
) -> tuple[api.Floats, api.Floats]:
    """Return per site (S,) the tilt of the lowest bill, NaN where none beats the baseline, and that of most energy.

    None is steeper than the roof bears.
    """
    steepest = np.clip(borne_deg, 0.0, assume["most_tilt_deg"])
    step = assume["tilt_step_deg"]
    fit = np.round(optimal_tilt_deg(common.numbers(cohort.sites, "latitude")) / step) * step
    most, most_kwh = np.full(len(cohort), -np.inf), fit
    for steps in STEPS_FROM_FIT:
        tilt = np.clip(fit + steps * step, 0.0, steepest)
        generated = api.annual_generation(cohort, _tilted(cohort, raised, tilt))
        better = generated > most
        most, most_kwh = np.where(better, generated, most), np.where(better, tilt, most_kwh)
    lowest, best = api.electricity_bill(cohort, plant), np.full(len(cohort), np.nan)
    for steps in (0, 1, -1):  # three simulations and no more
        tilt = np.clip(most_kwh + steps * step, 0.0, steepest)
        bill = api.electricity_bill(cohort, _tilted(cohort, raised, tilt))
        lower = bill < lowest
        lowest, best = np.where(lower, bill, lowest), np.where(lower, tilt, best)
    return best, most_kwh


def _seasonal_tilts(cohort: api.Cohort, positions: int, assume: api.Assumed) -> tuple[api.Floats, ...]:
    """Return per site (S,) the tilts in between, in summer and in winter, in the steps of the frames and no steeper."""
    step = assume["tilt_step_deg"]
    tilts = seasonal_tilts_deg(common.numbers(cohort.sites, "latitude"), positions)
    return tuple(np.minimum(np.round(tilt / step) * step, assume["most_tilt_deg"]) for tilt in tilts)


def _seasonal_plants(
    cohort: api.Cohort, raised: api.Plant, positions: int, assume: api.Assumed
) -> tuple[api.Plant, api.Plant]:
    """Return the plant as it should be adjusted, and the one that stands for missed adjustments."""
    between, summer, winter = (common.of_site(cohort, tilt) for tilt in _seasonal_tilts(cohort, positions, assume))
    middle = summer if positions == 2 else between  # two positions have no middle one: one plane less to simulate
    right = common.exchanged(
        raised,
        raising.can_be_raised(cohort),
        tilt_deg=middle,
        tilt_positions=float(positions),
        summer_tilt_deg=summer,
        winter_tilt_deg=winter,
    )
    if positions == 2:
        return right, right.replace(summer_tilt_deg=right.winter_tilt_deg, winter_tilt_deg=right.summer_tilt_deg)
    return right, common.exchanged(right, raising.can_be_raised(cohort), tilt_positions=1.0)


def _fixed_remarks(
    cohort: api.Cohort, plant: api.Plant, moved: api.Bools, best_deg: api.Floats, most_kwh_deg: api.Floats
) -> npt.NDArray[np.object_]:
    texts = np.full(len(cohort), "The tilt is as good as the best already: nothing to win", dtype=object)
    site = cohort.arrays["site"].to_numpy(dtype=np.intp)
    for row in np.flatnonzero(moved)[::-1]:  # the first array of a site speaks for it
        best, most = best_deg[site[row]], most_kwh_deg[site[row]]
        why = f", though {most:.0f} has the most kWh: the tariff" if best != most else ""
        texts[site[row]] = f"Tilt from {plant.tilt_deg[row]:.0f} to {best:.0f} degrees{why}"
    return texts


# When each position is set, north and south, by Landau's days and half a year later.
_DAYS = {
    2: (("30 March", "10 September"), ("29 September", "11 March")),
    4: (("18 April", "5 October"), ("18 October", "5 April")),
}
_DAYS_BETWEEN = ("5 March and 22 August", "4 September and 20 February")


def _seasonal_remarks(cohort: api.Cohort, positions: int, assume: api.Assumed) -> npt.NDArray[np.object_]:
    south = common.numbers(cohort.sites, "latitude") < 0
    texts = []
    for row, (between, summer, winter) in enumerate(zip(*_seasonal_tilts(cohort, positions, assume), strict=True)):
        half = int(south[row])
        to_summer, to_winter = _DAYS[positions][half]
        text = f"Tilt {summer:.0f} degrees from {to_summer}, {winter:.0f} from {to_winter}"
        texts.append(text + (f", {between:.0f} from {_DAYS_BETWEEN[half]}" if positions == 4 else ""))
    return np.array(texts, dtype=object)


def _rival(cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> npt.NDArray[np.object_]:
    """Tell what more modules in the gaps between the rows would bring in place of raising, where there is room."""
    can = raising.can_be_raised(cohort)
    cover = common.numbers(cohort.arrays, "ground_cover_ratio")
    room = np.where(can & (cover < assume["dense_ground_cover"]), assume["dense_ground_cover"] / cover - 1.0, 0.0)
    modules = common.module_count(cohort, assume["module_rating_kw"])
    more = np.floor(cohort.sum_by_site(room * modules) + 1e-6)
    kwh = api.annual_generation(cohort, plant) / np.maximum(cohort.sum_by_site(modules), 1.0) * more
    texts = [
        f"; or {n:.0f} more modules in the gaps, about {k:,.0f} kWh a year" for n, k in zip(more, kwh, strict=True)
    ]
    return np.where(more >= 1.0, np.array(texts, dtype=object), "")


def _remarks(
    cohort: api.Cohort, texts: npt.NDArray[np.object_], assume: api.Assumed, tilt_deg: api.Floats
) -> npt.NDArray[np.object_]:
    """Add what holds the frames: ballast within what the roof bears, or the ground."""
    need = raising.ballast_kg_m2(cohort, assume, tilt_deg)
    reserve = common.numbers(cohort.sites, "roof_reserve_kg_m2")
    on_roof = common.at_any_array(cohort, raising.raised_on_roof(cohort))
    said = texts.copy()
    for row in np.flatnonzero(on_roof & (need <= reserve)):
        said[row] += (
            f"; wind and snow call for {need[row]:.0f} kg/m2 more in the outer rows, the roof bears {reserve[row]:.0f}"
        )
    for row in np.flatnonzero(common.on_ground(cohort)):
        said[row] += "; posts or weights in the ground have to hold it, not a roof"
    return said


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [TiltMount()]
