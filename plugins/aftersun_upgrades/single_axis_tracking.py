"""Frames that turn with the sun about an axis from north to south, in place of frames that stand.

The planes follow the sun as the program turns them (pvlib.tracking.singleaxis), turn back before rows shade each other,
and keep the rows at the distance they have. Beside each result stands the rival: what more modules that stand would
bring for the same money. Some of the gain is lost while a drive stands or the frame lies flat in wind; drives use a
little electricity. Left out: two axes, tilted axes, light on the back of modules, and spreading the rows.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from aftersun import api
from aftersun_upgrades import _common as common

LIFE = api.Range(20, 12, 30, "years", "common practice, no source: drives are renewed within it by the yearly service")
FRAMES = ("ground frame", "flat roof frame")


class SingleAxisTracking:
    """Frames that follow the sun from east to west."""

    about = api.About(
        id="single_axis_tracking",
        title="Frames that follow the sun",
        summary="The modules move to frames that turn from east to west with the sun",
        version="0.1",
        life=LIFE,
        reads=("roof_kind", "mounting", "ground_cover_ratio", "module_count", "roof_reserve_kg_m2", "listed_building"),
        sources=(
            "Anderson and Mikofski, NREL/TP-5K00-76626, 2020: turning and turning back",
            "common practice, no source: prices, drives",
        ),
        price_items=("structural_check", "insulation_test"),
        excludes=("tilt_mount",),
        prices=(
            api.PriceItem(
                "tracker", api.MATERIAL,
                api.Range(180, 100, 400, "per kW", "common practice, no source; EUR of 2026", "posts, tubes, drives"),
            ),
            api.PriceItem(
                "tracker_service", api.STANDING,
                api.Range(5, 3, 12, "per kW", "common practice, no source; EUR of 2026", "grease, drives, control"),
            ),
        ),
    )  # fmt: skip
    assumptions: Mapping[str, api.Range] = {
        "life_years": LIFE,
        "turn_limit_deg": api.Range(55, 45, 60, "deg", "common practice, no source", "either way from level"),
        "ground_cover_if_unknown": api.Range(0.4, 0.3, 0.5, "share", "common practice, no source"),
        "least_kw": api.Range(20, 10, 50, "kW", "common practice, no source", "smaller fields are left alone"),
        "standing_share": api.Range(
            0.04, 0.01, 0.08, "share", "assumption", "part of the gain lost in wind and while a drive stands"
        ),
        "drive_kwh_per_kw": api.Range(3, 1, 6, "kWh/kW", "assumption", "a year, drives and control"),
        "h_per_module": api.Range(0.6, 0.4, 1.0, "h", "assumption", "two people each, off and on"),
        "kg_per_m2": api.Range(25, 15, 40, "kg/m2", "assumption", "more than fixed frames, with ballast, on a roof"),
        "standing_over_tracker": api.Range(
            2.2, 1.2, 4.0, "1", "common practice, no source",
            "cost of a kW of modules on standing frames over that of turning a kW",
        ),
        "module_kw": api.Range(0.35, 0.25, 0.45, "kW", "common practice, no source", "where they are not counted"),
    }  # fmt: skip
    facts: Mapping[str, api.Fact] = {}
    claims = (
        api.Claim("30 % more for 10 % more cost on the ground.", "common practice, no source"),
        api.Claim("More fixed modules beat tracking today.", "common practice, no source"),
    )

    def screen(self, cohort: api.Cohort, assume: api.Assumed) -> api.Screening:
        """Frames in the open or on a flat roof that bears it; large enough for drives."""
        sites, frames = cohort.sites, _frames(cohort)
        on_roof = common.at_any_array(cohort, frames & common.equals(cohort.arrays, "mounting", "flat roof frame"))
        kw = cohort.sum_by_site(np.where(frames, api.baseline(cohort).dc_rating_kw, 0.0))
        reserve = common.numbers(sites, "roof_reserve_kg_m2")
        pitch = common.at_any_array(cohort, frames & np.isnan(common.numbers(cohort.arrays, "ground_cover_ratio")))
        return (
            api.Screening.of(cohort)
            .reject(~common.at_any_array(cohort, frames), "only frames on the ground or on a flat roof can turn")
            .reject(common.equals(sites, "roof_kind", "fragile sheet") & on_roof, "a fragile roof bears no drives")
            .reject(kw < assume["least_kw"], "the field is too small for drives")
            .reject(on_roof & (reserve < assume["kg_per_m2"]), "the roof does not bear the frames")
            .survey(on_roof, "wind and load on the roof are for a structural engineer")
            .survey(~on_roof, "soil, slope and the wind at the field have to be seen")
            .survey(pitch, "the distance from row to row is not known, and rows that turn shade each other")
            .survey(common.equals(sites, "listed_building", True), "listed building: consent before anything changes")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """The frames turn, the modules stay; what the drives use comes off."""
        frames = _frames(cohort)
        turning = turned(cohort, plant, assume)
        kw = cohort.sum_by_site(np.where(frames, plant.dc_rating_kw, 0.0))
        count = common.numbers(cohort.arrays, "module_count")
        count = np.where(np.isnan(count), np.ceil(plant.dc_rating_kw / assume["module_kw"]), count)
        hours = assume["h_per_module"] * cohort.sum_by_site(np.where(frames, count, 0.0))
        ones = np.ones(len(cohort))
        return api.Change(
            plant=turning.replace(standby_kwh=plant.standby_kwh + assume["drive_kwh_per_kw"] * kw),
            costs=(
                api.CostLine(api.INSPECTION, "structural_check", ones, "check"),
                api.CostLine(api.MATERIAL, "tracker", kw, "kW"),
                api.CostLine(api.LABOUR, "roofer", hours, "h"),
                api.CostLine(api.LABOUR, "helper", hours, "h", "two people lift"),
                api.CostLine(api.INSPECTION, "insulation_test", ones, "visit", "plugs are opened and closed"),
                *common.access(cohort),
            ),
            yearly=(api.CostLine(api.STANDING, "tracker_service", kw, "kW"),),
            fade=np.full(len(common.years_of(self.about)), 1.0 - assume["standing_share"]),
            remarks=_rival(cohort, plant, turning, assume, kw),
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Moving frames, wind, live cables, the way up."""
        ground = common.equals(cohort.sites, "roof_kind", "ground")
        crushing = api.Note(
            "tracking_moving_frames", api.DANGER,
            "Frames start without warning and crush: switch off, lock and block them before anybody reaches between.",
            "people trained on this drive", "EN ISO 12100; IEC 62817; the maker's manual",
        )  # fmt: skip
        wind = api.Note(
            "tracking_wind", api.DANGER,
            "A turning frame can gallop and break in wind: posts, stow and the roof need an engineer's check before.",
            "a structural engineer", "EN 1991-1-4; IEC 62817; local rules come first",
        )  # fmt: skip
        return api.Notes.of(cohort).add(crushing).add(wind).add(common.HEIGHT, ~ground).add(common.LIVE)


