"""What changed from one version of a letter to the next, as codes and figures."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from letter_support import ARC, HEIGHT, LETTER, MESH, NOTICE, RULES, written

from aftersun.documents.letters.changes import changes_between
from aftersun.model.letter import LetterFact

MESH_OPTION = {"option": ("Bird mesh",)}


def with_option(**changes):
    """Return the letter with something else about the mesh, which costs 1,284 and is worth -240.3 as likely as not."""
    first, _, nothing = LETTER.options
    return replace(LETTER, options=(first, replace(MESH, **changes), nothing))


def days(code, before, after):
    return (code, {"before": before, "after": after})


SIZE, OTHER_SIZE = LETTER.system[0], LetterFact("fact_size", {"kw": 6.0})
SIZE_LABEL = LetterFact("fact_size_label")


@pytest.mark.parametrize(
    ("after", "change"),
    [
        (
            with_option(price=1100.5),
            ("change_price", MESH_OPTION | {"before": 1284.0, "after": 1100.5, "currency": "EUR"}),
        ),
        (
            with_option(npv_p50=-28.4),
            ("change_net_worth", MESH_OPTION | {"before": -240.3, "after": -28.4, "currency": "EUR"}),
        ),
        (with_option(npv_p90=-900.0), ("change_range", MESH_OPTION)),
        (with_option(notes=(*MESH.notes, ARC)), ("change_note_added", MESH_OPTION | {"text": ARC.text})),
        (with_option(notes=MESH.notes[1:]), ("change_note_gone", MESH_OPTION | {"text": MESH.notes[0].text})),
        (
            with_option(survey_first=(written("the ridge"),)),
            ("change_survey", MESH_OPTION | {"survey": (written("the ridge"),)}),
        ),
        (with_option(years=14), ("change_years", MESH_OPTION | {"before": 15, "after": 14})),
        (with_option(safety_remedial=True), ("change_safety_remedial", MESH_OPTION)),
        (replace(LETTER, options=LETTER.options[1:]), ("change_option_gone", {"option": ("Hot water from surplus",)})),
        (replace(LETTER, dangers=(ARC,)), ("change_danger_added", {"text": ARC.text})),
        (
            replace(LETTER, system=(OTHER_SIZE, *LETTER.system[1:])),
            ("change_fact", {"label": SIZE_LABEL, "before": SIZE, "after": OTHER_SIZE}),
        ),
        (replace(LETTER, system=LETTER.system[1:]), ("change_fact_unknown", {"label": SIZE_LABEL, "before": SIZE})),
        (replace(LETTER, findings=()), ("change_findings", {})),
        (replace(LETTER, remark="other"), ("change_remark", {})),
        (replace(LETTER, customer=("X",)), ("change_address", {})),
        (replace(LETTER, price_date=date(2026, 6, 1)), days("change_price_date", "2026-04-15", "2026-06-01")),
        (replace(LETTER, as_of=date(2026, 6, 1)), days("change_as_of", "2026-05-01", "2026-06-01")),
        (replace(LETTER, valid_until=date(2027, 1, 1)), days("change_valid_until", "2026-07-03", "2027-01-01")),
        (replace(LETTER, losses=()), ("change_none_as_printed", {})),
    ],
)
def test_each_change_is_told_once(after, change):
    code, values = change
    assert changes_between(LETTER, after) == (LetterFact(code, values),)


def test_of_what_is_named_for_safety_alone_no_gain_is_told():
    before = with_option(safety_remedial=True)
    assert changes_between(before, with_option(safety_remedial=True, npv_p50=500.0, npv_p10=900.0)) == (
        LetterFact("change_none_as_printed"),
    )


def test_safety_comes_first_and_a_new_option_is_named():
    before = replace(LETTER, options=LETTER.options[1:])
    after = replace(LETTER, dangers=(RULES,))
    assert changes_between(before, after)[:2] == (
        LetterFact("change_danger_added", {"text": RULES.text}),
        LetterFact("change_new_option", {"option": ("Hot water from surplus",)}),
    )


def test_a_notice_tells_of_dangers_alone_and_of_one_that_stands_that_it_does():
    again = replace(NOTICE, as_of=date(2026, 6, 1), price_date=date(2026, 6, 1))
    assert changes_between(NOTICE, again) == (LetterFact("change_none_still_stands"),)
    added = changes_between(NOTICE, replace(again, dangers=(ARC, HEIGHT)))
    assert added == (LetterFact("change_danger_added", {"text": HEIGHT.text}),)


def test_of_a_letter_from_before_there_were_codes_the_sentences_are_not_compared():
    old = replace(LETTER, system=(written("5.2 kW"),), findings=(written("x"),), weather=written("y"), questions=())
    assert changes_between(old, LETTER) == (LetterFact("change_none_as_printed"),)
    assert [one.code for one in changes_between(old, with_option(price=1100.5))] == ["change_price"]


def test_nothing_changed_says_nothing():
    assert changes_between(LETTER, replace(LETTER, version=2, made_on=date(2026, 6, 1), run_id="x")) == ()
