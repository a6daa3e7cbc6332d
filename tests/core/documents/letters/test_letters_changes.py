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


OTHER = LetterFact("change_other")


@pytest.mark.parametrize(
    ("after", "change"),
    [
        (
            with_option(price=1100.5),
            ("change_price", MESH_OPTION | {"before": 1284.0, "after": 1100.5, "currency": "EUR"}),
        ),
        (with_option(notes=(*MESH.notes, ARC)), ("change_note_added", MESH_OPTION | {"text": ARC.text})),
        (with_option(notes=MESH.notes[1:]), ("change_note_gone", MESH_OPTION | {"text": MESH.notes[0].text})),
        (replace(LETTER, options=LETTER.options[1:]), ("change_option_gone", {"option": ("Hot water from surplus",)})),
        (replace(LETTER, dangers=(ARC,)), ("change_danger_added", {"text": ARC.text})),
        (
            replace(LETTER, valid_until=date(2027, 1, 1)),
            ("change_valid_until", {"before": "2026-07-03", "after": "2027-01-01"}),
        ),
    ],
)
def test_what_a_customer_must_know_is_told_once(after, change):
    code, values = change
    assert changes_between(LETTER, after) == (LetterFact(code, values),)


@pytest.mark.parametrize(
    "after",
    [
        with_option(npv_p10=-28.4),
        with_option(survey_first=(written("the ridge"),)),
        with_option(safety_remedial=True),
        replace(LETTER, system=LETTER.system[1:]),
        replace(LETTER, findings=()),
        replace(LETTER, remark="other"),
        replace(LETTER, customer=("X",)),
        replace(LETTER, price_date=date(2026, 6, 1)),
        replace(LETTER, as_of=date(2026, 6, 1)),
        replace(LETTER, losses=()),
    ],
)
def test_that_anything_else_changed_is_told_in_one_sentence(after):
    assert changes_between(LETTER, after) == (OTHER,)


def test_safety_comes_first_and_a_new_option_is_named():
    before = replace(LETTER, options=LETTER.options[1:])
    first, mesh, nothing = LETTER.options
    after = replace(LETTER, dangers=(RULES,), options=(first, replace(mesh, notes=(*mesh.notes, ARC)), nothing))
    assert changes_between(before, after) == (
        LetterFact("change_danger_added", {"text": RULES.text}),
        LetterFact("change_note_added", MESH_OPTION | {"text": ARC.text}),
        LetterFact("change_new_option", {"option": ("Hot water from surplus",)}),
    )


def test_no_safety_note_is_lost_beside_other_changes():
    after = replace(with_option(price=1100.5, years=14, notes=(*MESH.notes[1:], ARC)), dangers=(RULES,), remark="other")
    codes = [change.code for change in changes_between(LETTER, after)]
    assert codes == ["change_danger_added", "change_note_added", "change_note_gone", "change_price", "change_other"]


def test_a_notice_tells_of_dangers_alone_and_of_one_that_stands_that_it_does():
    again = replace(NOTICE, as_of=date(2026, 6, 1), price_date=date(2026, 6, 1))
    assert changes_between(NOTICE, again) == (LetterFact("change_none_still_stands"),)
    added = changes_between(NOTICE, replace(again, dangers=(ARC, HEIGHT)))
    assert added == (LetterFact("change_danger_added", {"text": HEIGHT.text}),)


def test_nothing_changed_says_nothing():
    assert changes_between(LETTER, replace(LETTER, version=2, made_on=date(2026, 6, 1), run_id="x")) == ()