def turned(cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Plant:
    """Return the plant with all frames turning about axes from north to south."""
    frames = _frames(cohort)
    cover = np.where(plant.ground_cover_ratio > 0, plant.ground_cover_ratio, assume["ground_cover_if_unknown"])
    set_to: Mapping[str, api.Floats | float] = {
        "turn_limit_deg": assume["turn_limit_deg"], "axis_tilt_deg": 0.0, "axis_azimuth_deg": 180.0, "backtracks": 1.0,
        "ground_cover_ratio": cover, "tilt_positions": 1.0,
    }  # fmt: skip
    return plant.replace(**{name: np.where(frames, value, getattr(plant, name)) for name, value in set_to.items()})


def _frames(cohort: api.Cohort) -> api.Bools:
    return common.equals(cohort.arrays, "mounting", *FRAMES)


def _rival(
    cohort: api.Cohort, plant: api.Plant, turning: api.Plant, assume: api.Assumed, kw: api.Floats
) -> npt.NDArray[np.object_]:
    """Say what turning brings, and what more modules that stand bring for the same money."""
    today = api.annual_generation(cohort, plant)
    more = (api.annual_generation(cohort, turning) - today) * (1.0 - assume["standing_share"])
    share = 1.0 / assume["standing_over_tracker"]  # of the field
    rows = zip(more, kw * share, today * share, strict=True)
    texts = [
        f"about {a:,.0f} kWh a year; {k:,.1f} kW more that stand cost as much and bring {b:,.0f}" for a, k, b in rows
    ]
    return np.array(texts, dtype=object)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [SingleAxisTracking()]
