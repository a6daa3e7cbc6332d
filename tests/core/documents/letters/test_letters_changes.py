"""What changed from one version of a letter to the next, in words that a customer understands."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from letter_support import ARC, HEIGHT, LETTER, MESH, NOTICE, RULES

from aftersun.documents.letters.changes import NOTHING_LARGE, STILL_STANDS, changes_between
from aftersun.documents.letters.texts import Figures

ENGLISH, GERMAN = Figures(".", ","), Figures(",", ".")


def with_option(**changes):
    """Return the letter with something else about the mesh, which costs 1,284 and is worth -240.3 as likely as not."""
    first, _, nothing = LETTER.options
    return replace(LETTER, options=(first, replace(MESH, **changes), nothing))


@pytest.mark.parametrize(
    ("after", "said"),
    [
        (with_option(price=1100.5), "Bird mesh: the price changed from 1,284.00 to 1,100.50 EUR."),
        (with_option(npv_p50=-28.4), "Bird mesh: what is left of it after its price changed from -240 to -28 EUR."),
        (with_option(npv_p90=-900.0), "Bird mesh: the range of what it should bring changed."),
        (with_option(notes=(*MESH.notes, ARC)), f"Bird mesh: a safety note was added: {ARC.text}"),
        (with_option(notes=MESH.notes[1:]), f"Bird mesh: a safety note no longer applies: {MESH.notes[0].text}"),
        (
            with_option(survey_first="the ridge"),
            "Bird mesh: to be looked at before the price holds is now: the ridge.",
        ),
        (with_option(years=14), "Bird mesh: it is counted over 14 instead of 15 years."),
        (replace(LETTER, options=LETTER.options[1:]), "No longer proposed: Hot water from surplus."),
        (replace(LETTER, dangers=(ARC,)), f"A known danger at your system was added: {ARC.text}"),
        (
            replace(LETTER, system=(replace(LETTER.system[0], value="6 kW"), *LETTER.system[1:])),
            "Your system: size is 6 kW instead of 5.2 kW in 14 modules.",
        ),
        (
            replace(LETTER, system=LETTER.system[1:]),
            "No longer taken as known of your system: size 5.2 kW in 14 modules.",
        ),
        (replace(LETTER, findings=()), "What we know of your system changed."),
        (replace(LETTER, remark="other"), "Our personal remark is another one."),
        (replace(LETTER, customer=("X",)), "Your name or address was corrected."),
        (replace(LETTER, price_date=date(2026, 6, 1)), "Prices are those of 2026-06-01 instead of 2026-04-15."),
        (replace(LETTER, as_of=date(2026, 6, 1)), "It was calculated as of 2026-06-01 instead of 2026-05-01."),
        (replace(LETTER, valid_until=date(2027, 1, 1)), "It holds until 2027-01-01 instead of 2026-07-03."),
        (replace(LETTER, losses=()), NOTHING_LARGE),
    ],
)
def test_each_change_is_one_sentence(after, said):
    assert changes_between(LETTER, after, ENGLISH) == (said,)


def test_safety_comes_first_and_a_new_option_is_named():
    before = replace(LETTER, options=LETTER.options[1:])
    after = replace(LETTER, dangers=(RULES,))
    said = changes_between(before, after, ENGLISH)
    assert said[0].startswith("A known danger")
    assert said[1] == "New option: Hot water from surplus."


def test_a_notice_tells_of_dangers_alone_and_of_one_that_stands_that_it_does():
    again = replace(NOTICE, as_of=date(2026, 6, 1), price_date=date(2026, 6, 1))
    assert changes_between(NOTICE, again, ENGLISH) == (STILL_STANDS,)
    added = changes_between(NOTICE, replace(again, dangers=(ARC, HEIGHT)), ENGLISH)
    assert added == (f"A known danger at your system was added: {HEIGHT.text}",)


def test_amounts_are_written_with_the_companys_marks():
    said = changes_between(LETTER, with_option(price=1100.5), GERMAN)
    assert said == ("Bird mesh: the price changed from 1.284,00 to 1.100,50 EUR.",)


def test_nothing_changed_says_nothing():
    assert changes_between(LETTER, replace(LETTER, version=2, made_on=date(2026, 6, 1), run_id="x"), ENGLISH) == ()
