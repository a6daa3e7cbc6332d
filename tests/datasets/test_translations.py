"""What came with the data in other languages: every safety note and claim has all of them, with the same figures."""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from importlib import resources
from itertools import chain

import pytest

import aftersun_datasets
import aftersun_retrofits
from aftersun.documents.letters.options import plain_meaning
from aftersun.model.figures import LETTER_LANGUAGES
from aftersun.scoring.ranges.choices import question_of
from aftersun.scoring.ranges.information import NUMBERS_ASKED
from aftersun.wording import translated

OTHERS = [language for language in LETTER_LANGUAGES if language != "en"]


def texts() -> Iterator[str]:
    for note in aftersun_datasets.rows("safety_notes.csv"):
        yield from (note["text"], note["who"])
    yield from (claim["text"] for claim in aftersun_datasets.rows("claims.csv"))
    yield from (fact["question"] for fact in aftersun_datasets.rows("facts.csv"))
    yield from (question for _, question in NUMBERS_ASKED.values())
    yield from map(question_of, {row["fact"] for row in aftersun_datasets.rows("choices.csv")})
    base = resources.files(aftersun_datasets) / "assumptions"
    for table in sorted(file.name for file in base.iterdir() if file.name.endswith(".csv")):
        yield from (plain_meaning(row["meaning"]) for row in aftersun_datasets.rows(f"assumptions/{table}"))
    retrofits = tomllib.loads(aftersun_datasets.path("retrofits.toml").read_text(encoding="utf-8"))
    about = [one for one in retrofits.values() if isinstance(one, dict)]
    yield from chain.from_iterable((one["title"], one["summary"]) for one in about)


def survey_reasons() -> set[str]:
    """What the retrofits of the program want looked at first, as their screening says it."""
    found: set[str] = set()
    for file in (resources.files(aftersun_retrofits)).iterdir():
        if not file.name.endswith(".py"):
            continue
        for call in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(call, ast.Call) and isinstance(call.func, ast.Attribute) and call.func.attr == "survey":
                parts = [part for argument in call.args for part in ast.walk(argument)]
                texts = [part.value for part in parts if isinstance(part, ast.Constant)]
                found |= {text for text in texts if isinstance(text, str) and " " in text}
    return found


def figures(text: str) -> list[str]:
    """Return the numbers of a text; 2012 and 1000 V are written alike everywhere, a decimal comma is a point."""
    return sorted(re.findall(r"\d+(?:\.\d+)?", re.sub(r"(?<=\d),(?=\d)", ".", text)))


@pytest.mark.parametrize("language", OTHERS)
def test_every_text_of_the_data_that_a_letter_prints_is_translated(language: str) -> None:
    assert [text for text in texts() if translated(text, language) is None] == []
    reasons = survey_reasons()
    assert len(reasons) > 20
    assert [text for text in sorted(reasons) if translated(text, language) is None] == []


@pytest.mark.parametrize("language", OTHERS)
def test_a_translation_has_the_figures_of_its_english(language: str) -> None:
    """A limit of wind, voltage or temperature that is lost in translation can hurt somebody."""
    assert [text for text in texts() if figures(text) != figures(translated(text, language) or "")] == []


def test_a_text_that_has_changed_counts_as_not_translated() -> None:
    (first, *_) = aftersun_datasets.rows("safety_notes.csv")
    assert translated(first["text"] + " Now.", "de") is None
