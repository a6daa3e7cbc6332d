"""The lists of a stored run: whom to warn by urgency, whom to sell to by what an hour of the crew brings."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from aftersun.documents.run_view import RunView
from aftersun.inventory.store.file import Inventory
from aftersun.model.codes import TO_WARN, CallKind, ContactRule
from aftersun.money.company import Company
from aftersun.money.prices import trip
from aftersun.scoring.run.demo import Demo


@pytest.fixture(scope="module")
def view(demo: Demo) -> Iterator[RunView]:
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        yield RunView(inventory)


def test_a_hot_plug_precedes_unlike_plugs_that_bring_more(view: RunView) -> None:
    calls = view.calls().set_index("site_id")
    warned = calls[calls["must_call"]]
    assert warned["urgency"].is_monotonic_increasing
    hot, unlike = (warned[warned["urgency"] == rank] for rank in (1, 3))
    assert len(hot)
    assert len(unlike)
    assert hot["contribution"].min() < unlike["contribution"].max()
    assert hot["position"].max() < unlike["position"].min()
    assert warned["position"].max() < calls.loc[calls["kind"] == CallKind.OFFER, "position"].min()


def test_everybody_with_a_known_danger_is_on_the_list_of_people_to_warn_and_nobody_else(view: RunView) -> None:
    calls = view.table("call")
    warned = calls[calls["kind"].isin(TO_WARN)]
    assert set(warned["site_id"]) == set(view.to_tell()["site_id"])
    by_notice = warned[warned["kind"] == CallKind.NOTICE]
    assert by_notice["position"].isna().all()
    assert by_notice["excluded_reason"].isin(list(ContactRule)).any()
    assert view.to_tell()["site_id"].map(calls.set_index("site_id")["urgency"]).is_monotonic_increasing


def test_the_list_that_sells_does_not_begin_with_the_farthest_customers(view: RunView, company: Company) -> None:
    sold = view.calls().query("kind == 'offer'")
    km = trip(view.sites().set_index("site_id").loc[sold["site_id"]], company).distance_km
    assert len(sold) >= 8
    assert np.corrcoef(sold["position"].astype(float), km)[0, 1] > -0.3  # it was -0.99 on a list by markup on the road


def test_the_order_is_that_of_rounds_by_what_an_hour_brings_neighbours_together(view: RunView) -> None:
    sold = view.calls().query("kind == 'offer'")
    rounds = sold["round"].to_list()
    assert len(set(rounds)) == 1 + sum(a != b for a, b in pairwise(rounds))
    money = (sold["per_crew_hour"] * sold["crew_hours"]).groupby(sold["round"]).sum()
    hours = sold.groupby("round")["crew_hours"].sum()
    assert (money / hours)[pd.unique(sold["round"])].is_monotonic_decreasing
    assert (sold.groupby("round")["per_crew_hour"].diff().dropna() <= 1e-9).all()


def test_what_is_good_for_the_owner_and_not_called_is_listed_unless_a_rule_forbids_it(view: RunView) -> None:
    calls, offers = view.table("call"), view.table("offer")
    good = set(offers.loc[offers["npv"] > 0, "site_id"])
    free = calls[calls["site_id"].isin(good) & ~calls["site_id"].isin(view.may_not_be_called())]
    assert set(free["kind"]) <= {*TO_WARN, CallKind.OFFER, CallKind.IN_PASSING}
    passing = calls[calls["kind"] == CallKind.IN_PASSING]
    assert (passing["npv"] > 0).all()
    assert passing["position"].isna().all()
    assert passing["retrofit"].notna().all()
