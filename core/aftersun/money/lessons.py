"""Lessons in force: a file beside the company file, put there by whoever accepts them and taken away by one command."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from aftersun.model.errors import AftersunError
from aftersun.model.toml_file import parse_toml, read_toml
from aftersun.money.company import Company, lessons_file, with_lessons
from aftersun.money.complaints import complaints

_MAY_TEACH = {"lessons", "assumptions", "system", "calls"}


def accept_lessons(file: Path, company_file: Path, who: str, on: date) -> tuple[Path, Path | None]:
    """Put the lessons of a file in force; return where they stand, and where those before are kept now.

    Raises
    ------
    AftersunError
        If the file cannot be read, is no proposal, does not fit the company file, or nobody is named.
    """
    if not who.strip() or '"' in who or "\\" in who:
        raise AftersunError(
            "Nobody is named who accepts them.", "Say who does, with --who and without quotation marks."
        )
    try:
        data = file.read_bytes()
        given, company = parse_toml(data), read_toml(company_file)
    except OSError as error:
        raise AftersunError(f"{error.filename} cannot be read: {error.strerror}.", "Check the path.") from error
    except ValueError as error:
        raise AftersunError(f"{file} or {company_file} is not valid TOML: {error}.", "Correct that place.") from error
    if "lessons" not in given or (strange := sorted(set(given) - _MAY_TEACH)):
        what = "has no section [lessons]" if "lessons" not in given else f"has a section [{strange[0]}]"
        raise AftersunError(f"{file} holds no lessons: it {what}.", "'aftersun lessons propose' writes such a file.")
    try:
        Company.model_validate(with_lessons(company, given))
    except ValidationError as error:
        raise AftersunError(
            f"With {file} the company file cannot be.", "\n".join(complaints(error, Company))
        ) from error
    accepted = f'[lessons]\naccepted_on = {on.isoformat()}\naccepted_by = "{who.strip()}"\n'
    # Of what was taken out of the file, no evidence is in force.
    lines = [line for line in data.decode("utf-8").splitlines() if not _of_nothing(line, given)]
    text = "\n".join([*lines, ""]).replace("[lessons]\n", accepted, 1)
    parse_toml(text.encode())  # whole still
    target = lessons_file(company_file)
    kept = _put_away(target) if target.exists() else None
    target.write_text(text, encoding="utf-8")
    return target, kept


def _of_nothing(line: str, given: Mapping[str, Any]) -> bool:
    """Tell whether a line of the evidence is of a place that the file does not teach of."""
    place = line.split('"')[1] if line.startswith('"') else ""
    section, _, name = place.partition(".")
    taught = given.get(section, {}) if section in ("system", "calls") else given.get("assumptions", {}).get(section, {})
    return place in given["lessons"].get("evidence", {}) and name not in taught


def withdraw_lessons(company_file: Path) -> Path:
    """Take the lessons in force away; return where they are kept. Raises AftersunError if there are none."""
    target = lessons_file(company_file)
    if not target.is_file():
        raise AftersunError(f"No lessons are in force beside {company_file}.", "Check the path of the company file.")
    return _put_away(target)


def _put_away(path: Path) -> Path:
    """Give a file a name that no other has; return it."""
    number = 1
    while (other := path.with_name(f"{path.name}.{number}")).exists():
        number += 1
    return path.rename(other)
