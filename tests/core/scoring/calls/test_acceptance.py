"""Chances from the call log: the posterior of a beta prior, and what counts as an answer."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta

from aftersun.inventory.log.call_log import OUTCOMES
from aftersun.scoring.calls.acceptance import (
    CONTACT_PRIOR,
    YES_PRIOR,
    Beta,
    chance_by_offer,
    chance_of_contact,
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


def test_an_offer_of_several_is_taken_as_a_whole_so_the_least_of_its_members_counts():
    members = pd.DataFrame(
        [
            ("mesh", "mesh"),
            ("mesh+coating", "mesh"),
            ("mesh+coating", "coating"),
            ("mesh+new", "mesh"),
            ("mesh+new", "new"),
        ],
        columns=["offer", "retrofit"],
    )
    found = chance_by_offer(members, pd.Series({"mesh": 0.3, "coating": 0.1}), usual=0.15)
    assert found == {"mesh": 0.3, "mesh+coating": 0.1, "mesh+new": 0.15}
