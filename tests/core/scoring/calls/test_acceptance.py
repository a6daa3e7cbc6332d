"""Chances from the call log: the posterior of a beta prior, and what counts as an answer."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy import log as log_of
from scipy.special import logit
from scipy.stats import beta

from aftersun.inventory.log.call_log import OUTCOMES
from aftersun.money.company import Calls
from aftersun.scoring.calls.acceptance import (
    CONTACT_PRIOR,
    YES_PRIOR,
    Beta,
    chance_of_contact,
    chance_of_offers,
    chance_of_yes,
)


def log(*rows: tuple[str, str, str, str]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["site_id", "called_on", "outcome", "retrofit"], dtype="string")
    return frame.assign(called_on=pd.to_datetime(frame["called_on"]))


def calls(outcomes: list[str], retrofit: str = "bird_mesh") -> pd.DataFrame:
    return log(*((f"S{n}", "2026-06-01", outcome, retrofit) for n, outcome in enumerate(outcomes)))


def test_ten_answered_calls_with_two_yes():
    """Check value: Beta(3, 17), 10 calls, 2 yes: (3 + 2) / (20 + 10) = 0.1667 (conjugate beta-binomial)."""
    found = chance_of_yes(calls(["yes"] * 2 + ["no"] * 7 + ["later"] + ["unreached"] * 5)).loc["bird_mesh"]
    assert (found["yes"], found["answered"]) == (2, 10)
    assert found["chance"] == pytest.approx(0.1667, abs=1e-4)


def test_without_any_call_the_prior_stands():
    found = chance_of_yes(calls(["unreached"]), prior=Beta(1, 1)).loc["bird_mesh"]
    # Beta(1, 1) is uniform: its central 80 % lies between 0.1 and 0.9
    assert found[["chance", "low", "high"]].tolist() == pytest.approx([0.5, 0.1, 0.9])
    assert chance_of_yes(calls(["unreached"])).loc["bird_mesh", "chance"] == pytest.approx(0.15)  # 3 / 20
    assert chance_of_yes(calls([])).empty


def test_interval_after_one_yes_from_nothing_known():
    """Beta(2, 1) has the distribution function x^2: its quantiles are square roots."""
    found = chance_of_yes(calls(["yes"]), prior=Beta(1, 1)).loc["bird_mesh"]
    assert (found["low"], found["high"]) == pytest.approx((0.1**0.5, 0.9**0.5))


def test_work_done_after_a_yes_is_one_yes_and_without_one_counts_as_one():
    both = log(
        ("S1", "2026-06-01", "yes", "a"),
        ("S1", "2026-06-20", "done", "a"),
        ("S2", "2026-06-20", "done", "a"),
        ("S2", "2026-06-21", "done", "a"),
    )
    found = chance_of_yes(both).loc["a"]
    assert (found["yes"], found["answered"]) == (2, 2)


def test_calls_about_nothing_in_particular_count_for_no_retrofit():
    assert chance_of_yes(calls(["no", "objection"], retrofit="")).empty


def test_each_retrofit_has_its_own_chance():
    found = chance_of_yes(pd.concat([calls(["yes"] * 5, "a"), calls(["no"] * 5, "b")]))
    assert found["chance"].to_dict() == pytest.approx({"a": 8 / 25, "b": 3 / 25})


def test_chance_of_contact_counts_one_talk_once_and_every_unanswered_call():
    entries = log(
        ("S1", "2026-06-01", "unreached", ""),
        ("S1", "2026-06-01", "unreached", ""),
        ("S1", "2026-06-02", "no", "a"),
        ("S1", "2026-06-02", "yes", "b"),
        ("S1", "2026-06-09", "done", "b"),
    )
    belief, answered, attempts = chance_of_contact(entries)
    assert (answered, attempts) == (1, 3)
    # Beta(2, 2) after 1 of 3: 3 / 7
    assert belief.mean == pytest.approx(3 / 7)


@given(st.lists(st.sampled_from(OUTCOMES)))
@pytest.mark.slow
def test_law_the_chance_lies_in_its_interval_and_a_yes_raises_it_and_a_no_lowers_it(outcomes):
    outcomes = ["unreached", *outcomes]
    found = chance_of_yes(calls(outcomes)).loc["bird_mesh"]
    assert 0 < found["low"] < found["chance"] < found["high"] < 1
    more = {
        end: chance_of_yes(calls([*outcomes, end])).loc["bird_mesh", "chance"] for end in ("yes", "no", "unreached")
    }
    assert more["no"] < found["chance"] < more["yes"]
    assert more["unreached"] == found["chance"]
    assert chance_of_contact(calls(outcomes))[0].mean < chance_of_contact(calls([*outcomes, "no"]))[0].mean


@given(st.floats(0.5, 50), st.floats(0.5, 50))
def test_interval_is_that_of_scipys_beta_distribution(a, b):
    assert Beta(a, b).interval() == pytest.approx(beta(a, b).interval(0.8), abs=1e-9)


def test_priors_are_the_common_ones():
    """No acceptance rate of such calls is published; mean 0.15 is common practice, contact is an assumption."""
    assert (YES_PRIOR.mean, CONTACT_PRIOR.mean) == pytest.approx((0.15, 0.5))


CALLS = Calls.model_validate({})  # the usual settings
LEVEL = CALLS.yes_prior / (CALLS.yes_prior + CALLS.no_prior)


def offered(*rows: tuple[str, str, float, float, float], must_call: bool = False) -> pd.DataFrame:
    """Return offers: site, offer, price, saving of the first year, net present value."""
    names = ["site_id", "offer", "upfront", "first_year_saving", "npv"]
    return pd.DataFrame(rows, columns=names).assign(must_call=must_call)


def members(*offers: str) -> pd.DataFrame:
    pairs = [(offer, part) for offer in offers for part in offer.split("+")]
    return pd.DataFrame(pairs, columns=["offer", "retrofit"])


def test_the_chance_falls_with_the_payback_and_rises_with_the_gain_whatever_the_kind_of_retrofit() -> None:
    usual = CALLS.usual_payback_years
    table = offered(
        ("a", "mesh", 100 * usual, 100, 0),  # as usual, and worth what it costs: the prior stands
        ("b", "mesh", 200 * usual, 100, 0),
        ("c", "mesh", 100 * usual, 100, 100 * usual),
    )
    same, slow, gaining = chance_of_offers(table, members("mesh"), calls([]), CALLS)
    assert same == pytest.approx(LEVEL)
    assert slow / (1 - slow) == pytest.approx(LEVEL / (1 - LEVEL) / 2)  # half the odds at twice the payback
    assert gaining / (1 - gaining) == pytest.approx(LEVEL / (1 - LEVEL) * 2**CALLS.gain_power)


def test_no_offer_however_good_or_bad_is_taken_for_certain() -> None:
    table = offered(("a", "mesh", 1, 1e6, 1e9), ("b", "mesh", 0, 5, 5), ("c", "mesh", 1e6, 0, -1e6))
    best, free, worst = chance_of_offers(table, members("mesh"), calls([]), CALLS)
    assert best == pytest.approx(free)
    assert 0.02 < worst < LEVEL < best < 0.5
    # nor by a log in which everybody agreed so far
    kept = chance_of_offers(table, members("mesh"), calls(["yes"] * 4, "mesh"), CALLS)
    assert 0.02 < kept[2] < kept[0] < 0.7


def test_what_ends_a_danger_is_not_weighed_by_its_payback() -> None:
    table = offered(("a", "plugs", 9000, 1, -9000), must_call=True)
    assert chance_of_offers(table, members("plugs"), calls([]), CALLS) == pytest.approx(LEVEL)


def test_a_few_answers_hardly_move_how_people_respond_and_many_do() -> None:
    """Of quick and slow offers alike a third agreed: the payback plays no part with these people."""
    offers = offered(*((f"S{n}", "mesh", 1000, 500 if n % 2 else 50, 0) for n in range(600)))

    def apart(asked: int) -> float:
        answers = [("yes" if n % 6 < 2 else "no") for n in range(asked)]
        slow, quick = chance_of_offers(offers, members("mesh"), calls(answers, "mesh"), CALLS)[:2]
        return float(logit(quick) - logit(slow))

    none, few, many = apart(0), apart(12), apart(600)
    assert none == pytest.approx(log_of(20) - log_of(2))
    assert 0.6 * none < few < none
    assert 0 < many < 0.35 * none


def test_a_log_of_poor_offers_does_not_make_the_retrofit_look_worse_twice() -> None:
    """200 answers at a payback of 20 years, a tenth agreed: an offer like these has a tenth, not less."""
    offers = offered(*((f"S{n}", "mesh", 1000, 50, 0) for n in range(200)))
    answers = calls([("yes" if n % 10 == 0 else "no") for n in range(200)], "mesh")
    assert chance_of_offers(offers, members("mesh"), answers, CALLS)[0] == pytest.approx(0.1, abs=0.012)


def test_an_offer_of_several_is_taken_as_a_whole_so_the_least_of_its_members_counts() -> None:
    names = ("mesh", "mesh+coating", "mesh+new")
    usual = [("a", name, CALLS.usual_payback_years, 1.0, 0.0) for name in names]
    answers = pd.concat([calls(["yes"] * 3 + ["no"] * 2, "mesh"), calls(["no"] * 8, "coating")])
    found = dict(zip(names, chance_of_offers(offered(*usual), members(*names), answers, CALLS), strict=True))
    assert found == pytest.approx({"mesh": 6 / 25, "mesh+coating": 3 / 28, "mesh+new": LEVEL})
