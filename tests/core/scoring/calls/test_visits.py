"""Rounds of near sites and the way of a round, against geometry and enumeration."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aftersun.model.sphere import great_circle_km
from aftersun.scoring.calls import visits
from aftersun.scoring.calls.visits import round_trips, rounds_of
from aftersun.testing.builders import sample_company

COMPANY = sample_company()  # base at 40 N, 0 E
KM_A_DEGREE = 111.19508  # great circle of the mean radius 6371.0088 km (IUGG): 2 pi R / 360


def at(*places: tuple[float, float], hours: float = 3.0) -> pd.DataFrame:
    """Return sites a, b, c... so many km north and east of the base."""
    north, east = np.array(places, dtype=float).reshape(-1, 2).T
    return pd.DataFrame(
        {
            "site_id": [chr(97 + k) for k in range(len(places))],
            "latitude": 40.0 + north / KM_A_DEGREE,
            "longitude": east / KM_A_DEGREE / np.cos(np.radians(40.0)),
            "work_hours": hours,
            "drivers_helper": 2.0,
        }
    )


def members(rounds: pd.Series) -> set[frozenset[str]]:
    return {frozenset(group.index) for _, group in rounds.groupby(rounds)}


PLACES = st.lists(st.tuples(st.floats(-40, 40), st.floats(-40, 40)), min_size=1, max_size=12)


def test_a_chain_of_near_sites_is_not_one_round() -> None:
    # complete linkage: b is 8 km from a and from c, which are 16 km apart
    assert len(members(rounds_of(at((0, 0), (8, 0), (16.1, 0)), 10.0))) == 2
    assert members(rounds_of(at((0, 0), (8, 0), (16.1, 0)), 17.0)) == {frozenset("abc")}


@pytest.mark.slow
@settings(max_examples=50)
@given(PLACES, st.floats(0, 30))
def test_no_two_sites_of_a_round_are_farther_apart_than_allowed(places, km) -> None:
    sites = at(*places)
    place = sites.set_index("site_id")
    for group in members(rounds_of(sites, km)):
        for one, other in combinations(sorted(group), 2):
            ends = (*place.loc[one, ["latitude", "longitude"]], *place.loc[other, ["latitude", "longitude"]])
            assert great_circle_km(*ends) <= km + 1e-5


@settings(max_examples=30)
@given(PLACES, st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing(places, random) -> None:
    sites = at(*places)
    order = list(range(len(sites)))
    random.shuffle(order)
    pd.testing.assert_series_equal(rounds_of(sites, 10.0), rounds_of(sites.iloc[order], 10.0))


def test_many_sites_are_cut_first_and_still_keep_the_distance(monkeypatch) -> None:
    rng = np.random.default_rng(3)
    sites = pd.DataFrame({"site_id": [f"s{k:03}" for k in range(300)], "work_hours": 3.0})
    sites["latitude"], sites["longitude"] = 40 + rng.normal(0, 0.2, 300), rng.normal(0, 0.2, 300)
    monkeypatch.setattr(visits, "_MOST_AT_ONCE", 40)
    rounds = rounds_of(sites, 10.0)
    place = sites.set_index("site_id")
    for group in members(rounds):
        lat, lon = place.loc[sorted(group), ["latitude", "longitude"]].to_numpy().T
        assert great_circle_km(lat[:, None], lon[:, None], lat, lon).max() <= 10.0 + 1e-6
    assert rounds.drop_duplicates().is_monotonic_increasing  # counted in the order of their first site


def test_the_way_of_a_round_by_hand() -> None:
    sites = at((30, 0), (34, 0))
    company = COMPANY.model_copy(
        update={
            "travel": COMPANY.travel.model_copy(
                update={"road_factor": 1.25, "average_speed_km_h": 50.0, "cost_per_km": 0.5}
            )
        }
    )
    assert company.month.day_hours == 6  # so two stops of 3 h
    (row,) = round_trips(sites, rounds_of(sites, 10.0), company).to_dict("records")
    assert row["stops"] == 2
    assert row["km"] == pytest.approx(1.25 * (2 * 32 + 4))  # out and back to the mean, and from one to the other
    assert row["hours_helper"] == pytest.approx(2 * 85 / 50)
    assert row["cost"] == pytest.approx(85 * 0.5 + 3.4 * company.work["helper"])
    mixed = sites.assign(drivers_helper=[2.0, 0.0], drivers_electrician=[0.0, 1.0])
    (row,) = round_trips(mixed, rounds_of(sites, 10.0), company).to_dict("records")
    assert (row["hours_helper"], row["hours_electrician"]) == pytest.approx((85 / 50, 85 / 50 / 2))
    people = 1.7 * company.work["helper"] + 0.85 * company.work["electrician"]
    assert row["cost"] == pytest.approx(85 * 0.5 + people)
    one_stop = round_trips(sites.assign(work_hours=9.0), rounds_of(sites, 10.0), company)
    assert one_stop["km"].item() == pytest.approx(1.25 * 64)


def test_sites_at_the_same_place_lengthen_nothing() -> None:
    sites = at((30, 0), (30, 0), (30, 0))
    road = COMPANY.travel.road_factor
    assert round_trips(sites, rounds_of(sites, 0.0), COMPANY)["km"].item() == pytest.approx(60 * road)
