"""Contact rules come before ranking: who may not be called is never a candidate, and the reason is kept."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from aftersun.model.codes import CallKind, ContactRule, NotCalled, Status
from aftersun.money.company import Company
from aftersun.scoring.calls.contact_rules import contact_rule, exclusions, without_forbidden
from aftersun.scoring.calls.month import plan_month
from aftersun.scoring.offers.ranking_rule import ranked
from aftersun.wording import not_called_text

AS_OF = date(2026, 6, 15)
SITES = pd.Series({"a": "ca", "b": "cb", "c": "cc", "d": "cd", "e": "ce", "f": "cf"})
CUSTOMERS = pd.DataFrame(
    {
        "customer_id": ["ca", "cb", "cc", "cd", "ce", "cf"],
        "contact_allowed": pd.array([True, False, pd.NA, True, True, True], dtype="boolean"),
        "has_contact_basis": True,
        "on_register": pd.array([pd.NA] * 6, dtype="boolean"),
        "register_agreement_on": pd.NaT,
        "last_contact_on": pd.NaT,
    }
)
RANKING = pd.DataFrame(
    [
        ("a", "mesh", 100.0, Status.RECOMMENDED),
        ("a", "coating", 300.0, Status.SUBJECT_TO_SURVEY),
        ("b", "mesh", 9000.0, Status.RECOMMENDED),
        ("c", "mesh", 8000.0, Status.RECOMMENDED),
        ("d", "mesh", 700.0, Status.RECOMMENDED),
        ("e", "mesh", -5.0, Status.NOT_COST_EFFECTIVE),
    ],
    columns=["site_id", "retrofit", "npv", "status"],
).assign(for_safety=False)
LEFT_OUT = pd.DataFrame({"reason": [NotCalled.NO_TARIFF]}, index=pd.Index(["f"], name="site_id"))


@pytest.fixture
def excluded() -> pd.Series:
    return exclusions(SITES, contact_rule(CUSTOMERS, logged(), AS_OF, 90), LEFT_OUT)


def test_contact_rules_and_missing_values_leave_out_with_their_reason(excluded: pd.Series) -> None:
    assert excluded.to_dict() == {
        "a": "",
        "b": ContactRule.NOT_ALLOWED,
        "c": ContactRule.NOT_SETTLED,
        "d": "",
        "e": "",
        "f": "no_tariff",
    }


def test_a_site_without_a_customer_that_is_known_is_not_called() -> None:
    found = exclusions(
        pd.Series({"x": None, "y": "nobody", "a": "ca"}),
        contact_rule(CUSTOMERS, logged(), AS_OF, 90),
        LEFT_OUT.iloc[:0],
    )
    assert found.to_dict() == {"x": ContactRule.NOT_SETTLED, "y": ContactRule.NOT_SETTLED, "a": ""}


NO_DANGER = pd.DataFrame({"urgency": [], "found_on": []}, index=pd.Index([], dtype="str", name="site_id"))
NOT_FAR = pd.Index([], dtype="str")


def test_only_permitted_customers_are_called_and_the_rest_keep_a_reason(excluded: pd.Series, company: Company) -> None:
    offers = pd.DataFrame(
        [("a", "mesh", 90.0, 5.0), ("a", "coating", 300.0, 80.0), ("b", "mesh", 9e3, 9e3), ("d", "mesh", 70.0, 400.0)],
        columns=["site_id", "offer", "npv", "contribution"],
    ).assign(
        upfront=100.0,
        first_year_saving=10.0,
        materials_cost=10.0,
        equipment=[[]] * 4,
        must_call=False,
        trip_cost=40.0,
        chance_allowed=1.0,
    )
    hours = pd.DataFrame({"site_id": ["a", "d"], "offer": ["coating", "mesh"], "skill": "roofer", "hours": 2.0})
    places = pd.DataFrame({"latitude": 36.12, "longitude": -79.98}, index=SITES.index)
    hours["drivers"] = 1.0
    plan = plan_month(offers.assign(chance_of_yes=1.0), hours, places, SITES, excluded, company, NO_DANGER, NOT_FAR)
    calls = plan["call"].set_index("site_id")
    called = calls[calls["position"].notna()]
    assert list(called.index) == ["d", "a"]  # by what an hour brings the company, not by what the owner gains
    assert called["retrofit"].to_dict() == {"d": "mesh", "a": "coating"}
    assert calls.loc["b", "excluded_reason"] == ContactRule.NOT_ALLOWED
    assert calls.loc["e", "excluded_reason"] == NotCalled.NO_OFFER
    assert len(calls) == len(SITES)


def test_a_danger_is_called_first_whatever_it_is_worth(excluded: pd.Series, company: Company) -> None:
    offers = pd.DataFrame(
        [("a", "plugs", -900.0, 5.0, True), ("d", "mesh", 70.0, 400.0, False)],
        columns=["site_id", "offer", "npv", "contribution", "must_call"],
    ).assign(
        upfront=950.0,
        first_year_saving=3.0,
        materials_cost=10.0,
        equipment=[[], []],
        trip_cost=40.0,
        chance_allowed=1.0,
    )
    hours = pd.DataFrame({"site_id": [], "offer": [], "skill": [], "hours": [], "drivers": []})
    places = pd.DataFrame({"latitude": 36.12, "longitude": -79.98}, index=SITES.index)
    offers = offers.assign(chance_of_yes=0.15)
    plan = plan_month(offers, hours, places, SITES, excluded, company, NO_DANGER, NOT_FAR)
    first = plan["call"].iloc[0]
    assert (first["site_id"], bool(first["must_call"])) == ("a", True)


def test_nobody_to_call_is_a_list_all_the_same(company: Company) -> None:
    nobody = pd.Series(ContactRule.NOT_ALLOWED, index=SITES.index)
    none = pd.DataFrame({"site_id": ["a"], "offer": ["mesh"]})
    places = pd.DataFrame({"latitude": [], "longitude": []})
    plan = plan_month(none, none, places, SITES, nobody, company, NO_DANGER, NOT_FAR)
    assert plan["call"]["position"].isna().all()
    assert set(plan["call"]["excluded_reason"]) == {ContactRule.NOT_ALLOWED}


def test_a_danger_is_told_where_nobody_may_call_and_what_is_small_for_the_company_is_listed(
    excluded: pd.Series, company: Company
) -> None:
    """b may not be called, e has nothing that could be sold, d is worth 700 to the owner and little to the company."""
    offers = pd.DataFrame(
        [("a", "plugs", -900.0, 5.0, True), ("b", "plugs", 90.0, 50.0, True), ("d", "mesh", 700.0, 0.5, False)],
        columns=["site_id", "offer", "npv", "contribution", "must_call"],
    ).assign(
        upfront=950.0,
        materials_cost=10.0,
        equipment=[[], [], []],
        trip_cost=40.0,
        chance_allowed=1.0,
        chance_of_yes=0.15,
    )
    hours = pd.DataFrame({"site_id": ["a"], "offer": ["plugs"], "skill": "helper", "hours": 1.0, "drivers": 2.0})
    places = pd.DataFrame({"latitude": company.travel.base_latitude, "longitude": -79.98}, index=SITES.index)
    danger = pd.DataFrame({"urgency": [1, 2, 3], "found_on": pd.NaT}, index=pd.Index(["b", "a", "e"], name="site_id"))
    calls = plan_month(offers, hours, places, SITES, excluded, company, danger, NOT_FAR)["call"].set_index("site_id")
    assert calls["kind"].to_dict() == {
        "a": CallKind.WARN, "b": CallKind.NOTICE, "c": "", "d": CallKind.IN_PASSING, "e": CallKind.NOTICE, "f": "",
    }  # fmt: skip
    assert calls.loc["d", ["npv", "contribution"]].tolist() == [700.0, 0.5]
    assert calls.loc["d", "excluded_reason"] == NotCalled.CALL_COSTS_MORE
    # whoever objects since is still told of the danger, and of nothing else
    rules = pd.Series({"ca": ContactRule.OBJECTED, "cd": ContactRule.OBJECTED})
    since = without_forbidden(calls.reset_index(), rules.reindex(SITES.to_numpy(), fill_value=""), 90)
    kinds = since.set_index("site_id")["kind"]
    assert (kinds["a"], kinds["d"], kinds["b"]) == (CallKind.NOTICE, "", CallKind.NOTICE)


def test_a_system_that_stands_still_is_called_after_the_dangers_and_before_all_that_is_sold(
    excluded: pd.Series, company: Company
) -> None:
    """a has a danger, d an offer, b stands still and may not be called, e and d stand still: e loses more a month."""
    offers = pd.DataFrame(
        [("a", "plugs", -900.0, 5.0, True), ("d", "mesh", 700.0, 400.0, False), ("e", "mesh", 700.0, 900.0, False)],
        columns=["site_id", "offer", "npv", "contribution", "must_call"],
    ).assign(upfront=950.0, materials_cost=10.0, equipment=[[]] * 3, trip_cost=4.0, chance_allowed=1.0)
    hours = pd.DataFrame({"site_id": ["a"], "offer": ["plugs"], "skill": "helper", "hours": 1.0, "drivers": 2.0})
    places = pd.DataFrame({"latitude": company.travel.base_latitude, "longitude": -79.98}, index=SITES.index)
    danger = pd.DataFrame({"urgency": [2], "found_on": pd.NaT}, index=pd.Index(["a"], name="site_id"))
    given = offers.assign(chance_of_yes=0.5), hours, places, SITES, excluded, company, danger, NOT_FAR
    calls = plan_month(*given, pd.Index(["e", "b", "d"]))["call"].set_index("site_id")
    assert calls["position"].dropna().to_dict() == {"a": 1, "e": 2, "d": 3}
    kinds = {"a": CallKind.WARN, "e": CallKind.SERVICE, "d": CallKind.SERVICE, "b": CallKind.NOTICE}
    assert calls.loc[list(kinds), "kind"].to_dict() == kinds
    # a repair, nothing sold: no alerts to one who needs a repair
    assert calls.loc[["d", "e"], "retrofit"].isna().all()
    assert (calls.loc[["d", "e"], "excluded_reason"] == "").all()
    assert calls.loc["b", "excluded_reason"] == ContactRule.NOT_ALLOWED
    # the same where nothing at all is on offer, and before whoever is sold to
    alone = plan_month(offers.iloc[:0], *given[1:6], NO_DANGER, NOT_FAR, pd.Index(["d"]))["call"].set_index("site_id")
    assert alone["position"].dropna().to_dict() == {"d": 1}
    beside = plan_month(*given[:6], NO_DANGER, NOT_FAR, pd.Index(["d"]))["call"].set_index("site_id")
    assert beside["position"].dropna().to_dict() == {"a": 1, "d": 2, "e": 3}  # a ends a danger
    # whoever objects since is told by notice
    rules = pd.Series({"cd": ContactRule.OBJECTED}).reindex(SITES.to_numpy(), fill_value="")
    since = without_forbidden(calls.reset_index(), rules, 90).set_index("site_id")
    assert since["kind"]["d"] == CallKind.NOTICE
    assert pd.isna(since["position"]["d"])


def test_a_site_that_only_the_drive_limit_rules_out_says_how_far_it_is(excluded: pd.Series, company: Company) -> None:
    offers = pd.DataFrame({"site_id": ["d"], "offer": ["mesh"], "npv": [70.0], "contribution": [400.0]}).assign(
        upfront=100.0,
        materials_cost=10.0,
        equipment=[[]],
        trip_cost=40.0,
        chance_allowed=1.0,
        must_call=False,
        chance_of_yes=0.15,
    )
    hours = pd.DataFrame({"site_id": ["d"], "offer": ["mesh"], "skill": "helper", "hours": 1.0, "drivers": 2.0})
    base = company.travel.base_latitude
    places = pd.DataFrame({"latitude": base, "longitude": company.travel.base_longitude}, index=SITES.index)
    places.loc["a", "latitude"] = base + 1.0  # 111.195 km in a straight line
    far = pd.Index(["a", "b"])
    for table in (offers, offers.iloc[:0]):
        calls = plan_month(table, hours, places, SITES, excluded, company, NO_DANGER, far)["call"].set_index("site_id")
        km = f"{111.195 * company.travel.road_factor:.0f}"
        assert calls.loc["a", ["excluded_reason", "excluded_detail"]].tolist() == [NotCalled.TOO_FAR, km]
        assert calls.loc["b", "excluded_reason"] == ContactRule.NOT_ALLOWED
        assert calls.loc["e", "excluded_reason"] == NotCalled.NO_OFFER
    assert not_called_text(NotCalled.TOO_FAR, km) == f"too far ({km} km)"


def test_rank_within_a_site_follows_worth_and_skips_what_was_not_evaluated():
    unknown = pd.DataFrame([("a", "tilt", None, Status.NOT_APPLICABLE, False)], columns=[*RANKING.columns])
    table = ranked(pd.concat([RANKING, unknown.astype({"npv": float})])).set_index(["site_id", "retrofit"])
    assert table.loc[("a", "coating"), "rank"] == 1
    assert table.loc[("a", "mesh"), "rank"] == 2
    assert pd.isna(table.loc[("a", "tilt"), "rank"])


def test_no_left_out_sites() -> None:
    assert exclusions(SITES, contact_rule(CUSTOMERS, logged(), AS_OF, 90), LEFT_OUT.iloc[:0])["f"] == ""


def customer(**facts: object) -> pd.DataFrame:
    """One customer who may be called but for what is given."""
    known = {
        "contact_allowed": True,
        "has_contact_basis": True,
        "on_register": pd.NA,
        "register_agreement_on": pd.NaT,
        "last_contact_on": pd.NaT,
        **facts,
    }
    return pd.DataFrame({"customer_id": ["c"], **{name: [value] for name, value in known.items()}}).astype(
        {
            "contact_allowed": "boolean",
            "on_register": "boolean",
            "register_agreement_on": "datetime64[us]",
            "last_contact_on": "datetime64[us]",
        }
    )


def logged(*rows: tuple[str, str] | tuple[str, str, str]) -> pd.DataFrame:
    frame = pd.DataFrame(
        [("c", *row, None)[:4] for row in rows], columns=["customer_id", "called_on", "outcome", "leave_until"]
    )
    return frame.astype({"called_on": "datetime64[us]", "leave_until": "datetime64[us]"})


def why(customers: pd.DataFrame, *rows: tuple[str, str] | tuple[str, str, str], as_of: date = AS_OF) -> str:
    return str(contact_rule(customers, logged(*rows), as_of, quiet_days=90)["c"])


def test_nothing_stands_against_a_customer_with_a_basis():
    assert why(customer()) == ""
    assert why(customer(on_register=False)) == ""


def test_an_objection_is_absolute_whatever_the_table_says_later():
    assert why(customer(), ("2020-01-01", "objection"), ("2026-01-01", "yes")) == ContactRule.OBJECTED
    assert why(customer(contact_allowed=False), ("2020-01-01", "objection")) == ContactRule.OBJECTED


def test_no_on_two_days_bars_whatever_the_table_says_later():
    twice = (("2024-03-01", "no"), ("2024-05-02", "no"))  # both long past the quiet period
    assert why(customer(), *twice) == ContactRule.REFUSED
    assert why(customer(contact_allowed=pd.NA), *twice) == ContactRule.REFUSED
    assert why(customer(contact_allowed=False), *twice) == ContactRule.NOT_ALLOWED
    # no to two offers of one talk is one refusal
    assert why(customer(), ("2024-03-01", "no"), ("2024-03-01", "no"), ("2024-05-02", "yes")) == ""


def test_a_register_entry_holds_for_customers_too_unless_there_is_a_specific_agreement():
    """ICO guidance on live calls: being an existing customer does not override registration, only agreement does."""
    assert why(customer(on_register=True)) == ContactRule.ON_REGISTER
    assert why(customer(on_register=True, register_agreement_on="2026-01-01")) == ""
    assert why(customer(on_register=True, register_agreement_on="2026-06-16")) == ContactRule.ON_REGISTER


def test_permission_without_a_recorded_basis_does_not_do():
    assert why(customer(has_contact_basis=False)) == ContactRule.NO_BASIS
    assert why(customer(has_contact_basis=False, contact_allowed=pd.NA)) == ContactRule.NOT_SETTLED


@pytest.mark.parametrize(("day", "quiet"), [("2026-03-17", False), ("2026-03-18", True), ("2026-07-01", True)])
def test_quiet_period_since_the_last_contact_by_table_or_log(day, quiet):
    """90 days before 15 June 2026 is 17 March."""
    expected = ContactRule.QUIET_PERIOD if quiet else ""
    assert why(customer(last_contact_on=day)) == expected
    assert why(customer(), (day, "no")) == expected
    assert why(customer(last_contact_on="2020-01-01"), (day, "no")) == expected
    assert why(customer(last_contact_on=day), ("2020-01-01", "no")) == expected


def test_an_unanswered_call_is_no_contact():
    assert why(customer(), ("2026-06-14", "unreached")) == ""


def test_later_means_not_before_that_day_and_from_it_on_whatever_the_quiet_period():
    assert why(customer(), ("2026-06-01", "later", "2026-06-16")) == ContactRule.ASKED_TO_WAIT
    assert why(customer(), ("2026-06-01", "later", "2026-06-15")) == ""
    # spoken to again since: the quiet period runs from there
    assert why(customer(), ("2026-06-01", "later", "2026-06-10"), ("2026-06-11", "no")) == ContactRule.QUIET_PERIOD
    assert (
        why(customer(last_contact_on="2026-06-11"), ("2026-06-01", "later", "2026-06-10")) == ContactRule.QUIET_PERIOD
    )
    # a promise holds although the customer was spoken to in between
    assert why(customer(), ("2026-01-01", "later", "2026-09-01"), ("2026-01-20", "no")) == ContactRule.ASKED_TO_WAIT


def test_the_log_reaches_the_call_list():
    everybody = logged(*[("2026-06-10", "no")] * len(SITES)).assign(customer_id=SITES.to_numpy())
    left = exclusions(SITES, contact_rule(CUSTOMERS, everybody, AS_OF, 30), LEFT_OUT)
    assert (left != "").all()
    assert left["a"] == ContactRule.QUIET_PERIOD


@given(
    st.lists(
        st.tuples(
            st.dates(date(2025, 1, 1), AS_OF).map(str),
            st.sampled_from(["unreached", "no", "yes", "done", "objection"]),
        ),
        max_size=5,
    ),
    st.integers(0, 400),
)
def test_law_a_longer_quiet_period_never_frees_anybody_and_an_objection_always_bars(rows, days):
    short = contact_rule(customer(), logged(*rows), AS_OF, days)["c"]
    long = contact_rule(customer(), logged(*rows), AS_OF, days + 1)["c"]
    assert not short or long
    assert (short == ContactRule.OBJECTED) == any(outcome == "objection" for _, outcome in rows)
