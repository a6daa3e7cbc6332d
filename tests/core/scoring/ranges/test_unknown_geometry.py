"""A roof that nobody has measured is valued, less surely than one that is known, and its facts are asked for."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from tests_support import make_cohort, make_weather

from aftersun.energy.geometry import with_assumed_geometry
from aftersun.host.registry import Registry, find_plugins
from aftersun.scoring.offers.chunk import score
from aftersun.scoring.ranges.draws import CommonNumbers
from aftersun.testing import unknown_frame

HOME = {
    "latitude": 36.1,
    "longitude": -79.9,
    "roof_kind": "pitched tile",
    "commissioned_on": pd.Timestamp("2015-05-01"),
    "remaining_life_years": 18.0,
    "import_price": 0.40,
    "export_price": 0.0,
    "export_rule": "net billing",
    "annual_demand_kwh": 4000.0,
    "occupants": 4,
    "inverter_rating_kw": 6.0,
    "water_heat": "immersion",
    "water_store_litres": 250.0,
    "element_kw": 3.0,
    "element_cut_out": True,
    "battery_kwh": 0.0,
}
KNOWN = {"tilt_deg": 30.0, "azimuth_deg": 180.0, "dc_rating_kw": 6.9, "mounting": "flush roof"}  # 6 kW x 1.15
BLANK = {"mounting": "flush roof"}


@pytest.fixture(scope="module")
def frames(company):
    cohort = make_cohort(make_weather(), [HOME, HOME], [KNOWN | {"site": 0}, BLANK | {"site": 1}])
    only = Registry(tuple(one for one in find_plugins().retrofits if one.id == "hot_water_diverter"), (), (), ())
    cohort = with_assumed_geometry(cohort)
    return score(cohort, unknown_frame("fitted"), only, company, unknown_frame("reading")).frames


def test_with_the_usual_values_both_are_worth_the_same_and_the_unknown_one_is_less_sure(frames):
    known, blank = frames["ranking"].to_dict("records")
    assert blank["npv_usual"] == pytest.approx(known["npv_usual"], rel=1e-3)
    assert blank["npv_p10"] - blank["npv_p90"] > 1.05 * (known["npv_p10"] - known["npv_p90"])


def test_its_direction_tilt_and_rating_are_drivers_and_those_of_the_known_one_are_not(frames):
    moves = frames["driver"].groupby("site_id", sort=True)["name"].agg(set)
    geometry = {"tilt_deg", "azimuth_deg", "dc_rating_kw"}
    assert len(moves) == 2
    assert not moves.iloc[0] & geometry
    assert moves.iloc[1] & geometry


def test_draws_of_an_array_are_the_same_alone_and_among_others():
    among = CommonNumbers(pd.Index(["S1", "S2", "S3"]), [])
    alone = CommonNumbers(pd.Index(["S2"]), [])
    np.testing.assert_array_equal(among.own("azimuth_deg", np.array([1])), alone.own("azimuth_deg", np.array([0])))
    assert not np.array_equal(among.own("azimuth_deg", np.array([0])), among.own("azimuth_deg", np.array([1])))
    assert not np.array_equal(among.own("azimuth_deg", np.array([1])), among.own("tilt_deg", np.array([1])))
