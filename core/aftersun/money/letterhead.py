"""How the company writes, made ready for the outputs: section [letter] read, its pictures and words loaded."""

from __future__ import annotations

import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from aftersun.model.errors import AftersunError
from aftersun.model.figures import ENGLISH, LETTER_LANGUAGES, Figures
from aftersun.model.output import Letterhead
from aftersun.model.toml_file import parse_toml
from aftersun.money.company import Company

_MARKS = ("decimal_mark", "thousands_mark", "date_format", "currency_first")
_MOST_BYTES = 5_000_000  # of a picture or a language file; a larger one is a mistake


def letterhead_of(company: Company) -> Letterhead:
    """Return what a company file says by itself: without the logo and the words of other files."""
    own = company.letter.model_dump(exclude={"logo", "language", "valid_days", "most_options", *_MARKS})
    language = company.letter.language if company.letter.language in LETTER_LANGUAGES else ENGLISH.language
    marks = _marks(language, company)
    country = company.identity.country
    return Letterhead(
        name=company.identity.name,
        **own,
        **marks,
        logo=None,
        logo_format="",
        language=language,
        words={},
        country=country,
    )


def read_letterhead(company: Company, company_file: Path) -> Letterhead:
    """Return what a company file says, with the logo and the words of the files that it names.

    Raises
    ------
    AftersunError
        If the logo or the language file is missing or cannot be used; the sentence names both files and the section.
    """
    own, head = company.letter, letterhead_of(company)
    if own.logo:
        picture = _bytes(company_file, "logo", own.logo)
        head = replace(head, logo=picture, logo_format=_format_of(company_file, own.logo, picture))
    if own.language not in LETTER_LANGUAGES:
        code, words = _words(company_file, own.language)
        head = replace(head, language=code, words=words, **_marks(code, company))
    return head


def _marks(language: str, company: Company) -> dict[str, Any]:
    """Return the marks that the company file names, and else those that are usual in the language."""
    usual, own = Figures.usual(language, company.identity.country), company.letter
    return {name: getattr(usual if getattr(own, name) is None else own, name) for name in _MARKS}


def _bytes(company_file: Path, setting: str, named: str) -> bytes:
    path = company_file.parent / named
    try:
        size = path.stat().st_size
        if not path.is_file() or not 0 < size <= _MOST_BYTES:
            raise _unusable(company_file, setting, named, f"is no file of at most {_MOST_BYTES // 1_000_000} MB")
        return path.read_bytes()
    except (OSError, ValueError) as error:  # ValueError: a path with a character that no path can hold
        why = getattr(error, "strerror", None) or "it is no path"
        raise _unusable(company_file, setting, named, f"cannot be read: {why}") from error


def _format_of(company_file: Path, named: str, picture: bytes) -> str:
    """Tell what a picture is by its content, whatever its name ends in."""
    if picture.startswith(b"\x89PNG\r\n\x1a\n"):
        return "png"
    if picture.startswith(b"\xff\xd8\xff"):
        return "jpg"
    if b"<!ENTITY" in picture or b"<!DOCTYPE" in picture:  # may grow without end, or reach for other files
        raise _unusable(company_file, "logo", named, "is an SVG picture with a DOCTYPE, which is not taken")
    with suppress(ElementTree.ParseError):
        if ElementTree.fromstring(picture).tag.rpartition("}")[2] == "svg":
            return "svg"
    raise _unusable(company_file, "logo", named, "is no PNG, JPEG or SVG picture")


def _words(company_file: Path, named: str) -> tuple[str, Mapping[str, str]]:
    """Read a language file: its code and its words by key."""
    try:
        raw = parse_toml(_bytes(company_file, "language", named))
    except ValueError as error:
        raise _unusable(company_file, "language", named, f"is not valid TOML: {error}") from error
    code, words = raw.get("language"), raw.get("words", {})
    if not isinstance(code, str) or not re.fullmatch("[a-z]{2}", code):
        raise _unusable(company_file, "language", named, 'does not say its language, as in language = "de"')
    if not isinstance(words, dict) or not all(isinstance(text, str) for text in words.values()):
        raise _unusable(company_file, "language", named, "holds something else than texts below [words]")
    if strange := sorted(set(raw) - {"language", "words"}):
        raise _unusable(company_file, "language", named, f"has '{strange[0]}' outside of [words]")
    return code, words


def _unusable(company_file: Path, setting: str, named: str, what: str) -> AftersunError:
    return AftersunError(
        f"{setting} in section [letter] of {company_file}: {named} {what}.",
        f"Correct the line '{setting} = ...' below [letter], or take it out; paths start at the company file's folder.",
    )
