"""A start for each country: what the file made holds, and that nothing of it goes unsaid."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from babel.languages import get_official_languages
from babel.numbers import get_territory_currencies

import aftersun_datasets
from aftersun.model.errors import AftersunError
from aftersun.model.figures import LETTER_LANGUAGES
from aftersun.money.company import Company, company_template, load_company
from aftersun.money.countries import FROM_MEMORY, countries, country_of, usual_tariffs
from aftersun.money.missing import still_missing

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


def begun(code: str) -> str:
    """Return a file of a country with what only its owner knows."""
    text = company_template(PRICES, country_of(code))
    return text.replace('name = ""', 'name = "A"').replace("= nan", "= 36")


def of_country(code: str, folder: Path) -> Company:
    (folder / "company.toml").write_text(begun(code), encoding="utf-8")
    return load_company(folder / "company.toml")


def test_the_countries_are_those_that_were_promised() -> None:
    assert set(countries()) == {"AT", "AU", "BE", "CH", "DE", "ES", "FR", "GB", "IE", "IT", "NL", "PT", "US"}


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
        marked = [name for name, said in country.said.items() if said.source.startswith(FROM_MEMORY)]
        missing = still_missing(of_country(code, tmp_path), text)
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
    assert still_missing(load_company(tmp_path / "company.toml"), text) == []


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
