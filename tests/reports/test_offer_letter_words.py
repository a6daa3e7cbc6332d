"""The words of the offer letter: a sentence for each code, in each of its languages."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from importlib.resources import files

import pytest
from letter_support import HEAD

from aftersun import api
from aftersun.energy.losses import _CONSTANT, _STEPS
from aftersun.energy.readings.checks import FINDINGS
from aftersun_reports.offer_letter import OfferLetter
from aftersun_reports.offer_letter.wording import Words, english, words_in

PLACEHOLDER = re.compile(r"\{\w+(?::[^{}]*)?\}")


def words(head: api.Letterhead = HEAD) -> Words:
    return Words(head, "EUR", [0.5])


def said(code: str, head: api.Letterhead = HEAD, **values: object) -> str:
    return words(head).say(api.LetterFact(code, values)).replace("\u00a0", " ").replace("\u2212", "-")  # type: ignore[arg-type]


IN_GERMAN = replace(HEAD, language="de", decimal_mark=",", thousands_mark=".", date_format="%d. %B %Y")


def part(code: str, **values: object) -> api.LetterFact:
    return api.LetterFact(code, values)  # type: ignore[arg-type]


def slots(text: str) -> list[str]:
    """Return what is filled in and how it is written; the word that stands between several is the language's own."""
    return sorted(re.sub(r": \w+ \}", ": and }", slot) for slot in PLACEHOLDER.findall(text))


def optional(text: str) -> list[list[str]]:
    return sorted(slots(part) for part in re.findall(r"\[([^\[\]]*)\]", text))


@pytest.mark.parametrize("language", api.LETTER_LANGUAGES)
def test_each_language_has_every_text_with_the_same_figures_in_it(language: str) -> None:
    texts = words_in(language)
    assert texts.keys() == english().keys()
    different = [
        key
        for key, text in english().items()
        if slots(text) != slots(texts[key]) or optional(text) != optional(texts[key]) or bool(text) != bool(texts[key])
    ]
    assert different == []


def codes_of_data() -> Iterator[str]:
    yield from (f"finding_reading_{code}" for code in FINDINGS)
    dictionary = files("aftersun.inventory").joinpath("columns.csv").read_text(encoding="utf-8").splitlines()
    (heaters,) = (row["choices"] for row in csv.DictReader(dictionary) if row["name"] == "water_heat")
    yield from (f"heater_{heater.replace(' ', '_')}" for heater in heaters.split("|"))
    yield from (f"loss_{step}_kwh" for step in _STEPS if step not in _CONSTANT)  # the constant ones are told as one


def test_every_check_heater_and_loss_has_words() -> None:
    assert [code for code in codes_of_data() if not words().has(code)] == []


