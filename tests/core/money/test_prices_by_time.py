"""Prices by month, kind of day and hour: laws of bills, and bills of countries worked out by hand."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from aftersun.climate.sun import year_times
from aftersun.model.energy import Energy
from aftersun.model.price_times import PriceTables
from aftersun.money.export_rules import in_force, rule_ends, with_national_ends
from aftersun.money.price_calendar import kinds_of_days, with_calendars
from aftersun.money.tariffs import Bill, as_paid, yearly_bill
from aftersun.testing.builders import sample_cohort

TIMES = year_times(1.0)
COLUMNS = ["tariff_id", "period", "from_month", "until_month", "days", "from_hour", "until_hour"]
COLUMNS += ["import_price", "export_price"]
HOURS = ["tariff_id", "starts_at", "import_price", "export_price", "spot_price"]
ALL_DAY = (1, 12, "every day", 0, 24)
# 2.0TD: CNMC Circular 3/2020, article 7: weekends and fixed national holidays are valle all day. Prices invented.
SPAIN = (
    ("punta", 1, 12, "weekday", 10, 14, 0.20, None),
    ("punta", 1, 12, "weekday", 18, 22, 0.20, None),
    ("llano", 1, 12, "weekday", 8, 10, 0.15, None),
    ("llano", 1, 12, "weekday", 14, 18, 0.15, None),
    ("llano", 1, 12, "weekday", 22, 24, 0.15, None),
    ("valle", 1, 12, "weekday", 0, 8, 0.10, None),
    ("valle", 1, 12, "weekend or holiday", 0, 24, 0.10, None),
)
JANUARY, JULY, SEPTEMBER = 1, 7, 9


def year(**kwh: dict[Any, float]) -> Energy:
    """A year of one site: for each column the kWh by (month, hour) on each day, or by the hour of the year."""
    columns = {column.name: np.zeros((1, 8760)) for column in fields(Energy)}
    for name, given_kwh in kwh.items():
        for place, value in given_kwh.items():
            if isinstance(place, tuple):
                columns[name][0, (TIMES.month == place[0]) & (TIMES.hour == place[1])] = value
            else:
                columns[name][0, place] = value
    made = columns["used"] + columns["to_water"] + columns["exported"] + columns["curtailed"]
    return Energy(**{**columns, "generated": made})


def bill(
    energy: Energy,
    *periods: tuple[Any, ...],
    hours: pd.DataFrame | None = None,
    country: str = "",
    zone: str = "",
    tax: float = 0.0,
    **known: Any,
) -> Bill:
    """The bill of one home with these periods and prices."""
    frame = pd.DataFrame([("T", *row) for row in periods], columns=COLUMNS)
    tables = PriceTables(frame, pd.DataFrame(columns=HOURS) if hours is None else hours.assign(tariff_id="T"))
    facts = {"import_price": None, "export_price": None, **known, "tariff_id": "T"}
    sites = sample_cohort(facts).sites.assign(
        country=pd.array([country or None], dtype="string"), time_zone=pd.array([zone or None], dtype="string")
    )
    sites, calendars = with_calendars(sites, tables, TIMES, tax)
    return yearly_bill(energy, as_paid(sites, tax), TIMES, calendars)


@cache
def random_year(seed: int) -> Energy:
    rng = np.random.default_rng(seed)
    parts = {column.name: rng.uniform(0, 3, (1, 8760)).astype(np.float32) for column in fields(Energy)}
    parts["generated"] = parts["used"] + parts["to_water"] + parts["exported"] + parts["curtailed"]
    return Energy(**parts)


# --- laws ---


@pytest.mark.slow
@settings(max_examples=15, deadline=None)
@given(
    st.integers(0, 3),
    st.integers(1, 23),
    st.integers(2, 12),
    st.sampled_from(["net billing", "net billing with monthly cap", "net metering", "gross feed-in", "deemed export"]),
)
def test_flat_periods_are_the_flat_price(seed: int, hour: int, month: int, rule: str) -> None:
    energy, known = random_year(seed), {"export_rule": rule, "import_price": 0.31, "export_price": 0.07}
    flat = bill(energy, **known)
    periods = (
        ("all", 1, month, "every day", 0, hour, 0.31, 0.07),
        ("all", 1, month, "weekday", hour, 24, 0.31, 0.07),
        ("all", 1, month, "weekend or holiday", hour, 24, 0.31, 0.07),
        *((("all", month + 1, 12, "every day", 0, 24, 0.31, 0.07),) if month < 12 else ()),
    )
    in_periods = bill(energy, *periods, country="FR", zone="Europe/Paris", **{**known, "import_price": None})
    for column in ("import_cost", "export_income", "import_cost_after", "export_income_after", "total"):
        assert_allclose(getattr(in_periods, column), getattr(flat, column), rtol=1e-6, err_msg=column)


def test_the_bill_is_the_sum_over_the_hours_each_at_its_price() -> None:
    """Hour by hour with the clock of the standard library; the days of change are those of 2025."""
    energy, zone, standard = random_year(2), ZoneInfo("Europe/Berlin"), timedelta(hours=1)
    periods = (("peak", 11, 3, "weekday", 17, 21, 0.55, 0.11), ("night", *ALL_DAY[:3], 22, 6, 0.20, None))
    found = bill(energy, *periods, zone="Europe/Berlin", import_price=0.30, export_price=0.05)
    cost = income = 0.0
    for hour in range(8760):
        then = datetime(2025, 1, 1, tzinfo=UTC) + timedelta(hours=hour) - standard
        ahead = (then.astimezone(zone).utcoffset() or standard) - standard
        clock = datetime(2006, 1, 1) + timedelta(hours=hour) + ahead  # weekdays are those of the simulated year
        peak = clock.month in (11, 12, 1, 2, 3) and clock.weekday() < 5 and 17 <= clock.hour < 21
        price = 0.55 if peak else 0.20 if clock.hour >= 22 or clock.hour < 6 else 0.30
        cost += price * float(energy.imported[0, hour])
        income += (0.11 if peak else 0.05) * float(energy.exported[0, hour])
    assert_allclose((found.import_cost[0], found.export_income[0]), (cost, income), rtol=1e-6)


@pytest.mark.slow
@settings(max_examples=10, deadline=None)
@given(st.floats(0.1, 0.5), st.floats(0.0, 0.5), st.integers(0, 364))
def test_a_kwh_moved_into_a_dearer_hour_is_worth_the_difference_more(cheap: float, more: float, day: int) -> None:
    periods = (("peak", *ALL_DAY[:3], 17, 21, cheap + more, None), ("rest", *ALL_DAY[:3], 21, 17, cheap, None))
    noon, evening = (year(exported={0: 1.0}, imported={24 * day + hour: 1.0}) for hour in (12, 18))
    dearer, cheaper = (float(bill(one, *periods, export_price=0.05).total[0]) for one in (evening, noon))
    assert_allclose(dearer - cheaper, more, atol=1e-9)


@pytest.mark.slow
@settings(max_examples=10, deadline=None)
@given(st.integers(0, 3), st.floats(0.0, 0.8))
def test_a_cap_keeps_a_bill_between_net_billing_and_no_export(seed: int, price: float) -> None:
    energy = random_year(seed)
    rules = ("net billing", "net billing with monthly cap", "no export")
    least, capped, most = (
        float(bill(energy, *SPAIN, country="ES", export_rule=rule, export_price=price).electricity[0]) for rule in rules
    )
    assert least - 1e-9 <= capped <= most + 1e-9
    assert capped >= -1e-9  # nobody is paid by the supplier


def test_net_metering_by_month_never_gives_more_than_by_the_year() -> None:
    energy = year(imported={(JANUARY, 19): 4.0}, exported={(JULY, 12): 3.0})
    by_year = bill(energy, export_rule="net metering", import_price=0.30, export_price=0.0)
    by_month = bill(energy, export_rule="net metering by month", import_price=0.30, export_price=0.0)
    assert_allclose(by_year.export_income, 31 * 3 * 0.30)  # 93 of 124 kWh of the winter are cancelled
    assert_allclose(by_month.export_income, 0.0)  # nothing was bought in July, and what is left is lost


def test_one_site_alone_has_the_bill_that_it_has_among_others_with_other_tariffs() -> None:
    energy = random_year(1)
    many = Energy(**{c.name: np.repeat(getattr(energy, c.name), 3, axis=0) for c in fields(Energy)})
    frame = pd.DataFrame([("T", *row) for row in SPAIN], columns=COLUMNS)
    homes = [{"tariff_id": "T", "import_price": None}, {"tariff_id": "other"}, {"tariff_id": "T", "import_price": None}]
    sites = sample_cohort(*homes).sites.assign(country="ES", time_zone="Europe/Madrid")
    sites, calendars = with_calendars(sites, PriceTables(frame), TIMES, 0.0)
    together = yearly_bill(many, sites, TIMES, calendars)
    alone = yearly_bill(energy, sites.iloc[[2]], TIMES, calendars)
    assert len(calendars) == 1
    assert sites["price_calendar"].tolist() == [0, -1, 0]
    for column in fields(Bill):
        assert getattr(alone, column.name)[0] == getattr(together, column.name)[2]


# --- countries ---


def test_spain_has_three_periods_and_a_credit_never_above_the_month_s_energy() -> None:
    """Periods as above; the cap: Real Decreto 244/2019, article 14. January has 21 working days: 6 is a holiday."""
    energy = year(
        imported={(JANUARY, 12): 1.0, (JANUARY, 20): 2.0, (JANUARY, 3): 3.0, (JULY, 9): 1.0},
        exported={(JANUARY, 13): 4.0, (JULY, 13): 10.0},
    )
    spain = {"country": "ES", "zone": "Europe/Madrid", "export_price": 0.06}
    found = bill(energy, *SPAIN, export_rule="net billing with monthly cap", **spain)
    # January: 63 kWh punta at 0.20 and 123 valle at 0.10. July at 10 by the clock (9 in winter): 21 punta, 10 valle
    assert_allclose(found.import_cost, 24.90 + 5.20)
    assert_allclose(found.export_income, 7.44 + 5.20)  # 124 kWh at 0.06; 310 kWh would be 18.60, capped
    assert_allclose(bill(energy, *SPAIN, export_rule="net billing", **spain).export_income, 7.44 + 18.60)


def test_california_buys_in_two_seasons_and_sells_by_the_hour() -> None:
    """Credit by month and hour: CPUC decision 22-12-056 (2022). Prices invented; clocks are put forward in summer."""
    periods = (
        ("summer peak", 6, 9, "every day", 16, 21, 0.60, None),
        ("winter peak", 10, 5, "every day", 16, 21, 0.50, None),
        ("credit", 9, 9, "weekday", 18, 20, None, 0.90),
        ("credit", 9, 9, "weekend or holiday", 18, 20, None, 0.40),
    )
    energy = year(
        imported={(SEPTEMBER, 19): 1.0, (JANUARY, 19): 1.0, (JANUARY, 10): 1.0},
        exported={(SEPTEMBER, 17): 1.0, (SEPTEMBER, 11): 2.0},
    )
    known = {"country": "US", "zone": "America/Los_Angeles", "import_price": 0.35, "export_price": 0.05}
    found = bill(energy, *periods, export_rule="net billing", **known)
    # 30 evenings of September (20 by the clock) at 0.60, 31 of January at 0.50 and 31 mornings at 0.35
    assert_allclose(found.import_cost, 18.00 + 15.50 + 10.85)
    # at 18 by the clock: September 2006 has 21 weekdays, 1 September (Labor Day of 2025) is none: 20 and 10 days
    assert_allclose(found.export_income, 20 * 0.90 + 10 * 0.40 + 60 * 0.05)


def test_dutch_netting_ends_on_the_first_of_january_2027() -> None:
    """Tweede Kamer, Kamerstuk 36 611: 2,500 kWh bought at 0.27, 2,000 sent, which earn 0.05 afterwards."""
    home = {"export_rule": "net metering", "commissioned_on": pd.Timestamp("2019-05-01")}
    home |= {"import_price": 0.27, "export_price": 0.05}
    found = bill(year(imported={19: 2500.0}, exported={12: 2000.0}), **home)
    assert_allclose((found.import_cost[0], found.export_income[0]), (675.00, 540.00))
    assert_allclose((found.import_cost_after[0], found.export_income_after[0]), (675.00, 100.00))
    cohort = sample_cohort({**home, "latitude": 52.1}, as_of=date(2026, 6, 1))
    sites = with_national_ends(cohort.sites.assign(country=pd.array(["NL"], dtype="string")), {})
    left = rule_ends(replace(cohort, sites=sites)).left(3)
    # 213 of 365.25 days of the first year are left: 440 a year are lost from then on
    assert_allclose(found.lost_by_ends(*left)[0], [440 * (1 - 213 / 365.25), 440.0, 440.0])


def test_a_german_feed_in_ends_twenty_years_after_the_year_of_connection() -> None:
    """EEG 2023 section 25: connected in May 2007, it is paid until the end of 2027; 49.21 ct, from memory."""
    home = {"export_rule": "gross feed-in", "import_price": 0.35, "export_price": 0.4921, "export_price_after": 0.04}
    energy = year(imported={19: 2500.0}, used={12: 1500.0}, exported={12: 2500.0})
    found = bill(energy, **home)
    assert_allclose((found.import_cost[0], found.export_income[0]), (4000 * 0.35, 4000 * 0.4921))
    assert_allclose((found.import_cost_after[0], found.export_income_after[0]), (2500 * 0.35, 2500 * 0.04))
    cohort = sample_cohort({**home, "commissioned_on": pd.Timestamp("2007-05-01")}, as_of=date(2026, 12, 31))
    told = replace(cohort, sites=with_national_ends(cohort.sites.assign(country=pd.array(["DE"], dtype="string")), {}))
    assert_allclose(rule_ends(told).rule_years, 365 / 365.25)
    later = in_force(cohort.sites.assign(export_rule_until=pd.Timestamp("2027-12-31")), date(2028, 1, 1))
    assert later[["export_rule", "export_price"]].iloc[0].tolist() == ["net billing", 0.04]


def test_after_the_end_of_a_rule_its_periods_of_export_are_over_where_the_price_that_follows_is_known() -> None:
    home = {"export_rule": "net billing", "export_rule_until": pd.Timestamp("2025-12-31"), "tariff_id": "T"}
    ended = sample_cohort({**home, "export_price_after": 0.04}, home).sites
    sites = in_force(ended, date(2026, 6, 1)).assign(country=None, time_zone=None)
    tables = PriceTables(pd.DataFrame([("T", "sun", *ALL_DAY, None, 0.2)], columns=COLUMNS))
    sites, calendars = with_calendars(sites, tables, TIMES, 0.0)
    energy = year(exported={(JULY, 12): 1.0})
    both = Energy(**{c.name: np.repeat(getattr(energy, c.name), 2, axis=0) for c in fields(Energy)})
    assert_allclose(yearly_bill(both, sites, TIMES, calendars).export_income, [31 * 0.04, 31 * 0.2])


@pytest.mark.parametrize(
    ("zone", "cost"), [("Australia/Sydney", 22 * 0.52 + 9 * 0.28), ("Australia/Brisbane", 31 * 0.28)]
)
def test_an_australian_time_of_use_goes_by_the_clock_of_its_state(zone: str, cost: float) -> None:
    """Peak 15 to 21 on weekdays as networks there have it (from memory), summer time in Sydney alone; prices invented.

    In January, 14 in standard time is 15 in Sydney: peak on 22 weekdays, holidays counting as the days they are.
    """
    periods = (("peak", 1, 12, "weekday", 15, 21, 0.52, None), ("off-peak", *ALL_DAY[:3], 22, 7, 0.20, None))
    known = {"country": "AU", "zone": zone, "import_price": 0.28, "holidays_as_sundays": False}
    energy = year(imported={(JANUARY, 14): 1.0})
    assert_allclose(bill(energy, *periods[:1], **known).import_cost, cost)
    night = bill(year(imported={(JULY, 23): 1.0, (JULY, 3): 1.0, (JULY, 10): 1.0}), *periods, **known)
    assert_allclose(night.import_cost, 31 * (0.20 + 0.20 + 0.28))


# --- other charges and supports ---


def test_charges_blocks_and_support_by_hand() -> None:
    energy = year(imported={(JANUARY, 19): 10.0, (JULY, 19): 1.0}, used={(JULY, 12): 2.0}, exported={(JULY, 12): 1.0})
    known = {"import_price": 0.30, "export_price": 0.0}
    plain = bill(energy, **known)
    assert_allclose(plain.electricity, 341 * 0.30)
    assert_allclose(bill(energy, **known, fixed_charge_per_year=120.0).charges, 120.0)
    # the greatest hour is 10 kW in January, 1 in July and none in other months
    assert_allclose(bill(energy, **known, peak_charge_per_kw=4.0).charges, 44.0)
    # 310 kWh in January, 110 of them beyond 200
    blocks = bill(energy, **known, block_kwh_per_month=200.0, block_surcharge=0.10)
    assert_allclose(blocks.import_cost - plain.import_cost, 11.0)
    assert_allclose(bill(energy, **known, self_use_price=0.05).generation_income, 62 * 0.05)


THREE_STEPS = {
    "block_kwh_per_month": 100.0,
    "block_surcharge": 0.05,
    "block_2_kwh_per_month": 200.0,
    "block_2_surcharge": 0.10,
    "block_3_kwh_per_month": 300.0,
    "block_3_surcharge": -0.20,
}


def test_blocks_of_several_steps_by_hand() -> None:
    """Prices of the steps 0.30, 0.35, 0.45 and 0.25 a kWh, from 0, 100, 200 and 300 kWh a month on."""
    energy = year(imported={(JANUARY, 19): 10.0, (JULY, 19): 5.0}, exported={(JANUARY, 12): 4.0})
    known = {"import_price": 0.30, "export_price": 0.0, **THREE_STEPS}
    # January: 310 kWh = 100 x 0.30 + 100 x 0.35 + 100 x 0.45 + 10 x 0.25; July: 155 kWh = 100 x 0.30 + 55 x 0.35
    assert_allclose(bill(energy, **known).import_cost, 112.50 + 49.25)
    # in periods, too: steps count all that is bought in the month
    periods = (("evening", *ALL_DAY[:3], 18, 21, 0.30, None), ("rest", *ALL_DAY[:3], 21, 18, 0.30, None))
    assert_allclose(bill(energy, *periods, **{**known, "import_price": None}).import_cost, 112.50 + 49.25)
    # netting by month: 310 - 124 = 186 kWh are billed in January: 100 x 0.30 + 86 x 0.35 = 60.10
    netted = bill(energy, export_rule="net metering by month", **known)
    assert_allclose(netted.electricity, 60.10 + 49.25)
    # a month's credit reaches up to all of its charge, steps and all: January 124 kWh at 1.00 against 112.50
    capped = bill(energy, export_rule="net billing with monthly cap", **{**known, "export_price": 1.0})
    assert_allclose(capped.export_income, 112.50)


def test_hours_below_zero_are_unpaid_where_the_tariff_says_so() -> None:
    """EEG 2023 section 51: no payment in hours of a negative spot price. Here at noon on each Sunday of July."""
    starts = pd.date_range("2025-01-01", periods=8760, freq="h")
    negative = (starts.month == JULY) & (starts.hour == 12) & (starts.day_of_week == 6)
    hours = pd.DataFrame({"starts_at": starts, "spot_price": np.where(negative, -0.02, 0.08)})
    hours = hours.assign(import_price=np.nan, export_price=np.nan)
    energy, known = year(exported={(JULY, 12): 1.0}), {"import_price": 0.35, "export_price": 0.08}
    # July of the simulated year has five Sundays; without summer time 12 is 12
    assert_allclose(bill(energy, hours=hours, **known).export_income, 31 * 0.08)
    assert_allclose(bill(energy, hours=hours, negative_hours_unpaid=True, **known).export_income, 26 * 0.08)


def test_dated_hours_are_averaged_by_month_kind_of_day_and_hour() -> None:
    starts = pd.date_range("2024-01-01", periods=2 * 8760, freq="h")
    prices = np.where(starts.year == 2024, 0.20, 0.30) + np.where(starts.hour == 19, 0.10, 0.0)
    hours = pd.DataFrame({"starts_at": starts, "import_price": prices, "export_price": prices - 0.22})
    found = bill(
        year(imported={(JULY, 19): 1.0, (JULY, 3): 1.0}, exported={(JULY, 3): 1.0}),
        hours=hours.assign(spot_price=np.nan),
    )
    # 23 weekdays and 4 or 5 Sundays and Saturdays a year: both years count alike by their days
    assert_allclose(found.import_cost, 31 * (0.35 + 0.25), rtol=0.01)
    assert_allclose(found.export_income, 31 * 0.03, rtol=0.1)


def test_who_gets_sales_tax_back_buys_by_periods_without_it() -> None:
    energy = year(imported={(JANUARY, 12): 1.0})
    period = ("all", *ALL_DAY, 0.24, None)
    assert_allclose(bill(energy, period, tax=0.2, use="shop").import_cost, 31 * 0.20)
    assert_allclose(bill(energy, period, tax=0.2, use="home").import_cost, 31 * 0.24)


def test_who_knows_no_periods_sees_the_mean_prices_of_day_and_of_a_night_heater_s_hours() -> None:
    frame = pd.DataFrame([("T", *row) for row in SPAIN], columns=COLUMNS)
    sites = sample_cohort({"tariff_id": "T", "import_price": None}).sites.assign(country=None, time_zone=None)
    seen = with_calendars(sites, PriceTables(frame), TIMES, 0.0)[0].iloc[0]
    assert (seen["night_from_hour"], seen["night_until_hour"]) == (0, 5)
    assert_allclose(seen["night_import_price"], 0.10)
    # of 24 hours 3 of the 8 cheap ones are left by day: weekdays (260) 8 x 0.20 + 8 x 0.15 + 3 x 0.10, else 0.10
    assert_allclose(seen["import_price"], (260 * 3.10 + 105 * 1.90) / 365 / 19)


def test_holidays_are_those_of_the_country_and_the_region_where_one_is_told() -> None:
    days = pd.DatetimeIndex(["2025-01-06", "2025-06-24", "2025-06-25"])
    assert kinds_of_days(days, "ES").tolist() == [2, 0, 0]
    assert kinds_of_days(days, "ES", "CT").tolist() == [2, 2, 0]
    assert kinds_of_days(days, "ES", "no such").tolist() == [2, 0, 0]
    assert kinds_of_days(days, "").tolist() == [0, 0, 0]


def test_spain_s_tariff_counts_national_holidays_of_a_fixed_date_alone() -> None:
    """CNMC Circular 3/2020, article 7.3: "con exclusión tanto de los festivos sustituibles como de los que no tienen
    fecha fija", and 6 January. So 2.0TD has nine, and Good Friday (18 April 2025, 3 April 2026) is a weekday."""
    year = pd.date_range("2026-01-01", "2026-12-31")
    weekdays = year[year.day_of_week < 5]
    free = weekdays[kinds_of_days(weekdays, "ES") == 2]
    assert [f"{day:%m-%d}" for day in free] == [
        "01-01",
        "01-06",
        "05-01",
        "10-12",
        "12-08",
        "12-25",
    ]  # three at weekends
    fridays = pd.DatetimeIndex(["2025-04-18", "2026-04-03"])
    assert kinds_of_days(fridays, "ES").tolist() == [0, 0]
    assert kinds_of_days(fridays, "DE").tolist() == [2, 2]
