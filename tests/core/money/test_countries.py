"""A start for each country: what the file made holds, and that nothing of it goes unsaid."""

from __future__ import annotations

import re
from dataclasses import fields
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from babel.languages import get_official_languages
from babel.numbers import get_territory_currencies

import aftersun_datasets
from aftersun.model.energy import Energy
from aftersun.model.errors import AftersunError
from aftersun.model.figures import LETTER_LANGUAGES
from aftersun.model.price_times import PriceTables
from aftersun.money.company import Company, company_template, load_company
from aftersun.money.countries import FROM_MEMORY, countries, country_of, usual_tariffs
from aftersun.money.missing import still_missing
from aftersun.money.price_calendar import with_calendars
from aftersun.money.tariffs import Bill, yearly_bill

PRICES = aftersun_datasets.rows("price_items.csv")
# thousand EUR for each full-time employee in construction, 2019 (Eurostat, structural business statistics); GB 37.8
LABOUR = {
    "AT": 53.5, "BE": 62.1, "DE": 42.9, "ES": 33.9, "FR": 57.4, "IE": 61.7, "IT": 43.8, "NL": 62.2, "PT": 16.9,
}  # fmt: skip
# standard rates from 1 January 2025
TAX = {
    "AT": 0.20, "BE": 0.21, "CH": 0.081, "DE": 0.19, "ES": 0.21, "FR": 0.20, "GB": 0.20, "IE": 0.23, "IT": 0.22,
    "NL": 0.21, "PT": 0.23,
}  # fmt: skip


TODAY = date(2026, 11, 30)


def begun(code: str) -> str:
    """Return a file of a country with what only its owner knows."""
    text = company_template(PRICES, country_of(code))
    return text.replace('name = ""', 'name = "A"').replace("= nan", "= 36")


def of_country(code: str, folder: Path) -> Company:
    (folder / "company.toml").write_text(begun(code), encoding="utf-8")
    return load_company(folder / "company.toml")


def test_the_countries_are_those_that_were_promised() -> None:
    assert set(countries()) == {"AT", "AU", "BE", "CH", "DE", "ES", "FR", "GB", "IE", "IT", "NL", "PL", "PT", "US"}


@pytest.mark.parametrize("code", sorted(countries()))
def test_each_file_loads_with_currency_tax_and_language_of_its_country(code: str, tmp_path: Path) -> None:
    company = of_country(code, tmp_path)
    assert company.identity.currency in get_territory_currencies(code, date(2026, 11, 30))
    assert company.identity.country == code
    assert company.letter.language in set(get_official_languages(code, de_facto=True)) & set(LETTER_LANGUAGES)
    if code in TAX:
        assert company.money.sales_tax_rate == TAX[code]


@pytest.mark.parametrize("code", sorted(LABOUR))
def test_labour_is_at_the_level_of_the_country(code: str, tmp_path: Path) -> None:
    # the book has 45 GBP for an electrician's hour; 0.8778 GBP an EUR in 2019
    expected = 45 * LABOUR[code] / (37.8 * 0.8778)
    assert of_country(code, tmp_path).work["electrician"] == pytest.approx(expected, rel=0.03)


def test_what_was_not_read_anywhere_says_so_in_the_file_and_in_its_check(tmp_path: Path) -> None:
    for code, country in countries().items():
        text = begun(code)
        flat = " ".join(line.lstrip("# ") for line in text.splitlines())
        marked = [one for one in (*country.said.values(), *country.taxes) if FROM_MEMORY in one.source]
        missing = still_missing(of_country(code, tmp_path), text, TODAY)
        assert flat.count(FROM_MEMORY) >= len(marked), code
        assert {one.code for one in missing} >= {"no_phone", "no_address", "start_prices", "from_memory"}, code
        assert all(said.day and said.source for said in country.said.values())


def test_a_file_with_phone_address_and_own_prices_lacks_nothing(tmp_path: Path) -> None:
    text = begun("GB").replace("address = []", 'address = ["A 1"]').replace("contact = []", 'contact = ["0555 0100"]')
    text = "\n".join(line for line in text.splitlines() if not line.startswith("#"))
    for line, own in (
        ("electrician = 45", "electrician = 46"),
        ("ladder = 25", "ladder = 24"),
        ("bird_mesh = ", "bird_mesh = 1"),
    ):
        assert line in text
        text = text.replace(line, own, 1)
    (tmp_path / "company.toml").write_text(text, encoding="utf-8")
    assert still_missing(load_company(tmp_path / "company.toml"), text, TODAY) == []


