"""The builders of cohorts say what they are asked to say, within what the column dictionary allows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from aftersun import api
from aftersun.energy.geometry import ASSUMED
from aftersun.inventory.store.dictionary import columns
from aftersun.testing import (
    build_cohort,
    legal_sites,
    odd_sites,
    sample_cohort,
    sample_company,
    sample_weather,
    unknown_frame,
    unknown_site,
)
from aftersun.testing.answers import Declared

POSITION = ("latitude", "longitude")  # of every site that a retrofit is shown


def test_a_mapping_changes_an_ordinary_home():
    cohort = sample_cohort({}, {"roof_kind": "ground", "storeys": None, "arrays": [{}, {"tilt_deg": 5.0}]})
    assert cohort.sites["roof_kind"].tolist() == ["pitched tile", "ground"]
    assert cohort.sites["storeys"].isna().tolist() == [False, True]
    assert cohort.arrays["site"].tolist() == [0, 1, 1]
    assert cohort.arrays["tilt_deg"].tolist() == [30.0, 30.0, 5.0]
    assert len(sample_cohort()) == 1


@pytest.mark.parametrize("facts", [{"colour": "red"}, {"arrays": [{"colour": "red"}]}])
def test_a_column_that_there_is_not_is_refused(facts):
    with pytest.raises(ValueError, match="there is no column colour"):
        sample_cohort(facts)


def test_frames_have_the_columns_and_types_of_the_dictionary():
    cohort = sample_cohort(*odd_sites())
    for table, frame in (("site", cohort.sites), ("tariff", cohort.sites), ("array", cohort.arrays)):
        for column in columns(table):
            if column.name not in (frame.index.name, "array_id"):
                assert str(frame[column.name].dtype) == str(pd.Series(dtype=column.dtype).dtype)


def test_odd_sites_stay_within_the_dictionary_and_reach_its_limits():
    cohort = sample_cohort(*odd_sites())
    for table, frame in (("site", cohort.sites), ("tariff", cohort.sites), ("array", cohort.arrays)):
        for column in columns(table):
            if column.name not in frame or column.key:
                continue
            held = frame[column.name].dropna()
            if column.choices:
                assert set(held) == set(column.choices)
            elif column.minimum is not None:
                assert held.min() == column.minimum, column.name
                assert column.maximum is None or held.max() == column.maximum, column.name
            unknown = frame[ASSUMED[column.name]] if column.name in ASSUMED else frame[column.name].isna()
            assert column.required or column.name in POSITION or unknown.any(), column.name


def test_of_an_unknown_site_only_what_is_required_is_known():
    cohort = sample_cohort(unknown_site())
    for table, frame in (("site", cohort.sites), ("array", cohort.arrays)):
        for column in columns(table):
            if column.name in frame and not column.required and column.name not in POSITION:
                unknown = frame[ASSUMED[column.name]] if column.name in ASSUMED else frame[column.name].isna()
                assert unknown.all(), column.name
    assert np.isfinite(api.simulate(cohort, api.baseline(cohort)).annual("generated")).all()


def test_drawn_sites_are_the_same_each_time_and_differ_by_seed():
    assert legal_sites(5) == legal_sites(5)
    assert legal_sites(5) != legal_sites(5, seed=1)


def test_a_bare_cohort_knows_nothing_but_what_is_given():
    cohort = build_cohort([{"latitude": 1.0}], [{"site": 0, "tilt_deg": 10.0}], sample_weather(None))
    assert cohort.sites.drop(columns=["latitude", "load_shape"]).isna().all(axis=None)
    assert cohort.arrays.drop(columns=["site", *ASSUMED, *ASSUMED.values()]).isna().all(axis=None)
    assert cohort.arrays[list(ASSUMED.values())].to_numpy().tolist() == [[False, True, True]]
    assert cohort.weather.rain_mm is None
    assert len(unknown_frame("reading")) == 0


def test_the_sample_company_has_a_price_for_whatever_a_line_asks():
    one = np.ones(1)
    lines = [api.CostLine(api.STANDING, "snow_watch", one, "year"), api.CostLine(api.LABOUR, "diver", one, "h")]
    company = sample_company(lines, {"snow_watch": api.Range(30, 20, 40, "per year", "assumption")})
    assert company.price_of(api.STANDING, "snow_watch") == 30
    assert company.price_of(api.LABOUR, "diver") == 1
    assert company.identity.currency == "XTS"  # ISO 4217: reserved for testing


def test_a_declared_view_hides_columns_from_the_plugin_and_not_from_the_physics():
    cohort = sample_cohort({}, {"surroundings": "desert"}, {"arrays": [{}, {"azimuth_deg": 90.0}]})
    shown = Declared.of(cohort, ("roof_kind", "tilt_deg"))
    assert list(shown.sites.columns) == ["roof_kind"]
    assert list(shown.arrays.columns) == ["tilt_deg", "site"]
    assert shown.hides("storeys")
    assert not shown.hides("roof_kind")
    assert not shown.hides("no such column")
    part, same = shown.take(np.array([2, 0])), cohort.take(np.array([2, 0]))
    assert list(part.sites.columns) == ["roof_kind"]
    for ask in (
        lambda view: api.annual_generation(view, api.baseline(view)),
        lambda view: api.simulate(view, api.baseline(view)).annual("exported"),
        lambda view: api.annual_soiling_loss(view),
    ):
        np.testing.assert_array_equal(ask(part), ask(same))