@pytest.mark.parametrize(
    ("text", "code", "values"),
    [
        ("5.2 kW in 14 modules", "fact_size", {"kw": 5.2, "modules": 14}),
        ("5.25 kW", "fact_size", {"kw": 5.25}),
        ("2025 (1 year)", "fact_age", {"since": "2025", "n": 1}),
        ("2014 (12 years)", "fact_age", {"since": "2014", "n": 12}),
        ("not known", "fact_age", {"since": part("not_known")}),
        ("not known, taken as usual", "fact_faces", {"faces": (part("face_assumed"),)}),
        ("not known, reckoned from modules or inverter", "fact_size", {"assumed": part("size_assumed")}),
        (
            "south-west, tilted 30 degrees; east, tilted 10 degrees",
            "fact_faces",
            {
                "faces": (
                    part("face", compass=part("compass_south_west"), tilt_deg=30.0),
                    part("face", compass=part("compass_east"), tilt_deg=10.0),
                )
            },
        ),
        ("4.6 kW, fitted in 2019", "fact_inverter", {"kw": 4.6, "year": "2019"}),
        ("fitted in 2019", "fact_inverter", {"year": "2019"}),
        ("LPG boiler, store of 150 litres", "fact_hot_water", {"heater": part("heater_lpg_boiler"), "litres": 150}),
        ("not known, 3,500 kWh a year assumed", "fact_demand", {"assumed": part("demand_assumed", kwh=3500.0)}),
        ("4,321 kWh a year", "fact_demand", {"kwh": 4321.0}),
        (
            "From your system of 5 kW, in use since 2014 (12 years), we expect 4,900 kWh in a year of typical weather.",
            "finding_expected",
            {"kw": 5.0, "since": "2014", "n": 12, "kwh": 4900.4},
        ),
        (
            "From your system of 5 kW in 14 modules we expect 4,900 kWh in a year of typical weather.",
            "finding_expected",
            {"kw": 5.0, "modules": 14, "kwh": 4900.4},
        ),
        (
            "Of this 40 % are used at once on site, 60 % are fed into the grid.",
            "finding_used",
            {"shares": (part("share_used", share=0.4), part("share_exported", share=0.6))},
        ),
        (
            "Your meter readings of 2.0 years show 84 % of what the weather lets us expect, give or take 3 %; where "
            "they are sure enough, our figures are corrected by them.",
            "finding_meters",
            {"n": 2.0, "share": 0.84, "se_share": 0.03},
        ),
        ("The yield changes by -2.0 % a year.", "finding_trend", {"share_per_year": -0.02}),
        (
            "gaps: 2, together 11.0 days, 3.0 % of the time",
            "finding_reading_gap",
            {"readings": 2, "days": 11.0, "share": 0.0301},
        ),
        (
            "the producing time lies 1.5 h too early for the sun",
            "finding_reading_clock",
            {"readings": 9, "hours_early": 1.5},
        ),
        (
            "The largest losses on the way from light to electricity: soiling (dust and dirt) (3.4 %), bird soiling "
            "(1.0 %, average, not known whether at yours).",
            "finding_largest_losses",
            {
                "losses": (
                    part("largest_loss", step=part("loss_soiling_kwh"), share=0.0341),
                    part(
                        "largest_loss",
                        step=part("loss_droppings_kwh"),
                        share=0.01,
                        chance=part("loss_by_chance"),
                    ),
                )
            },
        ),
        (
            "A typical year of the weather station 723170, 19 km away, 14 m lower; standard deviation of the year's "
            "light 6 %.",
            "weather_station",
            {"station": "723170", "km": 19.2, "lower_m": 14.0, "sd_share": 0.06},
        ),
        (
            "No more electricity; 1,749 kWh a year go into hot water instead of being exported.",
            "computed_no_gain",
            {"heat": part("heat_of_surplus", kwh=1749.0)},
        ),
        (
            "+1.25 % of the yield, +50 kWh a year, when new.",
            "computed_gain",
            {"share": 0.0125, "kwh": 50.0},
        ),
        (
            "No more electricity; 1,882 kWh a year go into hot water, 720 kWh a year less are exported.",
            "computed_no_gain",
            {
                "heat": part("heat", kwh=1882.0, less_exported_kwh=720.0),
            },
        ),
        (
            "Bird mesh and New connectors: the price changed from 1,284.00 to 1,100.50 EUR.",
            "change_price",
            {"option": ("Bird mesh", "New connectors"), "before": 1284.0, "after": 1100.5, "currency": "EUR"},
        ),
        (
            "It holds until 1 January 2027 instead of 3 July 2026.",
            "change_valid_until",
            {"before": "2026-07-03", "after": "2027-01-01"},
        ),
        ("hot joints", "loss_hot_joints_kwh", {}),  # a step that the words do not know yet
    ],
)
def test_a_fact_is_a_sentence(text: str, code: str, values: dict[str, object]) -> None:
    assert said(code, **values) == text


def test_braces_and_brackets_in_a_text_of_others_stay_as_they_are() -> None:
    assert said("survey", text="[{kwh}] {text}") == "[{kwh}] {text}"


def test_the_same_facts_in_german_have_the_words_marks_and_months_of_german() -> None:
    values = {"option": ("Gitter",), "before": 1284.0, "after": 1100.5, "currency": "EUR"}
    assert said("change_price", IN_GERMAN, **values) == "Gitter: Der Preis war 1.284,00 und ist nun 1.100,50 EUR."
    days = {"before": "2026-03-03", "after": "2027-05-01"}
    assert said("change_valid_until", IN_GERMAN, **days) == "Es gilt bis 01. Mai 2027 statt bis 03. März 2026."
    face = part("face", compass=part("compass_south_west"), tilt_deg=30.0)
    assert said("fact_faces", IN_GERMAN, faces=(face,)) == "Südwest, 30 Grad geneigt"


def test_an_output_tells_its_english_texts_so_that_what_a_language_file_lacks_is_said() -> None:
    assert OfferLetter().words == english()


def test_every_item_of_the_price_book_has_a_name() -> None:
    rows = csv.DictReader(files("aftersun_datasets").joinpath("price_items.csv").read_text("utf-8").splitlines())
    kinds = {"labour", "access", "inspection", "material"}  # what stands in a price
    assert [row["key"] for row in rows if row["kind"] in kinds and f"item_{row['key']}" not in english()] == []


def test_the_customer_s_language_goes_before_the_company_s_with_marks_of_its_own() -> None:
    own = replace(HEAD, words={"closing": "Bye"}, country="AT")
    company, customer = Words(own, "EUR", [0.5]), Words(own, "EUR", [0.5], "de")
    assert (company("closing"), customer("closing")) == ("Bye", "Mit freundlichen Grüßen")
    # in Austria the currency stands before the amount and the first month is called Jänner (CLDR, de_AT)
    assert customer.figures.exact(1234.5).replace("\u00a0", " ") == "EUR 1.234,50"
    assert customer.figures.day(date(2026, 1, 4)).replace("\u00a0", " ") == "4. Jänner 2026"
    assert Words(own, "EUR", [0.5], "nl").figures.exact(1234.5).replace("\u00a0", " ") == "EUR 1.234,50"


def test_a_note_without_a_translation_stays_english_and_says_so() -> None:
    french = Words(HEAD, "EUR", [0.5], "fr")
    assert french.note("Keep off the flux.") == "(en anglais, pas encore traduit) Keep off the flux."
    assert Words(HEAD, "EUR", [0.5]).note("Keep off the flux.") == "Keep off the flux."
