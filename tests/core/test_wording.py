"""What is printed for codes and figures: every code has its words, and sentences are made of the row alone."""

from __future__ import annotations

import re
from enum import StrEnum

import pandas as pd
import pytest

import aftersun_datasets
from aftersun import wording
from aftersun.model.codes import ContactRule, HourMethod, NotCalled, Obstacle, PlanStatus, Status
from aftersun.model.figures import Figures
from aftersun.wording import (
    call_text,
    capacity_text,
    not_called_text,
    reason_text,
    say,
    shortage_text,
    status_text,
    survey_text,
    when_text,
)

VALUED = {
    "npv": 1240.4, "upfront": 980.0, "first_year_saving": 310.2, "discounted_payback_years": 3.44, "years": 12.0,
    "for_safety": False, "quick_payback": False, "screening_reason": None, "variant": None, "change_remark": None,
    "remaining_years_assumed": None, "export_price_unknown": False, "fuel_price_unknown": False,
}  # fmt: skip
START = "Costs 980 EUR and brings 310 EUR in the first year"


@pytest.mark.parametrize(
    ("section", "codes"),
    [("status", Status), ("not_called", ContactRule), ("not_called", NotCalled), ("obstacle", Obstacle),
     ("plan", PlanStatus)],
)  # fmt: skip
def test_every_code_has_its_words(section: str, codes: type[StrEnum]) -> None:
    for code in codes:
        assert len(say(f"{section}.{code}", detail="90")) > 3
    assert HourMethod.RELAXED  # is not printed


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({}, f"{START}, paid back after 3.4 years: net benefit 1,240 EUR over 12 years."),
        ({"discounted_payback_years": None}, f"{START}: net benefit 1,240 EUR over 12 years."),
        ({"years": 1.0}, f"{START}, paid back after 3.4 years: net benefit 1,240 EUR over one year."),
        ({"years": 0.0}, "The PV system is planned to run for less than a year more."),
        ({"npv": -5.004, "years": 8.0}, f"{START}: 5.00 EUR short over 8 years."),
        (
            {"first_year_saving": -31.0, "npv": -1400.0},
            "Costs 980 EUR and loses 31 EUR in the first year: 1,400 EUR short over 12 years.",
        ),
    ],
)
def test_what_a_retrofit_does_for_its_owner(changed: dict[str, object], sentence: str) -> None:
    assert reason_text(VALUED | changed, "EUR") == sentence


def test_all_that_is_to_be_said_of_a_retrofit_in_order() -> None:
    row = VALUED | {
        "screening_reason": "look at the plugs. Look at the roof, too",
        "quick_payback": True,
        "variant": "diverter",
        "change_remark": "never in the nesting season",
        "remaining_years_assumed": 14.2,
        "export_price_unknown": True,
        "fuel_price_unknown": True,
    }
    assert survey_text(row) == (
        "it would pay back within a year, which is seldom true; check the facts and prices of this site; "
        "look at the plugs. Look at the roof, too"
    )
    assert reason_text(row, "EUR").removeprefix(reason_text(VALUED, "EUR")) == (
        f" Subject to survey: {survey_text(row)}. Best way: diverter. Never in the nesting season. "
        "Remaining life not known, 14 years assumed. Export price not known, counted as nothing. "
        "Fuel price not known, counted as nothing."
    )


@pytest.mark.parametrize(("assumed", "said"), [(True, "is assumed to end"), (False, "ends")])
def test_the_end_of_the_export_rule_is_told_with_the_worth_without_it(assumed: bool, said: str) -> None:
    row = VALUED | {"rule_ends_in_years": 8.04, "rule_end_assumed": assumed, "npv_if_rule_stays": -1530.2}
    row |= {"export_price_after_unknown": True}
    assert reason_text(row, "EUR").removeprefix(reason_text(VALUED, "EUR")) == (
        f" Today's export rule or support {said} in 8.0 years; "
        "if it stayed as it is, the net benefit would be -1,530 EUR. "
        "What a kWh exported is paid once today's export rule has ended is not known, counted as nothing."
    )


def test_what_is_worth_nothing_needs_no_survey_unless_it_ends_a_danger() -> None:
    row = VALUED | {"npv": -1.0, "screening_reason": "look first"}
    assert survey_text(row) == ""
    assert survey_text(row | {"for_safety": True}) == "look first"


def test_what_was_not_valued_says_why() -> None:
    row = {"npv": pd.NA, "obstacle": None, "screening_reason": "thin film degrades in other ways"}
    assert reason_text(row, "EUR") == "Thin film degrades in other ways."
    assert survey_text(row) == ""
    assert (
        reason_text(row | {"obstacle": Obstacle.TOO_FAR}, "EUR") == "Beyond the farthest distance the company drives."
    )


def test_a_reason_that_an_older_run_stored_is_told_as_it_is() -> None:
    assert reason_text(VALUED | {"reason": "As it was."}, "EUR") == "As it was."


MESH = VALUED | {"retrofit": "bird_mesh", "title": "Bird mesh", "summary": "Mesh around the modules"}


@pytest.mark.parametrize("npv", [-900.0, 0.0])
def test_of_a_hazard_nothing_is_sold_and_the_price_is_told_if_asked(npv: float) -> None:
    offer = {"npv": npv, "must_call": True, "upfront": 950.0, "decided": 950.0, "yearly_saving": 3.0, "years": 9}
    said = call_text(offer, [MESH], "EUR", hazards=["A hot plug has been seen."])
    assert said.startswith("I am calling about your safety, not to sell you anything.")
    assert "A hot plug has been seen." in said
    assert said.endswith("(Only if you are asked: it costs 950 EUR, tax included.)")
    assert not {"Bird mesh", "recommend", "save"} & set(said.split())


