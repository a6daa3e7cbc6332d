"""The call list as a 0-1 programme: published examples, enumeration of small portfolios, laws, bad input."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from aftersun.model.codes import HourMethod, NotCalled, PlanStatus
from aftersun.money.company import Month
from aftersun.scoring.calls import programme
from aftersun.scoring.calls.programme import Limits, Selection
from aftersun.wording import shortage_text

EXACT = Limits(gap=0.0, hours_s=0.0)


def month(
    hours: dict[str, float],
    equipment_visits: dict[str, float],
    materials_cash: float | None = None,
    slack_share: float = 0.0,
    day_hours: float = np.inf,  # a day in which all work of a round can be done: one trip
) -> Month:
    return Month.model_construct(
        hours=hours,
        equipment_visits=equipment_visits,
        materials_cash=materials_cash,
        slack_share=slack_share,
        day_hours=day_hours,
    )


NO_LIMIT = month({}, {})


def offers(values: Sequence[float], hours: Sequence[float] = (), **more: Any) -> pd.DataFrame:
    """Return offers 1, 2, ... at a site each, every one a sure yes, with hours of a crew."""
    ids = [f"{k + 1:02}" for k in range(len(values))]
    table = pd.DataFrame({"offer_id": ids, "site_id": ids, "value": np.array(values, dtype=float)})
    table["hours_crew"] = np.array(hours if len(hours) else [1.0] * len(values), dtype=float)
    return table.assign(**{"chance_of_yes": 1.0, "equipment": "", "materials": 0.0, "must_call": False} | more)


def choose_offers(
    table: pd.DataFrame, capacity: Month, trips: pd.DataFrame | None = None, limits: Limits | None = None
) -> Selection:
    """Choose from a table; without trips all sites are one round, and the way costs nothing."""
    if trips is None:
        table, trips = table.assign(round=0), pd.DataFrame({"round": [0], "cost": [0.0]})
    return programme.choose_offers(table, capacity, trips, limits or Limits())


def chosen(selection: Selection) -> list[str]:
    """Return the offer_id of what to call about, in the order to call."""
    return list(selection.offers.loc[selection.offers["chosen"], "offer_id"])


def numbers(selection) -> set[int]:
    return {int(offer) for offer in chosen(selection)}


def test_two_capacities_by_pedroso_and_kubo() -> None:
    # Pedroso & Kubo 2012, multi-constraint knapsack data: 42 with items 2 and 3
    table = offers([16, 19, 23, 28], [2, 3, 4, 5], materials=[3000.0, 3500.0, 5100.0, 7200.0])
    selection = choose_offers(table, month({"crew": 7}, {}, 10000), limits=EXACT)
    assert numbers(selection) == {2, 3}
    assert selection.value == pytest.approx(42)
    assert selection.status == PlanStatus.PROVEN_BEST


def test_greedy_is_a_quarter_worse_in_the_textbook_example() -> None:
    # textbook 0-1 knapsack: optimum 220, by value a unit 160
    selection = choose_offers(offers([60, 100, 120], [10, 20, 30]), month({"crew": 50}, {}), limits=EXACT)
    assert (selection.value, selection.greedy_value) == pytest.approx((220, 160))


def test_public_test_set_p01() -> None:
    # knapsack test set P01: capacity 165, optimum 309 with items 1-4 and 6
    profits, weights = [92, 57, 49, 68, 60, 43, 67, 84, 87, 72], [23, 31, 29, 44, 53, 38, 63, 85, 89, 82]
    selection = choose_offers(offers(profits, weights), month({"crew": 165}, {}), limits=EXACT)
    assert numbers(selection) == {1, 2, 3, 4, 6}
    assert selection.value == pytest.approx(309)


def test_two_jobs_of_one_visit_beat_the_best_single_one() -> None:
    # constructed: 300 (3 h) + 180 (2 h) - 60 for 2 h on the road = 420; the other round brings 350 - 30 in 5 h
    table = offers([300, 180, 350], [3, 2, 4], round=[1, 1, 2])
    way = pd.DataFrame({"round": [1, 2], "cost": [60.0, 30.0], "hours_crew": [2.0, 1.0]})
    selection = choose_offers(table, month({"crew": 8}, {}), way, limits=EXACT)
    assert numbers(selection) == {1, 2}
    assert (selection.value, selection.travel_cost) == pytest.approx((420, 60))
    assert selection.capacities["used"].item() == pytest.approx(7)
    # the same as one offer a site, both jobs being a bundle
    table = offers([300, 180, 480, 350], [3, 2, 5, 4], site_id=["1", "1", "1", "2"], round=[1, 1, 1, 2])
    selection = choose_offers(table, month({"crew": 8}, {}), way, limits=EXACT)
    assert (numbers(selection), selection.value) == ({3}, pytest.approx(420))


@st.composite
def portfolios(draw):
    n = draw(st.integers(1, 7))

    def each(values):
        return draw(st.lists(values, min_size=n, max_size=n))

    tenths = st.integers(1, 10).map(lambda k: k / 10)
    table = offers(
        [float(v) for v in each(st.integers(-20, 200))],
        each(st.integers(0, 8)),
        hours_other=np.array(each(st.integers(0, 5)), dtype=float),
        materials=np.array(each(st.integers(0, 50)), dtype=float),
        chance_of_yes=each(tenths),
        equipment=each(st.sampled_from(["", "tower"])),
        site_id=each(st.sampled_from(["a", "b", "c", "d", "e"])),
        must_call=each(st.sampled_from([False, False, False, True])),
    )
    number = {site: draw(st.integers(0, 2)) for site in "abcde"}
    table["round"] = table["site_id"].map(number)
    trips = {"cost": draw(st.tuples(*[st.integers(0, 60).map(float)] * 3))}
    trips["hours_crew"] = draw(st.tuples(*[st.integers(0, 3).map(float)] * 3))
    capacity = month(
        {"crew": draw(st.integers(0, 20)), "other": draw(st.integers(0, 10))},
        draw(st.sampled_from([{}, {"tower": 1.0}])),
        draw(st.sampled_from([None, 60.0])),
        draw(st.sampled_from([0.0, 0.1])),
        draw(st.sampled_from([np.inf, 6.0])),
    )
    return table, capacity, pd.DataFrame({"round": [0, 1, 2], **trips})


def enumerated(table, capacity: Month, trips: pd.DataFrame) -> float | None:
    """Return the best value of all lists that keep every rule, the rules written out anew; None if none does."""
    best = None
    must = set(table.loc[table["must_call"], "site_id"])
    rows = table.to_dict("records")
    for size in range(len(rows) + 1):
        for some in combinations(rows, size):
            sites = [row["site_id"] for row in some]
            if len(set(sites)) < size or {row["site_id"] for row in some if row["must_call"]} != must:
                continue
            driven = {}
            for number in {row["round"] for row in some}:
                here = [row for row in some if row["round"] == number]
                once = min(1.0, sum(row["chance_of_yes"] for row in here))
                worked = sum(row["chance_of_yes"] * max(row["hours_crew"], row["hours_other"]) for row in here)
                driven[number] = max(once, worked / capacity.day_hours)
            share = 1.0 - capacity.slack_share

            def total(amount, some=some) -> float:
                return sum(row["chance_of_yes"] * amount(row) for row in some)

            road = sum(driven[k] * trips["hours_crew"][k] for k in driven)
            fits = total(lambda row: row["hours_crew"]) + road <= capacity.hours["crew"] * share + 1e-6
            fits &= total(lambda row: row["hours_other"]) <= capacity.hours["other"] * share + 1e-6
            for item, visits in capacity.equipment_visits.items():
                fits &= total(lambda row, item=item: row["equipment"] == item) <= visits * share + 1e-6
            if capacity.materials_cash is not None:
                fits &= total(lambda row: row["materials"]) <= capacity.materials_cash * share + 1e-6
            value = sum(row["value"] for row in some) - sum(driven[k] * trips["cost"][k] for k in driven)
            if fits and (best is None or value > best):
                best = value
    return best


@settings(max_examples=50)
@given(portfolios())
@pytest.mark.slow
def test_it_finds_what_enumeration_finds(portfolio) -> None:
    table, capacity, trips = portfolio
    best = enumerated(table, capacity, trips)
    assume(best is not None)
    selection = choose_offers(table, capacity, trips, limits=EXACT)
    assert selection.value == pytest.approx(best, abs=1e-4)
    assert not (selection.capacities["short"] > 0).any()
    assert selection.status == PlanStatus.PROVEN_BEST


def attempt(portfolio, **changed):
    table, capacity, trips = portfolio
    return choose_offers(table, changed.get("capacity", capacity), trips, limits=EXACT)


@settings(max_examples=25)
@given(portfolios())
@pytest.mark.slow
def test_laws_of_every_list(portfolio) -> None:
    table, capacity, _trips = portfolio
    selection = attempt(portfolio)
    assert selection.value >= selection.greedy_value - 1e-9
    called = selection.offers[selection.offers["chosen"]]
    assert called["site_id"].is_unique
    # safety matters are called, fitting or not, and first
    assert set(table.loc[table["must_call"], "site_id"]) <= set(called["site_id"])
    assert called["must_call"].is_monotonic_decreasing
    assert (selection.offers["reason"] == "").eq(selection.offers["chosen"]).all()
    room = selection.capacities["bookable"] + selection.capacities["short"]
    assert (selection.capacities["used"] <= room + 1e-5 * room.clip(lower=1)).all()
    # without the limit on one thing, or on all, the list is never worth less (where safety is not short of anything)
    if not (selection.capacities["short"] > 0).any():
        looser = month(capacity.hours, {}, None, capacity.slack_share, capacity.day_hours)
        assert attempt(portfolio, capacity=looser).value >= selection.value - 1e-4
        hours = {"crew": capacity.hours["crew"]}
        without = month(hours, capacity.equipment_visits, capacity.materials_cash, capacity.slack_share)
        with_it = month(capacity.hours, capacity.equipment_visits, capacity.materials_cash, capacity.slack_share)
        first, second = attempt(portfolio, capacity=without), attempt(portfolio, capacity=with_it)
        assert first.value >= second.value - 1e-4


@settings(max_examples=15)
@given(portfolios(), st.randoms(use_true_random=False))
@pytest.mark.slow
def test_same_offers_same_list_in_whatever_order_they_come(portfolio, random) -> None:
    table, capacity, trips = portfolio
    selection = attempt(portfolio)
    order = list(range(len(table)))
    random.shuffle(order)
    for rows in (table, table.iloc[order]):
        again = choose_offers(rows, capacity, trips.iloc[::-1], limits=EXACT)
        pd.testing.assert_frame_equal(again.offers, selection.offers)
        pd.testing.assert_frame_equal(again.capacities, selection.capacities)


@settings(max_examples=25)
@given(portfolios())
@pytest.mark.slow
def test_one_hour_more_is_worth_what_the_next_list_is_worth_more(portfolio) -> None:
    table, capacity, trips = portfolio
    selection = attempt(portfolio)
    assume(not (selection.capacities["short"] > 0).any())
    selection = choose_offers(table, capacity, trips, limits=Limits(gap=0.0))
    worth = selection.capacities.set_index("name")["value_of_one_more"]
    assert selection.hour_method == HourMethod.RESOLVED
    assert (worth[["hours_crew", "hours_other"]] >= 0).all()
    assert worth.drop(["hours_crew", "hours_other"]).isna().all()
    hours = capacity.hours | {"crew": capacity.hours["crew"] + 1.0}
    more = month(hours, capacity.equipment_visits, capacity.materials_cash, capacity.slack_share, capacity.day_hours)
    best = enumerated(table, more, trips)
    assert best is not None
    assert worth["hours_crew"] == pytest.approx(best - selection.value, abs=1e-3)


def test_equal_offers_are_taken_by_id() -> None:
    selection = choose_offers(offers([50] * 5, [2] * 5), month({"crew": 6}, {}), limits=EXACT)
    assert chosen(selection) == ["01", "02", "03"]
    assert list(selection.offers["reason"][3:]) == [NotCalled.SHORT_OF_CAPACITY] * 2
    assert list(selection.offers["short_of"]) == ["", "", "", "hours_crew", "hours_crew"]
    assert selection.capacities["binding"].item()


def test_expected_hours_are_booked_and_slack_is_kept() -> None:
    # each yes at 0.15 takes 4 h: 0.6 h expected; of 5 h 10 % stays free, 4.5 h hold seven
    selection = choose_offers(
        offers([10] * 12, [4] * 12, chance_of_yes=0.15), month({"crew": 5}, {}, slack_share=0.1), limits=EXACT
    )
    assert len(chosen(selection)) == 7
    assert selection.capacities["used"].item() == pytest.approx(4.2)


def test_a_far_customer_pays_the_way_only_as_often_as_he_says_yes() -> None:
    way = pd.DataFrame({"round": [1], "cost": [100.0]})
    alone = choose_offers(offers([40], chance_of_yes=0.15, round=1), NO_LIMIT, way, limits=EXACT)
    assert alone.value == pytest.approx(40 - 15)
    # twenty of them together are one trip, unless their work fills more days: 20 x 0.15 x 4 h = two days of 6 h
    many = offers([40] * 20, [4] * 20, chance_of_yes=0.15, round=1)
    assert choose_offers(many, NO_LIMIT, way, limits=EXACT).travel_cost == pytest.approx(100)
    assert choose_offers(many, month({}, {}, day_hours=6), way, limits=EXACT).travel_cost == pytest.approx(200)


def test_what_the_owner_pays_for_the_way_covers_it_and_brings_nothing_however_far_he_lives() -> None:
    way = pd.DataFrame({"round": [1, 2], "cost": [10.0, 100.0], "hours_crew": [1.0, 10.0]})
    table = offers([40, 40], [4, 4], round=[1, 2], fare=[10.0, 100.0])
    selection = choose_offers(table, NO_LIMIT, way, limits=EXACT)
    assert chosen(selection) == ["01", "02"]  # the near one first: as much money in fewer hours
    assert (selection.value, selection.travel_cost, selection.travel_paid) == pytest.approx((80, 110, 110))
    hours = selection.offers.set_index("offer_id")
    assert hours["crew_hours"].to_dict() == pytest.approx({"01": 5, "02": 14})
    assert hours["per_crew_hour"].to_dict() == pytest.approx({"01": 8, "02": 40 / 14})
    # neighbours who share a trip save it; nobody earns what they pay twice
    both = choose_offers(offers([40, 40], round=[2, 2], fare=100.0), NO_LIMIT, way, limits=EXACT)
    assert (both.value, both.travel_paid) == pytest.approx((80, 100))
    # work of three days takes three trips, of which one is paid
    long = choose_offers(offers([300], [18], round=[2], fare=100.0), month({}, {}, day_hours=6), way, limits=EXACT)
    assert (long.value, long.travel_cost, long.travel_paid) == pytest.approx((100, 300, 100))


def test_the_round_that_brings_most_an_hour_comes_first_and_neighbours_stay_together() -> None:
    way = pd.DataFrame({"round": [1, 2], "cost": [0.0, 0.0], "hours_crew": [2.0, 2.0]})
    table = offers([90, 20, 100], [2, 2, 3], round=[1, 1, 2])
    # an hour of round 1 brings 110 / 6, of round 2 100 / 5
    assert chosen(choose_offers(table, NO_LIMIT, way, limits=EXACT)) == ["03", "01", "02"]
    table["value"] = [90.0, 40.0, 100.0]  # 130 / 6
    assert chosen(choose_offers(table, NO_LIMIT, way, limits=EXACT)) == ["01", "02", "03"]


def test_dangers_are_told_by_urgency_then_by_age_whatever_they_bring() -> None:
    table = offers([900, 1, 5, 3, 700], [1] * 5, must_call=[True] * 4 + [False])
    table["urgency"] = pd.array([3, 1, 3, 3, pd.NA], dtype="Int64")
    table["found_on"] = pd.to_datetime(["2026-05-01", "2026-05-20", "2026-04-01", None, None])
    assert chosen(choose_offers(table, NO_LIMIT, limits=EXACT)) == ["02", "04", "03", "01", "05"]
    table["must_call"] = [
        False,
        True,
        True,
        True,
        False,
    ]  # the first is called about something else: warned all the same
    assert chosen(choose_offers(table, NO_LIMIT, limits=EXACT)) == ["02", "04", "03", "01", "05"]


def test_safety_matters_take_capacity_first() -> None:
    table = offers([500, -20, 90], [4, 3, 1], must_call=[False, True, False])
    selection = choose_offers(table, month({"crew": 4}, {}), limits=EXACT)
    assert chosen(selection) == ["02", "03"]
    assert selection.capacities["short"].item() == 0
    assert selection.offers.set_index("offer_id").loc["01", "short_of"] == "hours_crew"


def test_safety_matters_that_do_not_fit_are_called_all_the_same_and_it_is_said_what_is_short() -> None:
    table = offers([500, -20, -10, 70], [1, 3, 4, 0], must_call=[False, True, True, False])
    selection = choose_offers(table, month({"crew": 5}, {}, slack_share=0.2), limits=EXACT)
    assert chosen(selection) == ["02", "03", "04"]  # what needs nothing of it can still be called about
    assert selection.capacities["short"].item() == pytest.approx(3)
    said = shortage_text(selection.capacities.to_dict("records"))
    assert "3 of crew hours" in said
    assert "All are on the list" in said


def test_every_offer_left_out_has_its_reason() -> None:
    table = offers(
        [100, 90, 5, 80, -3, 60],
        site_id=["a", "a", "b", "c", "e", "c"],
        must_call=[False, True, False, False, False, False],
        round=[1, 1, 2, 1, 1, 1],
    )
    way = pd.DataFrame({"round": [1, 2], "cost": [1.0, 9.0]})
    selection = choose_offers(table, NO_LIMIT, way, limits=EXACT)
    assert selection.offers.set_index("offer_id")["reason"].sort_index().to_dict() == {
        "01": "safety_first", "02": "", "03": "trip_costs_more", "04": "", "05": "call_costs_more", "06": "other_offer",
    }  # fmt: skip
    assert selection.value == pytest.approx(90 + 80 - 1)


def test_what_is_worth_nothing_makes_an_empty_list() -> None:
    selection = choose_offers(offers([-5, -1]), month({"crew": 5}, {}))
    assert chosen(selection) == []
    assert (selection.value, selection.gap, selection.status) == (0, 0, PlanStatus.PROVEN_BEST)
    assert set(selection.offers["reason"]) == {NotCalled.CALL_COSTS_MORE}


def test_a_search_cut_short_says_so_and_is_no_worse_than_the_greedy_list() -> None:
    rng = np.random.default_rng(5)
    hours = rng.uniform(2, 9, 400)
    table = offers(hours * rng.uniform(9, 11, 400), hours, materials=rng.uniform(10, 90, 400))
    table["site_id"] = rng.integers(0, 200, 400).astype(str)
    selection = choose_offers(table, month({"crew": 300}, {}, 3000), limits=Limits(seconds=1e-3, gap=0.0, hours_s=0))
    assert selection.status == PlanStatus.OUT_OF_TIME or selection.gap <= 1e-6
    assert selection.value >= selection.greedy_value
    assert selection.hour_method == HourMethod.NOT_ASKED


def test_the_solver_prints_nothing(capfd) -> None:
    choose_offers(offers([60, 100, 120], [10, 20, 30]), month({"crew": 50}, {}))
    print("still there", flush=True)
    assert capfd.readouterr().out == "still there\n"
