"""Rules of the README, followed from the run to the list of calls, the call sheet and the letter."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from call_sheet_support import rows, written
from run_support import plugin, small

from aftersun.documents.letters.compose import Choices, compose
from aftersun.documents.run_view import RunView
from aftersun.inventory.store.file import Inventory
from aftersun.model.codes import Status
from aftersun.model.errors import AftersunError
from aftersun.money.company import Company
from aftersun.scoring.run.demo import Demo
from aftersun.scoring.run.rank import rank
from aftersun.wording import reason_text, status_text

DAY = date(2026, 6, 2)
LEAST_CHANCE = 0.8  # of the demo's company, as the README says


@pytest.fixture(scope="module")
def inventory(demo: Demo) -> Iterator[Inventory]:
    with Inventory.open(demo.inventory, read_only=True) as opened:
        yield opened


def advice_in(book: Any) -> dict[tuple[str, str], dict[str, Any]]:
    """Return the rows of the sheet that says what is advised, by site and title."""
    sheets = [rows(sheet) for sheet in book if sheet.title not in ("Calls", "call_log") and sheet.auto_filter.ref]
    told = [row for sheet in sheets for row in sheet if {"site", "retrofit", "status"} <= {*row}]
    return {(row["site"], row["retrofit"]): row for row in told}


@pytest.fixture
def uncertain(inventory: Inventory) -> pd.DataFrame:
    """Site and retrofit of what is worth something, but with a chance below the least, and ends no known danger."""
    ranking = RunView(inventory).table("ranking")
    gain = (ranking["npv"] > 0) & (ranking["chance_npv_positive"] < LEAST_CHANCE)
    mine = ranking[gain & ~ranking["for_safety"].fillna(False) & (ranking["status"] != Status.ASK_FIRST)]
    assert len(mine) >= 1
    return mine[["site_id", "retrofit", "status"]]


def test_what_is_too_uncertain_is_called_so_and_is_no_offer_and_no_call(
    inventory: Inventory, uncertain: pd.DataFrame
) -> None:
    view = RunView(inventory)
    assert set(uncertain["status"]) == {Status.TOO_UNCERTAIN}
    never = set(zip(uncertain["site_id"], uncertain["retrofit"], strict=True))
    members = view.table("offer_member")
    assert len(members)
    assert not never & set(zip(members["site_id"], members["retrofit"], strict=True))
    calls = view.calls()
    assert len(calls)
    assert not never & set(zip(calls["site_id"], calls["retrofit"], strict=True))


@pytest.mark.slow
def test_what_is_too_uncertain_stands_in_the_call_sheet_with_that_word_and_in_no_call(
    inventory: Inventory, uncertain: pd.DataFrame, tmp_path: Path
) -> None:
    view = RunView(inventory)
    book = written(view, tmp_path)
    titles = view.titles()
    never = {(row.site_id, titles[row.retrofit]) for row in uncertain.itertuples()}
    shown = {pair: row["status"] for pair, row in advice_in(book).items()}
    assert {shown[pair] for pair in never} == {status_text(Status.TOO_UNCERTAIN)}
    both = zip(rows(book["Details"]), rows(book["Calls"]), strict=True)
    offered = [(details["site"], call["offer, price with tax"].rpartition(", ")[0]) for details, call in both]
    best = [(site, part) for site, offer in offered for part in offer.split(" and ")]
    assert len(best)
    assert not never & set(best)


@pytest.mark.slow
def test_no_letter_offers_what_is_too_uncertain_even_if_asked(inventory: Inventory, uncertain: pd.DataFrame) -> None:
    view = RunView(inventory)
    sold = set(view.table("offer")["site_id"])
    for row in uncertain.itertuples():
        with pytest.raises(AftersunError, match="never for sale"):
            compose(inventory, view, [row.site_id], Choices(options=(row.retrofit,), asked_for=True), DAY)
        if row.site_id in sold:
            (letter,) = compose(inventory, view, [row.site_id], Choices(asked_for=True), DAY).letters
            assert not any(row.retrofit in option.offer.split("+") for option in letter.options)


def test_the_way_is_a_cost_and_no_source_of_margin(inventory: Inventory, company: Company) -> None:
    """A contribution is of work and charges alone; owners pay the way as far as it is driven, the company the rest."""
    view = RunView(inventory)
    offers = view.table("offer").set_index(["site_id", "offer"])
    items = view.table("cost_item").query("in_year == 0 and not every_year")
    cost = items[items["kind"] != "travel"].groupby(["site_id", "retrofit"])["cost"].sum().reindex(offers.index)
    reserve = company.calls.warranty_reserve_share * cost * (1 + company.money.markup_share)
    reserve += company.calls.callback_chance * offers["trip_cost"]
    margin = company.money.markup_share * cost - reserve
    charges = view.table("cost_item").query("every_year and kind in ['standing', 'labour']")
    a_year = charges.groupby(["site_id", "retrofit"])["cost"].sum().reindex(offers.index).fillna(0.0)
    stays = offers["years"].clip(upper=5)  # whole years, of those that a customer stays
    years = (1 - (1 + company.money.real_discount_rate) ** -stays) / company.money.real_discount_rate
    margin += company.money.markup_share * a_year * years
    assert (a_year > 0).any()
    pd.testing.assert_series_equal(offers["contribution"], margin, check_names=False)
    calls = view.calls()
    expected = calls["chance_of_yes"] * calls["contribution"] - company.calls.cost_per_call
    pd.testing.assert_series_equal(calls["expected_value"], expected, check_names=False)
    (month,) = view.table("run_plan").to_dict("records")
    assert month["value"] == pytest.approx(calls["expected_value"].sum() - month["travel_cost"] + month["travel_paid"])
    trips = calls.merge(offers["trip_cost"], left_on=["site_id", "retrofit"], right_index=True)["trip_cost"]
    assert 0 < month["travel_paid"] <= month["travel_cost"] < trips.sum()  # neighbours share a round


@pytest.mark.slow
def test_what_would_pay_back_within_a_year_is_told_to_whoever_reads(tmp_path: Path) -> None:
    made = small(tmp_path / "made", 1, keep=(), last="S0127")
    boost = "plant = plant.replace(transmittance=np.sqrt(plant.transmittance))"
    rank(made.inventory, made.settings(plugin_folder=plugin(tmp_path / "plugins", change=boost)))
    with Inventory.open(made.inventory, read_only=True) as inventory:
        view = RunView(inventory)
        (row,) = view.table("ranking").to_dict("records")
        assert row["discounted_payback_years"] < 1
        assert row["status"] == Status.SUBJECT_TO_SURVEY
        warning = "pay back within a year, which is seldom true; check the facts and prices of this site"
        assert warning in reason_text(row, "EUR")
        (advice,) = advice_in(written(view, tmp_path / "sheet")).values()
        assert any(warning in str(cell) for cell in advice.values())
        (letter,) = compose(inventory, view, ["S0127"], Choices(), DAY).letters
        conditions = [condition.code for option in letter.options for condition in option.survey_first]
        assert conditions == ["survey_quick_payback"]
