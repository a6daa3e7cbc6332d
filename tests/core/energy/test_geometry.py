"""A roof is not left out for a blank cell: what stands in for tilt, direction and rating, worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from aftersun.energy.baseline import baseline
from aftersun.energy.geometry import ASSUMED, with_assumed_geometry
from aftersun.testing import sample_cohort

BLANK = {"tilt_deg": None, "azimuth_deg": None, "dc_rating_kw": None, "module_count": None, "mounting": None}
SITE = {"commissioned_on": date(2015, 6, 1), "inverter_rating_kw": None, "roof_kind": "pitched tile"}


def plant_of(weather, *sites, **overrides):
    cohort = with_assumed_geometry(sample_cohort(*sites, weather=weather))
    return cohort, baseline(cohort, overrides)


def test_what_is_known_stays_and_nothing_is_marked(weather):
    cohort = sample_cohort({}, weather=weather)
    assert with_assumed_geometry(cohort) is cohort
    assert not set(ASSUMED.values()) & set(cohort.arrays)


def test_a_pitched_roof_faces_the_equator_and_a_frame_is_flatter(weather):
    cohort, plant = plant_of(
        weather, SITE | {"arrays": [BLANK]}, SITE | {"roof_kind": "flat membrane", "arrays": [BLANK]}
    )
    assert plant.tilt_deg == pytest.approx([30.0, 12.0])
    assert plant.azimuth_deg == pytest.approx([180.0, 180.0])  # the weather's place lies in the north
    assert cohort.arrays[list(ASSUMED)].notna().all(axis=None)
    assert cohort.arrays[list(ASSUMED.values())].all(axis=None)


@pytest.mark.parametrize(
    ("site", "array", "kw"),
    [
        ({}, {"module_count": 12}, 12 * 0.26),
        ({"commissioned_on": date(2020, 6, 1)}, {"module_count": 12}, 12 * (0.26 + 5 * 0.014)),
        ({}, {"module_rows": 2, "module_columns": 6}, 12 * 0.26),
        ({"inverter_rating_kw": 5.0}, {}, 5 * 1.15),  # the usual ratio of DC to AC
        ({}, {}, 4.5),
    ],
)
def test_the_rating_is_reckoned_from_modules_else_from_the_inverter(weather, site, array, kw):
    _, plant = plant_of(weather, SITE | site | {"arrays": [BLANK | array]})
    assert plant.dc_rating_kw == pytest.approx([kw], rel=0.01)


def test_of_two_arrays_the_unknown_one_has_what_the_inverter_leaves(weather):
    known = BLANK | {"tilt_deg": 20.0, "azimuth_deg": 90.0, "dc_rating_kw": 3.0}
    cohort, plant = plant_of(weather, SITE | {"inverter_rating_kw": 5.0, "arrays": [known, BLANK]})
    assert plant.dc_rating_kw == pytest.approx([3.0, 5 * 1.15 - 3.0])
    assert plant.tilt_deg == pytest.approx([20.0, 30.0])
    assert cohort.arrays["tilt_assumed"].tolist() == [False, True]


def test_an_assumption_moves_only_what_is_assumed(weather):
    known = {"tilt_deg": 20.0, "azimuth_deg": 90.0, "dc_rating_kw": 3.0}
    sites = (SITE | {"arrays": [known]}, SITE | {"arrays": [BLANK]})
    ends = {"unknown_tilt_deg": 45.0, "unknown_turn_deg": -90.0, "unknown_rating_ratio": 1.4}
    _, plant = plant_of(weather, *sites, **ends)
    assert plant.tilt_deg == pytest.approx([20.0, 45.0])
    assert plant.azimuth_deg == pytest.approx([90.0, 90.0])
    assert plant.dc_rating_kw == pytest.approx([3.0, 4.5 * 1.4])


def test_blank_cells_of_any_kind_are_unknown(weather):
    cohort = sample_cohort(SITE, weather=weather)
    arrays = cohort.arrays.assign(tilt_deg=pd.array([pd.NA], dtype="Float64"))
    filled = with_assumed_geometry(replace(cohort, arrays=arrays))
    assert filled.arrays["tilt_deg"].to_numpy(dtype=np.float64) == pytest.approx([30.0])
