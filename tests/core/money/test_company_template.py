"""The new company file: it loads once filled in, says where each figure comes from, takes plugins' items."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

import aftersun_datasets
from aftersun.model.change import COST_KINDS, YEARLY_KINDS
from aftersun.model.errors import AftersunError
from aftersun.model.ranges import Range
from aftersun.money.company import company_template, load_company
from aftersun.money.template import TRAVEL

PRICES = aftersun_datasets.rows("price_items.csv")
SETTINGS = aftersun_datasets.rows("money.csv")
PLUGIN_ROW = {
    "key": "gutter_guard",
    "kind": "material",
    "unit": "per m",
    "low": "2",
    "mode": "3.5",
    "high": "6",
    "price_date": "2026-02-01",
    "source": "assumption",
    "meaning": "guard invented for this test",
}


def filled_in(text: str) -> str:
    for old, new in {
        'name = ""': 'name = "Invented roof workshop"',
        'currency = "XXX"': 'currency = "EUR"',
        "base_latitude = nan": "base_latitude = 50.1",
        "base_longitude = nan": "base_longitude = 8.7",
    }.items():
        assert text.count(old) == 1
        text = text.replace(old, new)
    return text


def test_as_written_it_asks_for_exactly_what_is_to_be_filled_in(tmp_path: Path) -> None:
    path = tmp_path / "company.toml"
    path.write_text(company_template(PRICES), encoding="utf-8")
    with pytest.raises(AftersunError) as caught:
        load_company(path)
    places = [line.split(": ")[0] for line in caught.value.hint.splitlines()]
    assert places == ["company.name", "company.currency", "travel.base_latitude", "travel.base_longitude"]


def test_filled_in_it_loads_and_holds_every_price(tmp_path: Path) -> None:
    path = tmp_path / "company.toml"
    path.write_text(filled_in(company_template([*PRICES, PLUGIN_ROW])), encoding="utf-8")
    company = load_company(path)
    for row in [*PRICES, PLUGIN_ROW]:
        if row["kind"] != TRAVEL:
            assert company.price_of(row["kind"], row["key"]) == float(row["mode"])
    assert company.travel.road_factor == float(next(r["mode"] for r in PRICES if r["key"] == "road_factor"))
    assert company.money.real_discount_rate == float(SETTINGS[0]["mode"])


def test_every_figure_carries_its_range_unit_source_and_day() -> None:
    shown = "# guard invented for this test\n# per m; usually 2 to 6 (price of 2026-02-01); assumption\n"
    assert f"{shown}gutter_guard = 3.5\n" in company_template([PLUGIN_ROW])
    flat = re.sub(r"\s*\n#\s*", " ", company_template(PRICES))
    for row in [*PRICES, *SETTINGS]:
        assert f"usually {row['low']} to {row['high']}" in flat
        assert row["source"] in flat
        assert row["meaning"] in flat


def test_an_item_that_comes_twice_stands_once() -> None:
    assert company_template([PLUGIN_ROW, {**PLUGIN_ROW, "mode": "5"}]).count("gutter_guard =") == 1


@pytest.mark.parametrize("change", [{"kind": "gift"}, {"key": "gutter guard"}, {"key": ""}])
def test_a_row_that_cannot_stand_in_the_file_is_refused(change: dict[str, str]) -> None:
    with pytest.raises(AftersunError, match="cannot go into a company file"):
        company_template([{**PLUGIN_ROW, **change}])


def test_the_examples_in_the_remarks_name_what_exists(tmp_path: Path) -> None:
    text = filled_in(company_template(PRICES))
    head, examples = text.split("# Everything below", 1)
    live = "\n".join(line.removeprefix("# ") for line in examples.splitlines()[2:])
    assert set(tomllib.loads(live)) == {"assumptions", "facts", "system"}
    path = tmp_path / "company.toml"
    path.write_text(f"{head}\n{live}", encoding="utf-8")
    company = load_company(path)
    assert company.assumptions
    for retrofit, given in company.assumptions.items():
        known = {row["name"] for row in aftersun_datasets.rows(f"assumptions/{retrofit}.csv")}
        assert set(given) <= known
    assert set(company.facts) <= {row["id"] for row in aftersun_datasets.rows("facts.csv")}
    assert set(company.system) <= {row["name"] for row in aftersun_datasets.rows("system.csv")}


def test_price_items_are_ranges_of_known_kinds_with_a_source() -> None:
    keys = [(row["kind"], row["key"]) for row in PRICES]
    assert len(keys) == len(set(keys))
    for row in PRICES:
        assert Range.from_row(row).low >= 0
        assert row["kind"] in {*COST_KINDS, *YEARLY_KINDS, TRAVEL}
        assert re.fullmatch(r"\d{4}-\d{2}-\d{2}", row["price_date"])
        assert row["meaning"]


def test_the_ranges_that_are_published_stand_in_the_price_items() -> None:
    modes = {row["key"]: (float(row["low"]), float(row["mode"]), float(row["high"])) for row in PRICES}
    # common practice: access tower, scaffold on one side, structural check, diagnosis visit, data plan
    assert modes["tower"] == (150, 250, 400)
    assert modes["scaffold"] == (350, 600, 1200)
    assert modes["structural_check"] == (150, 350, 900)
    assert modes["diagnosis_visit"] == (150, 300, 600)
    assert modes["data_plan"] == (0, 20, 60)
    # UK trade page: GBP 60-100 per clean
    assert (modes["roof_cleaning"][0], modes["roof_cleaning"][2]) == (60, 100)


def test_settings_are_ranges_with_a_source() -> None:
    for row in SETTINGS:
        Range.from_row(row)
    assert len({row["name"] for row in SETTINGS}) == len(SETTINGS)
