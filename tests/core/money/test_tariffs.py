"""A year's bill, worked by hand for each export rule and against the sourced worth of diverted energy."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from aftersun.model.energy import Energy
from aftersun.money.tariffs import as_paid, yearly_bill

DAY = pd.date_range("2001-01-01 00:30", periods=24, freq="h")
NOON, EVENING, SMALL_HOURS = 12, 19, 2


def one_day(**kwh: dict[int, float]) -> Energy:
    """One site, one day: for each column the kWh of an hour of day."""
    columns = {column.name: np.zeros((1, 24)) for column in fields(Energy)}
    for name, by_hour in kwh.items():
        for hour, value in by_hour.items():
            columns[name][0, hour] = value
    made = columns["used"] + columns["to_water"] + columns["exported"] + columns["curtailed"]
    return Energy(**{**columns, "generated": made})


def site(**known: Any) -> pd.DataFrame:
    numbers = ["import_price", "night_import_price", "night_from_hour", "night_until_hour", "export_price"]
    numbers += ["generation_price", "gas_price", "oil_price", "lpg_price", "district_heat_price"]
    numbers += ["export_price_after"]
    texts = ["export_rule", "export_rule_after", "water_heat"]
    until = pd.array([known.pop("export_rule_until", pd.NaT)], dtype="datetime64[us]")
    return pd.DataFrame(
        {name: pd.array([known.pop(name, pd.NA)], dtype="Float64") for name in numbers}
        | {name: pd.array([known.pop(name, pd.NA)], dtype="str") for name in texts}
        | {"export_rule_until": until}
    )


def total(energy: Energy, **known: Any) -> float:
    return float(yearly_bill(energy, site(**known), DAY).total[0])


PLAIN = one_day(used={NOON: 2}, exported={NOON: 5}, curtailed={NOON: 1}, imported={EVENING: 4, SMALL_HOURS: 3})


@pytest.mark.parametrize(
    ("rule", "cost", "income"),
    [
        # 7 kWh bought at 0.30, 5 sold at 0.10
        ("net billing", 2.10, 0.50),
        # 5 of the 7 kWh bought are cancelled, nothing is left to sell
        ("net metering", 2.10, 1.50),
        # 7 + 2 kWh bought, 2 + 5 sold; what is curtailed passes no meter
        ("gross feed-in", 2.70, 0.70),
        # half of 7 kWh paid
        ("deemed export", 2.10, 0.35),
        ("no export", 2.10, 0.00),
    ],
)
def test_each_rule_by_hand(rule: str, cost: float, income: float) -> None:
    bill = yearly_bill(PLAIN, site(export_rule=rule, import_price=0.30, export_price=0.10), DAY)
    assert_allclose(bill.import_cost, cost)
    assert_allclose(bill.export_income, income)
    assert_allclose(bill.total, cost - income)


def test_net_metering_beyond_the_imports_earns_the_export_price() -> None:
    energy = one_day(exported={NOON: 10}, imported={EVENING: 4})
    # 4 kWh cancelled at 0.30, 6 sold at 0.05: nothing to pay and 0.30 to get
    assert_allclose(total(energy, export_rule="net metering", import_price=0.30, export_price=0.05), -0.30)


def test_net_metering_with_two_registers_cancels_each_on_its_own() -> None:
    energy = one_day(exported={NOON: 10}, imported={EVENING: 4, SMALL_HOURS: 8})
    tariff = {"import_price": 0.30, "night_import_price": 0.10, "night_from_hour": 0, "night_until_hour": 7}
    # day: 4 of 10 kWh cancel the evening, 6 are sold at 0.05; night: 8 kWh at 0.10 are paid
    assert_allclose(total(energy, export_rule="net metering", export_price=0.05, **tariff), 0.80 - 0.30)


def test_net_metering_cancels_what_is_bought_cheap_at_the_cheap_price() -> None:
    cheap_noon = {"night_import_price": 0.10, "night_from_hour": 11, "night_until_hour": 15}
    energy = one_day(exported={NOON: 4}, imported={NOON: 3, EVENING: 5})
    # 3 of 4 kWh are cancelled at 0.10, 1 is sold at 0.05; 5 kWh at 0.30 are paid: 1.50 - 0.05
    assert_allclose(total(energy, export_rule="net metering", import_price=0.30, export_price=0.05, **cheap_noon), 1.45)


def test_generation_is_paid_on_what_passes_the_meter() -> None:
    bill = yearly_bill(PLAIN, site(export_rule="deemed export", import_price=0.30, generation_price=0.20), DAY)
    assert_allclose(bill.generation_income, 7 * 0.20)


@pytest.mark.parametrize(
    ("begins", "ends", "night_hours"), [(0, 7, range(7)), (23, 7, [23, *range(7)]), (22, 0, [22, 23])]
)
def test_night_hours(begins: int, ends: int, night_hours: list[int]) -> None:
    for hour in range(24):
        energy = one_day(imported={hour: 1})
        tariff = {"night_import_price": 0.10, "night_from_hour": begins, "night_until_hour": ends}
        assert_allclose(total(energy, import_price=0.30, **tariff), 0.10 if hour in night_hours else 0.30)


def test_night_hours_go_by_the_clock_not_by_the_position() -> None:
    energy = one_day(imported={0: 1})  # the first hour is now six in the evening
    bill = yearly_bill(
        energy,
        site(import_price=0.30, night_import_price=0.10, night_from_hour=18, night_until_hour=20),
        pd.date_range("2001-01-01 18:30", periods=24, freq="h"),
    )
    assert_allclose(bill.import_cost, 0.10)


def test_what_is_not_known_is_assumed_and_said() -> None:
    energy = replace(PLAIN, water_backup=np.full((1, 24), 1.0))
    bill = yearly_bill(energy, site(import_price=0.30, night_import_price=0.10, water_heat="gas boiler"), DAY)
    assert bill.export_price_unknown.all()
    assert bill.fuel_price_unknown.all()
    assert_allclose(bill.total, 2.10)  # net billing, exports and fuel count nothing, the day price holds
    known = yearly_bill(
        energy,
        site(
            import_price=0.30,
            export_rule="net billing",
            export_price=0.1,
            water_heat="gas boiler",
            gas_price=0.05,
        ),
        DAY,
    )
    for mask in ("export_price_unknown", "fuel_price_unknown"):
        assert not getattr(known, mask).any()


def test_a_price_that_nothing_depends_on_is_not_asked_for() -> None:
    assert not yearly_bill(PLAIN, site(import_price=0.3, export_rule="no export"), DAY).export_price_unknown.any()
    cancelled = site(import_price=0.3, export_rule="net metering")
    assert not yearly_bill(PLAIN, cancelled, DAY).export_price_unknown.any()
    no_heater = site(import_price=0.3, water_heat="gas boiler")
    assert not yearly_bill(PLAIN, no_heater, DAY).fuel_price_unknown.any()


def test_without_an_import_price_there_is_no_bill() -> None:
    assert np.isnan(total(PLAIN))


@pytest.mark.parametrize(
    ("water_heat", "column"),
    [
        ("gas boiler", "gas_price"),
        ("combi boiler", "gas_price"),
        ("oil boiler", "oil_price"),
        ("lpg boiler", "lpg_price"),
        ("district heat", "district_heat_price"),
    ],
)
def test_fuel_by_water_heat(water_heat: str, column: str) -> None:
    energy = one_day(water_backup={EVENING: 3})
    bill = yearly_bill(energy, site(import_price=0.3, water_heat=water_heat, **{column: 0.07}), DAY)
    assert_allclose(bill.water_fuel_cost, 0.21)
    assert_allclose(bill.electricity, 0.0)


@pytest.mark.parametrize("water_heat", ["immersion", "night immersion", "heat pump"])
def test_electric_water_heat_is_not_paid_twice(water_heat: str) -> None:
    energy = one_day(water_backup={EVENING: 3}, imported={EVENING: 3})
    bill = yearly_bill(energy, site(import_price=0.3, water_heat=water_heat, gas_price=0.07), DAY)
    assert_allclose(bill.total, 0.9)
    assert not bill.fuel_price_unknown.any()


# What a kWh of surplus is worth that heats water instead of being exported, in pence.
SAP = {"import_price": 16.49, "export_price": 5.59}  # SAP 10.2 Table 12, standard tariff
CAP = {"import_price": 24.67, "export_price": 15.0}  # price cap April to June 2026 and the best export offers


@pytest.mark.parametrize(
    ("heater", "rule", "prices", "expected"),
    [
        # p_fuel / 0.85 - p_export: 3.64 / 0.85 - 5.59 and 5.74 / 0.85 - 15
        ("gas boiler", "net billing", {**SAP, "gas_price": 3.64}, -1.308),
        ("gas boiler", "net billing", {**CAP, "gas_price": 5.74}, -8.247),
        # the break-even export price p_fuel / eta
        ("gas boiler", "net billing", {**SAP, "gas_price": 3.64, "export_price": 3.64 / 0.85}, 0.0),
        # nothing is lost where the export is deemed or not paid
        ("gas boiler", "deemed export", {**SAP, "gas_price": 3.64}, 4.282),
        ("gas boiler", "no export", {**CAP, "gas_price": 5.74}, 6.753),
        # gas displaced for what could have cancelled an import, or has to be bought back
        ("gas boiler", "net metering", {**SAP, "gas_price": 3.64}, 4.282 - 16.49),
        ("gas boiler", "gross feed-in", {**SAP, "gas_price": 3.64}, 4.282 - 16.49),
        # direct electric: p_import - p_export
        ("immersion", "net billing", SAP, 10.90),
        ("immersion", "net billing", CAP, 9.67),
        # heated at night at 9.40 before
        (
            "night immersion",
            "net billing",
            {**SAP, "night_import_price": 9.40, "night_from_hour": 0, "night_until_hour": 7},
            3.81,
        ),
    ],
)
def test_worth_of_a_diverted_kwh(heater: str, rule: str, prices: dict[str, float], expected: float) -> None:
    electric = heater in ("immersion", "night immersion")
    house = {EVENING: 5.0}
    heating = {SMALL_HOURS if heater == "night immersion" else 20: 1.0} if electric else {}
    before = one_day(
        exported={NOON: 1},
        imported=house | heating,
        water_backup=heating if electric else {EVENING: 1 / 0.85},
    )
    after = one_day(to_water={NOON: 1}, imported=house)
    known = {"export_rule": rule, "water_heat": heater, **prices}
    assert_allclose(total(before, **known) - total(after, **known), expected, atol=1e-3)


@pytest.mark.parametrize(
    ("rule", "used", "exported"),
    # An extra kWh made: used on the spot it saves the import price, sold it earns the export price;
    # under gross feed-in it earns the same either way; where export is deemed half of it is paid, sold
    # or not.
    [
        ("net billing", 16.49, 5.59),
        ("net metering", 16.49, 16.49),
        ("gross feed-in", 5.59, 5.59),
        ("deemed export", 16.49 + 5.59 / 2, 5.59 / 2),
        ("no export", 16.49, 0.0),
    ],
)
def test_worth_of_an_extra_kwh(rule: str, used: float, exported: float) -> None:
    known = {"export_rule": rule, **SAP}
    before = one_day(used={NOON: 1}, exported={NOON: 1}, imported={EVENING: 4, NOON: 1})
    more_used = one_day(used={NOON: 2}, exported={NOON: 1}, imported={EVENING: 4})
    more_sold = one_day(used={NOON: 1}, exported={NOON: 2}, imported={EVENING: 4, NOON: 1})
    assert_allclose(total(before, **known) - total(more_used, **known), used)
    assert_allclose(total(before, **known) - total(more_sold, **known), exported)


def random_energy(rng: np.random.Generator, sites: int, hours: int) -> Energy:
    parts: dict[str, npt.NDArray[np.float32]] = {
        column.name: rng.uniform(0, 3, (sites, hours)).astype(np.float32) for column in fields(Energy)
    }
    parts["generated"] = parts["used"] + parts["to_water"] + parts["exported"] + parts["curtailed"]
    return Energy(**parts)


@pytest.mark.parametrize("rule", ["net billing", "net metering", "gross feed-in", "deemed export"])
def test_one_site_alone_has_the_same_bill_to_the_last_bit(rule: str) -> None:
    rng = np.random.default_rng(5)
    energy = random_energy(rng, 7, 8760)
    times = pd.date_range("2001-01-01 00:30", periods=8760, freq="h")
    known = {
        "night_import_price": 0.1,
        "night_from_hour": 23,
        "night_until_hour": 6,
        "generation_price": 0.04,
    }
    one = site(
        export_rule=rule,
        import_price=0.31,
        export_price=0.07,
        water_heat="oil boiler",
        oil_price=0.09,
        **known,
    )
    batch = yearly_bill(energy, pd.concat([one] * 7), times)
    for row in range(7):
        single = yearly_bill(energy.take(np.array([row])), one, times)
        for column in fields(single):
            assert getattr(single, column.name)[0] == getattr(batch, column.name)[row]


@settings(max_examples=40)
@given(
    st.integers(0, 2**32 - 1),
    st.sampled_from(["net billing", "net metering", "deemed export", "no export"]),
    st.floats(0.0, 0.6),
)
@pytest.mark.slow
def test_a_dearer_export_price_never_helps_who_stops_exporting(seed: int, rule: str, price: float) -> None:
    before = random_energy(np.random.default_rng(seed), 1, 24)
    after = replace(before, exported=np.zeros_like(before.exported), to_water=before.to_water + before.exported)
    cheap = {"export_rule": rule, "import_price": 0.3, "export_price": price}
    dear = {**cheap, "export_price": price + 0.1}
    gain_cheap, gain_dear = (
        total(before, **cheap) - total(after, **cheap),
        total(before, **dear) - total(after, **dear),
    )
    assert gain_dear <= gain_cheap + 1e-6


def test_times_have_to_be_whole_days() -> None:
    with pytest.raises(ValueError, match="whole days"):
        yearly_bill(PLAIN, site(import_price=0.3), DAY[:12].append(DAY[:12]))


def test_an_unknown_rule_is_refused() -> None:
    with pytest.raises(ValueError, match="no such export rule: barter"):
        yearly_bill(PLAIN, site(import_price=0.3, export_rule="barter"), DAY)


def test_who_gets_sales_tax_back_buys_energy_without_it() -> None:
    known = {"import_price": 0.36, "night_import_price": 0.24, "gas_price": 0.12, "export_price": 0.08}
    firm = site(**known).assign(use=pd.array(["shop"], dtype="str"), reclaims_tax=pd.array([None], dtype="boolean"))
    paid = as_paid(firm, 0.2)
    names = ["import_price", "night_import_price", "gas_price", "export_price"]
    assert paid[names].iloc[0].tolist() == pytest.approx([0.30, 0.20, 0.10, 0.08])  # sold without tax before and now
    assert paid["oil_price"].isna().all()
    assert as_paid(firm.assign(reclaims_tax=False), 0.2)[names].iloc[0].tolist() == list(known.values())
    assert as_paid(firm.assign(use="home"), 0.2)[names].iloc[0].tolist() == list(known.values())