def test_reduced_rates_and_reverse_charge_stand_in_the_file_with_their_days(tmp_path: Path) -> None:
    """HMRC, VAT Notice 708/6: 0 % until 31 March 2027, 5 % from 1 April 2027."""
    text = begun("GB")
    assert "# 0 % from 2022-04-01 until 2027-03-31: installation of energy-saving materials" in text
    assert "# 5 % from 2027-04-01: the same from the end of the zero rate" in text
    assert "# Reverse charge from 2021-03-01: work on buildings for a builder" in text
    without = {code for code, country in countries().items() if not country.taxes}
    assert without == {"AU", "CH", "US"}  # whose file says in a sentence that there is none
    assert all("reduced_tax" in countries()[code].said for code in without)


@pytest.mark.parametrize(
    ("code", "rate", "day", "said"),
    [
        ("GB", "0", date(2027, 3, 31), None),
        ("GB", "0", date(2027, 4, 1), ("tax_over", date(2027, 3, 31))),
        ("GB", "0.05", date(2027, 3, 31), ("tax_not_begun", date(2027, 4, 1))),
        ("GB", "0.05", date(2027, 4, 1), None),
        ("AT", "0", TODAY, ("tax_over", date(2025, 3, 31))),  # Nationalrat, 7 March 2025
        ("DE", "0", TODAY, None),
    ],
)
def test_a_reduced_rate_that_does_not_hold_today_is_missing_another(
    code: str, rate: str, day: date, said: tuple[str, date] | None, tmp_path: Path
) -> None:
    text = re.sub(r"(?m)^sales_tax_rate = .*", f"sales_tax_rate = {rate}", begun(code))
    (tmp_path / "company.toml").write_text(text, encoding="utf-8")
    found = still_missing(load_company(tmp_path / "company.toml"), text, day)
    assert [(one.code, one.figures["day"]) for one in found if one.code.startswith("tax")] == ([said] if said else [])


def test_a_country_that_nobody_has_is_one_sentence_with_those_that_there_are() -> None:
    with pytest.raises(AftersunError, match="There is no start for the country 'NO'") as caught:
        country_of("NO")
    assert "AT, AU, BE, CH" in caught.value.hint


def test_each_country_has_a_usual_contract() -> None:
    for country in countries().values():
        tables = usual_tariffs(country)
        (tariff,) = tables["tariff"]
        assert {row["tariff_id"] for row in tables["tariff_period"]} <= {tariff["tariff_id"]}


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("sales_tax_rate = 21%", "line 2 reads 'sales_tax_rate = 21%'; write sales_tax_rate = 0.21"),
        ("markup_share = 0,25", "write markup_share = 0.25"),
        ("scaffold = 1.250,50", "write scaffold = 1250.5"),
        ("price_date = 31.03.2026", "write price_date = 2026-03-31"),
        ("prices_include_tax = yes", "write prices_include_tax = true"),
        ("name = Larkmoor Roofs", 'write name = "Larkmoor Roofs"'),
    ],
)
def test_a_slip_of_the_pen_is_shown_with_its_line_and_what_was_meant(line: str, said: str, tmp_path: Path) -> None:
    (tmp_path / "company.toml").write_text(f"[money]\n{line}\n", encoding="utf-8")
    with pytest.raises(AftersunError, match="not valid TOML") as caught:
        load_company(tmp_path / "company.toml")
    assert said in str(caught.value)


def test_a_share_in_quotes_is_told_as_the_number_that_was_meant(tmp_path: Path) -> None:
    (tmp_path / "company.toml").write_text(begun("ES").replace("= 0.21", '= "21 %"'), encoding="utf-8")
    with pytest.raises(AftersunError) as caught:
        load_company(tmp_path / "company.toml")
    assert "money.sales_tax_rate: is a text, '21 %'; write 0.21" in caught.value.hint


