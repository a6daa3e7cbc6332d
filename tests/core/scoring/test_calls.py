"""Contact rules come before ranking: who may not be called is never a candidate, and the reason is kept."""

from __future__ import annotations

import pandas as pd
import pytest

from aftersun.scoring import words
from aftersun.scoring.calls import NOT_ALLOWED, NOT_SETTLED, NOTHING_WORTH_IT, call_list
from aftersun.scoring.spool import ranked

SITES = pd.Series({"a": "ca", "b": "cb", "c": "cc", "d": "cd", "e": "ce", "f": "cf"})
CUSTOMERS = pd.DataFrame(
    {
        "customer_id": ["ca", "cb", "cc", "cd", "ce", "cf"],
        "contact_allowed": pd.array([True, False, pd.NA, True, True, True], dtype="boolean"),
    }
)
RANKING = pd.DataFrame(
    [
        ("a", "mesh", 100.0, words.ADVISED),
        ("a", "coating", 300.0, words.SURVEY),
        ("b", "mesh", 9000.0, words.ADVISED),
        ("c", "mesh", 8000.0, words.ADVISED),
        ("d", "mesh", 700.0, words.ADVISED),
        ("e", "mesh", -5.0, words.NOT_WORTH_IT),
    ],
    columns=["site_id", "retrofit", "npv", "status"],
).assign(reason="because")
LEFT_OUT = pd.DataFrame({"site_id": ["f"], "reason": ["no tariff"]})


@pytest.fixture
def calls() -> pd.DataFrame:
    return call_list(ranked(RANKING), SITES, CUSTOMERS, LEFT_OUT).set_index("site_id")


def test_only_permitted_customers_are_called_by_worth(calls):
    called = calls[calls["position"].notna()]
    assert list(called.index) == ["d", "a"]
    assert list(called["position"]) == [1, 2]
    assert called.loc["a", "retrofit"] == "coating"


def test_everybody_else_is_kept_with_a_reason(calls):
    assert calls.loc["b", "excluded_reason"] == NOT_ALLOWED
    assert calls.loc["c", "excluded_reason"] == NOT_SETTLED
    assert calls.loc["e", "excluded_reason"] == NOTHING_WORTH_IT
    assert calls.loc["f", "excluded_reason"] == "no tariff"
    assert len(calls) == len(SITES)


def test_rank_within_a_site_follows_worth_and_skips_what_was_not_evaluated():
    unknown = pd.DataFrame([("a", "tilt", None, words.DOES_NOT_FIT, "x")], columns=[*RANKING.columns])
    table = ranked(pd.concat([RANKING, unknown.astype({"npv": float})])).set_index(["site_id", "retrofit"])
    assert table.loc[("a", "coating"), "rank"] == 1
    assert table.loc[("a", "mesh"), "rank"] == 2
    assert pd.isna(table.loc[("a", "tilt"), "rank"])


def test_no_left_out_sites():
    calls = call_list(ranked(RANKING), SITES, CUSTOMERS, LEFT_OUT.iloc[:0]).set_index("site_id")
    assert calls.loc["f", "excluded_reason"] == NOTHING_WORTH_IT
