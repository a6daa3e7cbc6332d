"""Section [letter] of the company file, and the letterhead made of it."""

from __future__ import annotations

import re

import pytest

import aftersun_datasets
from aftersun.model.errors import AftersunError
from aftersun.money.company import load_company
from aftersun.money.letterhead import letterhead_of, read_letterhead

PNG = b"\x89PNG\r\n\x1a\n" + b"\0" * 20
SVG = b"<svg xmlns='http://www.w3.org/2000/svg'/>"


@pytest.fixture
def company_file(tmp_path):
    """Write a company file with these lines in [letter] and none else."""

    def make(lines=""):
        text = aftersun_datasets.path("demo/company.toml").read_text(encoding="utf-8")
        text = re.sub(r"^\[letter\]\n(?:(?!# Everything).*\n)*", f"[letter]\n{lines}\n", text, flags=re.MULTILINE)
        path = tmp_path / "company.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return make


def head_of(path):
    return read_letterhead(load_company(path), path)


def test_all_of_it_may_be_left_out(company_file):
    head = head_of(company_file())
    assert head.name == "Larkmoor Roofs & Light (invented)"
    assert (head.address, head.logo, head.logo_format, head.language, dict(head.words)) == ((), None, "", "en", {})
    assert (head.paper, head.decimal_mark, head.thousands_mark, head.currency_first) == ("a4", ".", ",", False)
    section = load_company(company_file()).letter
    assert (section.valid_days, section.most_options) == (30, 2)


def test_what_is_given_is_taken(company_file, tmp_path):
    (tmp_path / "words.toml").write_text('language = "de"\n[words]\nprice = "Preis"\n', encoding="utf-8")
    (tmp_path / "art").mkdir()
    (tmp_path / "art" / "logo.bin").write_bytes(PNG)
    head = head_of(
        company_file(
            'address = ["A 1", "B"]\nclosing = ["small"]\nlogo = "art/logo.bin"\nlanguage = "words.toml"\n'
            'paper = "letter"\n'
            'decimal_mark = ","\nthousands_mark = "."\ndate_format = "%d.%m.%Y"\ncurrency_first = true'
        )
    )
    assert (head.address, head.closing, head.paper) == (("A 1", "B"), ("small",), "letter")
    assert (head.logo, head.logo_format, head.language, dict(head.words)) == (PNG, "png", "de", {"price": "Preis"})
    assert (head.decimal_mark, head.thousands_mark, head.date_format, head.currency_first) == (
        ",",
        ".",
        "%d.%m.%Y",
        True,
    )


@pytest.mark.parametrize(
    ("data", "kind"),
    [(PNG, "png"), (b"\xff\xd8\xff\xe0rest", "jpg"), (SVG, "svg"), (b"<?xml version='1.0'?>" + SVG, "svg")],
)
def test_a_picture_is_known_by_its_content(company_file, tmp_path, data, kind):
    (tmp_path / "logo.png").write_bytes(data)
    assert head_of(company_file('logo = "logo.png"')).logo_format == kind


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (None, "cannot be read: No such file"),
        (b"", "no file of at most 5 MB"),
        (b"GIF89a...", "no PNG, JPEG or SVG picture"),
        (b"<html/>", "no PNG, JPEG or SVG picture"),
        (b"<!DOCTYPE svg [<!ENTITY a 'b'>]><svg/>", "DOCTYPE"),
    ],
)
def test_a_logo_that_is_none_is_one_sentence_with_file_and_section(company_file, tmp_path, data, what):
    if data is not None:
        (tmp_path / "logo.png").write_bytes(data)
    path = company_file('logo = "logo.png"')
    with pytest.raises(AftersunError, match=what) as caught:
        head_of(path)
    assert str(caught.value).startswith(f"logo in section [letter] of {path}: logo.png ")
    assert str(caught.value).count(". ") == 0


@pytest.mark.parametrize(
    ("text", "what"),
    [
        (None, "cannot be read"),
        ("language = de", "not valid TOML"),
        ('[words]\nprice = "Preis"', "does not say its language"),
        ('language = "deutsch"', "does not say its language"),
        ('language = "de"\n[words]\nprice = 3', "something else than texts"),
        ('language = "de"\nprice = "Preis"', "'price' outside of"),
    ],
)
def test_a_language_file_that_is_none_is_one_sentence(company_file, tmp_path, text, what):
    if text is not None:
        (tmp_path / "words.toml").write_text(text, encoding="utf-8")
    with pytest.raises(AftersunError, match=what) as caught:
        head_of(company_file('language = "words.toml"'))
    assert "language in section [letter] of" in str(caught.value)


@pytest.mark.parametrize(
    ("line", "place"),
    [
        ('accent_colour = "green"', "letter.accent_colour: "),
        ('paper = "a5"', "letter.paper: "),
        ('decimal_mark = ";"', "letter.decimal_mark: "),
        ('thousands_mark = "1"', "letter.thousands_mark: would be read"),
        ('decimal_mark = ","', "letter: decimal_mark and thousands_mark are the same"),
        ('date_format = "%H"', "letter.date_format: does not write"),
        ("valid_days = 0", "letter.valid_days: "),
        ("most_options = 9", "letter.most_options: "),
        ('adress = ["x"]', "letter.adress: is not known here; did you mean 'address'?"),
        ('address = "x"', "letter.address: "),
    ],
)
def test_a_setting_that_cannot_be_is_named(company_file, line, place):
    with pytest.raises(AftersunError) as caught:
        load_company(company_file(line))
    assert caught.value.hint.startswith(place)
    assert len(caught.value.hint.splitlines()) == 1


def test_without_its_files_the_letterhead_is_plain(company_file):
    head = letterhead_of(load_company(company_file('logo = "logo.png"\nlanguage = "words.toml"\naddress = ["A"]')))
    assert (head.logo, head.language, head.address) == (None, "en", ("A",))


def test_the_demo_has_a_letterhead(tmp_path):
    for name in ("company.toml", "logo.svg"):
        (tmp_path / name).write_bytes(aftersun_datasets.path(f"demo/{name}").read_bytes())
    assert head_of(tmp_path / "company.toml").logo_format == "svg"


def test_a_language_brings_its_own_marks_unless_others_are_given(company_file):
    assert (marks := head_of(company_file('language = "de"'))).language == "de"
    assert (marks.decimal_mark, marks.thousands_mark, marks.date_format, marks.currency_first) == (",", ".", "", False)
    own = head_of(company_file('language = "de"\nthousands_mark = " "'))
    assert (own.decimal_mark, own.thousands_mark) == (",", " ")


def test_a_language_that_no_letter_is_written_in_names_those_that_there_are(company_file):
    with pytest.raises(AftersunError) as caught:
        head_of(company_file('language = "sv"'))
    assert "letter.language: letters are written in en, de, fr, es, it, nl, pt, pl" in caught.value.hint