# A Friday and a Saturday in July that are no holidays: 1 kWh is bought in each hour from 0 to 10 and from 16 to 24,
# 2 kWh are exported in each from 10 to 16, so 18 kWh a day bought and 12 exported. Prices: country_tariffs.csv.
TWO_DAYS = pd.date_range("2001-07-06 00:30", periods=48, freq="h")
BILLS = {
    # 36 x 0.30 - 24 x 0.06
    "AT": (10.80, 1.44),
    # Friday 5 h peak at 0.50, 9 off-peak at 0.22, 4 at 0.30; Saturday 9 at 0.22, 9 at 0.30; 24 x 0.05
    "AU": (5.68 + 4.68, 1.20),
    # Friday 9 h by day at 0.36, 9 by night at 0.31; Saturday 18 at 0.31; 24 x 0.04
    "BE": (3.24 + 2.79 + 5.58, 0.96),
    # Friday 7 h high at 0.30, 11 low at 0.25; Saturday 18 at 0.25; 24 x 0.08
    "CH": (2.10 + 2.75 + 4.50, 1.92),
    # 36 x 0.36 - 24 x 0.08
    "DE": (12.96, 1.92),
    # Friday 8 h valle at 0.10, 6 llano at 0.15, 4 punta at 0.20; Saturday 18 valle; 24 x 0.06, below the month's charge
    "ES": (0.80 + 0.90 + 0.80 + 1.80, 1.44),
    # each day 8 h at 0.16 and 10 at 0.20; 24 x 0.04
    "FR": (2 * (1.28 + 2.00), 0.96),
    # 36 x 0.27 - 24 x 0.12
    "GB": (9.72, 2.88),
    # each day 2 h peak at 0.40, 9 night at 0.19, 7 at 0.36; 24 x 0.20
    "IE": (2 * (0.80 + 1.71 + 2.52), 4.80),
    # Friday 5 h of F1 at 0.30, 13 of F23 at 0.27; Saturday 18 at 0.27; 24 x 0.10
    "IT": (1.50 + 3.51 + 4.86, 2.40),
    # 36 x 0.27; netting: 24 kWh count at the import price
    "NL": (9.72, 6.48),
    # 36 x 1.10 - 24 x 0.25
    "PL": (39.60, 6.00),
    # each day 10 h at 0.13 and 8 at 0.24; 24 x 0.04
    "PT": (2 * (1.30 + 1.92), 0.96),
    # each day 5 h of summer peak at 0.58 and 13 at 0.35; 24 x 0.06
    "US": (2 * (2.90 + 4.55), 1.44),
}
AFTER = {"DE": 24 * 0.04, "FR": 24 * 0.04, "NL": 24 * 0.05}  # export income once today's rule has ended


def bill(code: str) -> Bill:
    """Return the bill of two days by a country's usual contract."""
    tables = usual_tariffs(country_of(code))
    (rule,) = (row for row in aftersun_datasets.rows("country_tariffs.csv") if row["country"] == code)
    (tariff,) = tables["tariff"]
    numbers = ["import_price", "export_price", "export_price_after", "generation_price"]
    site = {name: pd.array([float(tariff[name]) if tariff[name] else pd.NA], dtype="Float64") for name in numbers}
    for name in ("night_import_price", "night_from_hour", "night_until_hour", "gas_price", "oil_price", "lpg_price"):
        site[name] = pd.array([pd.NA], dtype="Float64")
    for name in ("export_rule", "export_rule_after"):
        site[name] = pd.array([rule[name] or pd.NA], dtype="str")
    for name in ("country", "time_zone", "holiday_region", "use", "water_heat"):
        site[name] = pd.array([pd.NA], dtype="str")
    for name in ("negative_hours_unpaid", "holidays_as_sundays", "reclaims_tax"):
        site[name] = pd.array([pd.NA], dtype="boolean")
    site |= dict.fromkeys(("district_heat_price", "self_use_price", "fixed_charge_per_year"), site["gas_price"])
    site |= dict.fromkeys(("peak_charge_per_kw", "block_kwh_per_month", "block_surcharge"), site["gas_price"])
    sites = pd.DataFrame(site).assign(
        tariff_id=tariff["tariff_id"], export_rule_until=pd.to_datetime([rule["export_rule_until"] or pd.NaT])
    )
    periods = pd.DataFrame(tables["tariff_period"])
    for name in ("from_month", "until_month", "from_hour", "until_hour", "import_price", "export_price"):
        if len(periods):
            periods[name] = pd.to_numeric(periods[name])
    priced, calendars = with_calendars(sites, PriceTables(periods=periods), TWO_DAYS, 0.0)
    sunny = (TWO_DAYS.hour >= 10) & (TWO_DAYS.hour < 16)
    columns = {column.name: np.zeros((1, 48)) for column in fields(Energy)}
    columns["imported"], columns["exported"] = np.where(sunny, 0.0, 1.0)[None], np.where(sunny, 2.0, 0.0)[None]
    columns["generated"] = columns["exported"]
    return yearly_bill(Energy(**columns), priced, TWO_DAYS, calendars)


@pytest.mark.parametrize("code", sorted(BILLS))
def test_a_bill_by_the_usual_contract_of_each_country_by_hand(code: str) -> None:
    cost, income = BILLS[code]
    made = bill(code)
    assert (made.import_cost[0], made.export_income[0]) == (pytest.approx(cost), pytest.approx(income))
    assert made.export_income_after[0] == pytest.approx(AFTER.get(code, income))
