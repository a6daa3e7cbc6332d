"""When today's export rule ends, what holds then, and what a kWh is worth before and after: by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from tests_support import make_cohort, make_weather

from aftersun.model.energy import Energy
from aftersun.money import measures
from aftersun.money.cash_flow import owner_cash_flow
from aftersun.money.export_rules import RuleEnds, in_force, rule_ends, with_national_ends
from aftersun.money.tariffs import Bill, yearly_bill

TODAY = date(2026, 6, 1)  # the day that cohorts of tests are counted to
FLAT = {"import_price": 0.30, "export_price": 0.05}
PLANE = {"site": 0, "tilt_deg": 30.0, "azimuth_deg": 180.0, "dc_rating_kw": 4.0, "mounting": "flush roof"}
WEATHER = make_weather()
RULES = ("net billing", "net metering", "gross feed-in", "deemed export", "no export")


def sites(*homes: dict[str, Any]) -> pd.DataFrame:
    return make_cohort(WEATHER, [{**FLAT, **home} for home in homes], [PLANE]).sites


def ends(**home: Any) -> tuple[float, float, bool]:
    found = rule_ends(make_cohort(WEATHER, [{**FLAT, **home}], [PLANE]))
    return float(found.rule_years[0]), float(found.support_years[0]), bool(found.assumed[0])


def energy(imported: float, exported: float, used: float = 1000.0) -> Energy:
    """A year in kWh, all of it in the first hour of one day."""

    def year(kwh: float) -> np.ndarray:
        hourly = np.zeros((1, 24))
        hourly[0, 0] = kwh
        return hourly

    nothing = year(0.0)
    flows = {"generated": used + exported, "used": used, "exported": exported, "imported": imported}
    names = Energy.__dataclass_fields__
    return Energy(**{name: year(flows[name]) if name in flows else nothing for name in names})


def bill(year: Energy, **home: Any) -> Bill:
    times = pd.date_range("2001-01-01 00:30", periods=24, freq="h")
    return yearly_bill(year, sites(home), times)


def by_law(
    overrides: dict[str, float] | None = None, country: str | None = None, **home: Any
) -> tuple[float, float, bool]:
    cohort = make_cohort(WEATHER, [{**FLAT, **home}], [PLANE])
    sites = cohort.sites.assign(country=pd.array([country], dtype="string"))
    cohort = replace(cohort, sites=with_national_ends(sites, overrides or {}), overrides=overrides or {})
    found = rule_ends(cohort)
    return float(found.rule_years[0]), float(found.support_years[0]), bool(found.assumed[0])


# By hand from the laws that ``national_rule_ends.csv`` names, counted from 1 June 2026.
@pytest.mark.parametrize(
    ("home", "rule_ends_on", "support_ends_on"),
    [
        ({"country": "NL", "export_rule": "net metering", "commissioned_on": "2019-05-01"}, "2026-12-31", None),
        ({"country": "DE", "export_rule": "gross feed-in", "commissioned_on": "2010-05-20"}, "2030-12-31", None),
        ({"country": "PL", "export_rule": "net metering", "commissioned_on": "2020-09-01"}, "2035-09-01", None),
        (
            {"country": "GB", "export_rule": "deemed export", "commissioned_on": "2012-07-31", "generation_price": 0.2},
            "2037-07-31",
            "2037-07-31",
        ),
        (
            {"country": "GB", "export_rule": "deemed export", "commissioned_on": "2012-08-01", "generation_price": 0.2},
            "2032-08-01",
            "2032-08-01",
        ),
    ],
)
def test_where_nobody_told_the_law_of_the_country_holds_and_is_still_asked(
    home: dict[str, Any], rule_ends_on: str, support_ends_on: str | None
) -> None:
    def years(day: str | None) -> float:
        return np.inf if day is None else (date.fromisoformat(day) - TODAY).days / 365.25

    assert by_law(**home) == (pytest.approx(years(rule_ends_on)), pytest.approx(years(support_ends_on)), True)
    told = by_law(**home, export_rule_until="2029-06-01", generation_price_until="2028-06-01")
    assert told[0] == pytest.approx(years("2029-06-01"))
    assert not told[2]


def test_the_company_s_own_assumption_goes_before_the_law_and_another_country_has_none() -> None:
    home = {"export_rule": "net metering", "commissioned_on": "2019-05-01"}
    assert by_law({"net_metering_years": 5.0}, country="NL", **home)[0] == 5.0
    assert by_law(country="ES", **home)[0] == 8.0  # net_metering_years of system.csv
    assert by_law(country=None, **home)[0] == 8.0
    assert by_law(country="PL", export_rule="net metering", commissioned_on="2023-01-01")[0] == 8.0


def test_a_known_day_counts_from_the_day_of_the_run() -> None:
    known = ends(export_rule="net metering", export_rule_until="2031-06-01")
    assert known == (pytest.approx(1826 / 365.25), np.inf, False)
    assert ends(export_rule="net billing", export_rule_until="2031-06-01")[0] == known[0]
    assert ends(export_rule="net metering", export_rule_until="2020-01-01")[0] == 0.0


def test_without_a_day_the_end_is_assumed_where_rules_end() -> None:
    assert ends(export_rule="net metering") == (8.0, np.inf, True)
    feed_in = ends(export_rule="gross feed-in", commissioned_on="2014-06-01")
    assert feed_in == (pytest.approx(20 - 12, abs=0.01), np.inf, True)
    assert ends(export_rule="deemed export", commissioned_on="2000-06-01")[0] == 1.0  # paid today: a year at least
    paid = ends(export_rule="net billing", generation_price=0.2, commissioned_on="2014-06-01")
    assert paid == (np.inf, pytest.approx(8.0, abs=0.01), True)
    assert ends(export_rule="net billing", generation_price=0.2, generation_price_until="2027-06-01") == (
        np.inf,
        pytest.approx(365 / 365.25),
        False,
    )
    for rule in ("net billing", "no export", None):
        assert ends(export_rule=rule) == (np.inf, np.inf, False)


@pytest.mark.parametrize(
    ("home", "cost", "income"),
    [
        # 3000 kWh bought at 0.30, 2000 exported: once net metering is over they earn 0.05 each
        ({"export_rule": "net metering"}, 900.0, 100.0),
        ({"export_rule": "net metering", "export_rule_after": "no export"}, 900.0, 0.0),
        ({"export_rule": "net metering", "export_price_after": 0.02}, 900.0, 40.0),
        # what the plant supplies on the spot is no longer bought; the price of the feed-in has ended with it
        ({"export_rule": "gross feed-in"}, 900.0, 0.0),
        ({"export_rule": "gross feed-in", "export_price_after": 0.04}, 900.0, 80.0),
        ({"export_rule": "deemed export"}, 900.0, 100.0),
        # without an end nothing follows, whatever would
        ({"export_rule": "net billing", "export_rule_after": "no export", "export_price_after": 0.0}, 900.0, 100.0),
        ({"export_rule": "net billing", "export_rule_after": "no export", "export_rule_until": TODAY}, 900.0, 0.0),
        ({"export_rule": "no export"}, 900.0, 0.0),
    ],
)
def test_the_year_after_the_end_by_hand(home: dict[str, Any], cost: float, income: float) -> None:
    found = bill(energy(3000.0, 2000.0), **home)
    assert_allclose((found.import_cost_after[0], found.export_income_after[0]), (cost, income))


def test_a_price_that_ends_with_its_rule_is_said_to_be_unknown() -> None:
    year = energy(3000.0, 2000.0)
    assert bill(year, export_rule="gross feed-in").export_price_after_unknown[0]
    assert not bill(year, export_rule="gross feed-in", export_price_after=0.04).export_price_after_unknown[0]
    assert not bill(year, export_rule="net metering").export_price_after_unknown[0]
    assert bill(year, export_rule="net metering", export_price=None).export_price_after_unknown[0]
    assert not bill(year, export_rule="net billing", export_price=None).export_price_after_unknown[0]


def test_net_metering_that_ends_after_5_of_15_years_by_hand() -> None:
    # 500 kWh more are exported: they save 150 a year while they cancel imports, then earn 25; prices +2 % a year
    before, after = (bill(energy(3000.0, kwh), export_rule="net metering") for kwh in (2000.0, 2500.0))
    assert_allclose(before.electricity - after.electricity, 150.0)
    left = RuleEnds(np.array([5.5]), np.array([np.inf]), np.array([False])).left(20)
    flow = owner_cash_flow(
        before.electricity - after.electricity,
        ended=after.lost_by_ends(*left) - before.lost_by_ends(*left),
        fade=None,
        ageing_per_year=0.0,
        price_growth=0.02,
        yearly_cost=0.0,
        avoided=0.0,
        upfront=300.0,
        years=15,
        horizon_years=20,
    )
    at_today = [150.0] * 5 + [87.5] + [25.0] * 9  # half of the sixth year by each rule
    assert_allclose(flow.saving[0, 1:], [value * 1.02**n for n, value in enumerate(at_today)] + [0.0] * 5)
    assert_allclose(flow.ended[0, 1:16], [(150.0 - value) * 1.02**n for n, value in enumerate(at_today)])
    assert_allclose(flow.net[0, 0], -300.0)


def test_support_ends_by_itself() -> None:
    year = bill(energy(0.0, 500.0), export_rule="net billing", generation_price=0.10)  # 1500 kWh generated
    left = RuleEnds(np.array([np.inf]), np.array([1.25]), np.array([False])).left(3)
    assert_allclose(year.lost_by_ends(*left), [[0.0, 0.75 * 150.0, 150.0]])


@pytest.mark.slow
@given(
    imported=st.floats(0, 8000),
    exported=st.floats(0, 8000),
    more=st.floats(0, 500),
    price=st.floats(0, 0.30),
    rule=st.sampled_from(RULES),
    years=st.floats(0, 20),
    later=st.floats(0, 10),
)
@settings(max_examples=30, deadline=None)
def test_a_later_end_never_lowers_the_worth_of_a_kwh_under_net_metering(
    imported: float, exported: float, more: float, price: float, rule: str, years: float, later: float
) -> None:
    """Exported it is worth what one bought costs, which no other rule pays; what follows pays no more than that."""
    home = {"export_rule": "net metering", "export_rule_after": rule, "export_price": price}
    if rule == "gross feed-in":
        home["export_price"] = 0.0  # buys what is used on the spot: another kWh exported is worth its price alone
    before, after = (bill(energy(imported, kwh), **home) for kwh in (exported, exported + more))

    def worth(until: float) -> float:
        left = RuleEnds(np.array([until]), np.array([np.inf]), np.array([True])).left(20)
        saving = (before.electricity - after.electricity)[:, np.newaxis]
        return float(measures.npv(0.03, saving - after.lost_by_ends(*left) + before.lost_by_ends(*left))[0])

    assert worth(years + later) >= worth(years) - 1e-6


@pytest.mark.parametrize("rule", RULES)
def test_a_rule_that_is_followed_by_itself_changes_nothing(rule: str) -> None:
    home = {
        "export_rule": rule,
        "export_rule_after": rule,
        "export_rule_until": "2028-01-01",
        "export_price_after": 0.05,
    }
    found = bill(energy(3000.0, 4000.0), **home)
    assert_array_equal(found.import_cost_after, found.import_cost)
    assert_array_equal(found.export_income_after, found.export_income)
    assert not found.lost_by_ends(np.zeros((1, 3)), np.ones((1, 3))).any()


def test_after_its_last_day_what_follows_holds_today() -> None:
    over = {"export_rule_until": "2026-05-31", "export_rule_after": "deemed export", "export_price_after": 0.02}
    before = sites(
        {"export_rule": "net metering", **over},
        {"export_rule": "net metering", **over, "export_rule_until": "2026-06-01"},
        {"export_rule": "gross feed-in", "export_rule_until": "2026-05-31"},
        {"generation_price": 0.2, "generation_price_until": "2026-05-31"},
    )
    after = in_force(before, TODAY)
    assert after["export_rule"].fillna("").tolist() == ["deemed export", "net metering", "net billing", ""]
    assert after["export_price"].isna().tolist() == [False, False, True, False]
    assert_allclose(after["export_price"].to_numpy(float, na_value=np.nan)[[0, 1, 3]], [0.02, 0.05, 0.05])
    assert after["export_rule_until"].isna().tolist() == [True, False, True, True]
    assert after["generation_price"].isna().all()
    assert (after.dtypes[before.columns] == before.dtypes).all()
    assert after["one_export_price"].tolist() == [True, False, True, False]
    assert in_force(after, TODAY) is after