def test_what_to_say_of_one_retrofit_and_of_several() -> None:
    offer = {
        "npv": 700.0, "npv_p90": 210.0, "must_call": False, "upfront": 2000.0, "decided": 2000.0, "if_needed": 0.0,
        "yearly_saving": 9.5, "years": 12,
    }  # fmt: skip
    assert call_text(offer, [MESH], "EUR").startswith(
        "For your solar system we recommend Bird mesh: mesh around the modules. It costs 2,000 EUR, tax included, and "
        "should save you about 9.50 EUR a year over 12 years. After its price you should be about 700 EUR better off, "
        "in nine cases out of ten by more than 210 EUR."
    )
    loses = call_text(offer | {"npv_p90": -40.0}, [MESH, MESH | {"title": "PID recovery"}], "EUR")
    assert "In the same visit we would do PID recovery: mesh around the modules." in loses
    assert "700 EUR better off on average, but in one case out of ten you would lose more than 40 EUR by it." in loses
    # of 2,000 EUR on average 48 are for a valve of 96 EUR that every second house needs
    parted = offer | {"decided": 1952.0, "if_needed": 96.0, "items": ("mixing_valve",)}
    assert (
        "It costs 1,952 EUR and up to 96 EUR more for parts that we fit only if they are needed (mixing valve), tax "
        "included, and should save you about 9.50 EUR a year over 12 years. After its price you should be about 700 EUR"
    ) in call_text(parted, [MESH], "EUR")


def test_what_ends_a_hazard_is_not_sold_though_it_pays_and_what_else_is_offered_comes_after_it() -> None:
    offer = {
        "npv": 700.0, "must_call": True, "upfront": 950.0, "decided": 950.0, "if_needed": 0.0, "yearly_saving": 90.0,
        "years": 12,
    }  # fmt: skip
    alone = call_text(offer, [MESH], "EUR", hazards=["A hot plug has been seen."])
    assert alone.endswith("(Only if you are asked: it costs 950 EUR, tax included.)")
    assert "recommend" not in alone
    beside = call_text(offer | {"must_call": False}, [MESH], "EUR", hazards=["A hot plug has been seen."])
    assert beside.index("A hot plug") < beside.index("That was the safety matter.") < beside.index("we recommend")


def test_what_is_asked_first_is_asked_in_the_call_and_its_figures_hold_if_the_answers_allow_it() -> None:
    offer = {
        "npv": 300.0, "chance_allowed": 0.5, "upfront": 900.0, "decided": 900.0, "if_needed": 0.0,
        "yearly_saving": 80.0, "years": 12,
    }  # fmt: skip
    said = call_text(offer, [MESH], "EUR", questions=["What heats the water now?"])
    assert "It costs 900 EUR, tax included, and if it suits your house it should save you about 80 EUR a year" in said
    assert not re.search(r"\b[36]00 EUR|better off", said)  # the mean over all answers is the cell's, and the only one
    assert "may I ask you first: What heats the water now?" in said


def test_details_of_why_a_site_is_not_called() -> None:
    assert not_called_text("quiet_period", "90") == "the last contact was less than 90 days ago"
    short = not_called_text("short_of_capacity", "hours_roofer, visits_edge_protection, materials_cash")
    assert short == "not enough roofer hours, visits with edge protection, cash for materials"


def test_what_is_no_code_is_told_as_it_is() -> None:
    assert (status_text("odd"), not_called_text("a sentence"), capacity_text("roofer hours")) == (
        "odd", "a sentence", "roofer hours",
    )  # fmt: skip


def test_when_a_cost_is_paid() -> None:
    rows = [(0, False), (2, False), (0, True), (0, pd.NA)]
    told = [when_text({"in_year": year, "every_year": yearly}) for year, yearly in rows]
    assert told == ["once", "after 2 years", "every year", "once"]


def test_what_safety_matters_are_short_of() -> None:
    rows = [{"name": "hours_crew", "short": 3.25}, {"name": "visits_tower", "short": 0.0}]
    assert "more than can be booked: 3.25 of crew hours are missing" in shortage_text(rows)
    assert shortage_text(rows[1:]) == ""


def test_another_language_is_another_file_with_the_same_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    english = wording._texts("en")
    german = {section: {key: f"de {text}" for key, text in texts.items()} for section, texts in english.items()}
    monkeypatch.setattr(wording, "_texts", {"en": english, "de": german}.__getitem__)
    assert status_text(Status.FAILED, "de") == "de failed"
    written = Figures("de", ",", ".")
    assert reason_text(VALUED, "EUR", written).startswith("De de costs 980 EUR")
    assert "1.240 EUR" in reason_text(VALUED, "EUR", written)


def test_a_language_without_a_file_is_english() -> None:
    assert status_text(Status.RECOMMENDED, "tlh") == status_text(Status.RECOMMENDED)


def test_all_figures_of_the_templates_are_named() -> None:
    text = aftersun_datasets.path("wording/en.toml").read_text(encoding="utf-8")
    assert not re.findall(r"\{\d*(?:[:!][^{}]*)?\}", text)  # by name, so that another language may order them anew


def test_what_is_asked_first_says_the_mean_over_all_answers_and_what_holds_if_they_allow_it() -> None:
    row = {
        "status": "ask_first", "chance_allowed": 0.4, "npv": 500.0, "years": 12, "upfront": 1170.0,
        "first_year_saving": 248.0, "discounted_payback_years": 5.2,
    }  # fmt: skip
    text = reason_text(row, "EUR")
    assert text.startswith(
        "Ask first: the answers allow it with a chance of 40 %, and over all answers the net benefit is 500 EUR"
    )
    assert "paid back after 5.2 years: net benefit 1,250 EUR over 12 years" in text  # 500 / 0.4
