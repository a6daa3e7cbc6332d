"""Frames are raised to the best fixed tilt, where that is possible and wins something."""

from __future__ import annotations

from dataclasses import fields, replace
from importlib.resources import as_file, files

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from aftersun import api
from aftersun.climate.read import read_weather
from aftersun.host.assumed import assumed
from aftersun_retrofits.tilt_mount import TiltMount, optimal_tilt_deg

TILT = TiltMount()
FLAT = {"roof_kind": "flat membrane"}
FRAME = {"mounting": "flat roof frame", "tilt_deg": 10.0, "module_rows": 1}


def line(change: api.Change, item: str) -> np.ndarray:
    return next(found.quantity for found in change.costs if found.item == item)


def changed(cohort: api.Cohort, plant: api.Plant | None = None) -> api.Change:
    return TILT.change(cohort, api.baseline(cohort) if plant is None else plant, assumed(TILT, {}, {}))


def gain(cohort: api.Cohort) -> np.ndarray:
    """Share of a year's energy that raising adds, per site."""
    before = api.simulate(cohort, api.baseline(cohort)).annual("generated")
    return api.simulate(cohort, changed(cohort).plant).annual("generated") / before - 1.0


@pytest.mark.parametrize(
    ("latitude", "tilt_deg"),
    [(20, 20.28), (30, 26.62), (40, 31.53), (50, 35.49), (60, 38.98), (-33.9, 29.47)],
)
def test_best_tilt_by_latitude(latitude, tilt_deg):
    # Jacobson and Jadhav, Solar Energy 169, 2018, 55-66: cubic fit
    assert optimal_tilt_deg(latitude) == pytest.approx(tilt_deg, abs=0.02)


@pytest.mark.parametrize(
    ("site", "array", "status"),
    [
        ({"roof_kind": "pitched tile"}, {"mounting": "flush roof"}, api.DOES_NOT_FIT),
        ({"roof_kind": "pitched tile"}, {"mounting": "in roof"}, api.DOES_NOT_FIT),
        ({"roof_kind": "pitched slate"}, {"mounting": None}, api.DOES_NOT_FIT),
        ({"roof_kind": "fragile sheet"}, FRAME, api.DOES_NOT_FIT),
        (FLAT, FRAME, api.FITS),
        (FLAT, {**FRAME, "module_rows": 3, "ground_cover_ratio": 0.5}, api.FITS),
        (FLAT, {**FRAME, "module_rows": 3}, api.SURVEY_FIRST),
        (FLAT, {**FRAME, "module_rows": None}, api.SURVEY_FIRST),
        (FLAT, {**FRAME, "mounting": "flush roof"}, api.SURVEY_FIRST),
        ({**FLAT, "listed_building": True}, FRAME, api.SURVEY_FIRST),
        ({"roof_kind": "ground"}, {**FRAME, "mounting": "ground frame"}, api.FITS),
        ({"roof_kind": None}, {**FRAME, "mounting": None}, api.SURVEY_FIRST),
    ],
)
def test_where_it_fits(build, site, array, status):
    screening = TILT.screen(build(site, array=array))
    assert screening.status.tolist() == [status]
    assert bool(screening.reason[0]) == (status != api.FITS)


@pytest.fixture(scope="module")
def greensboro() -> api.WeatherYear:
    """The TMY3 year of Greensboro, 36.1 N, that comes with pvlib."""
    with as_file(files("pvlib").joinpath("data", "723170TYA.CSV")) as path:
        return read_weather(path).year


@pytest.mark.parametrize(
    ("tilt_deg", "share"),
    # In-plane irradiance by pvlib 0.16.1 alone, 30 degrees against these: Perez sky 6.0 and 1.7 % (Hay-Davies
    # 5.1 and 1.3 %), the best tilt between 30 and 35; incidence angle and cell temperature come on top here.
    [(10.0, 0.060), (20.0, 0.017)],
)
def test_raising_to_the_best_tilt_at_greensboro(build, greensboro, tilt_deg, share):
    site = {**FLAT, "latitude": 36.1, "longitude": -79.95, "inverter_rating_kw": 6.0}
    cohort = replace(build(site, array={**FRAME, "tilt_deg": tilt_deg}), weather=greensboro)
    assert changed(cohort).plant.tilt_deg[0] in (30.0, 35.0)
    assert gain(cohort)[0] == pytest.approx(share, abs=0.006)


def test_close_rows_take_most_of_the_gain(build):
    # masking angle at a ground cover ratio of 0.7: 21.4 degrees at a tilt of 10, 41.6 at 30 (geometry)
    open_row, close_rows = (
        gain(build(FLAT, array={**FRAME, "module_rows": rows, "ground_cover_ratio": ratio}))[0]
        for rows, ratio in ((1, None), (4, 0.7))
    )
    assert 0 <= close_rows < 0.5 * open_row


def test_unknown_row_pitch_is_not_taken_for_open_ground(build):
    assert gain(build(FLAT, array={**FRAME, "module_rows": 4}))[0] < gain(build(FLAT, array=FRAME))[0]


@settings(deadline=None, max_examples=6, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(tilt_deg=st.floats(0, 60), azimuth_deg=st.sampled_from([90.0, 180.0, 200.0, 270.0]))
def test_re_tilting_never_loses_and_a_second_time_wins_nothing(build, tilt_deg, azimuth_deg):
    cohort = build(FLAT, array={**FRAME, "tilt_deg": tilt_deg, "azimuth_deg": azimuth_deg})
    assert (gain(cohort) >= 0).all()
    once = changed(cohort).plant
    twice = changed(cohort, once)
    for column in fields(api.Plant):
        np.testing.assert_array_equal(getattr(twice.plant, column.name), getattr(once, column.name))
    assert "nothing to win" in twice.remarks[0]


def test_a_frame_near_the_best_tilt_stays_as_it_is(build):
    best = changed(build(FLAT, array=FRAME)).plant.tilt_deg[0]
    cohort = build(FLAT, array={**FRAME, "tilt_deg": best + 1.5})
    change = changed(cohort)
    assert change.plant.tilt_deg[0] == best + 1.5
    assert "nothing to win" in change.remarks[0]


def test_every_module_that_is_raised_is_paid_for(build):
    change = changed(build(FLAT, {**FLAT, "roof_kind": "ground"}, array={**FRAME, "module_count": 12}))
    assert line(change, "tilt_frame").tolist() == [12, 12]
    assert line(change, "structural_check").tolist() == [1, 1]
    # common practice, no source: 0.4 to 1.5 h a module
    assert (line(change, "roofer") >= 12 * 0.4).all()
    assert (line(change, "roofer") <= 12 * 1.5).all()
