"""Letters as they were issued: each with its number, version, content and the very bytes of its file.

A site keeps the number of its letter from version to version, until what the letter offered is settled (taken, declined
or carried out): what is offered then gets a new number.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import duckdb
import pandas as pd
from pydantic import TypeAdapter

from aftersun.inventory.log.call_log import OPEN, WITHDRAWN, insert_offer
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.tables import OTHER_TABLES, insert_row, of_site, read_table
from aftersun.model.letter import Letter

LISTED = ("number", "version", "output", "site_id", "run_id", "made_on", "valid_until", "file_name", "sha256")
# What may differ between two letters that say the same. The day that it holds until is judged by itself.
_TOLD_APART = ("number", "version", "made_on", "valid_until", "run_id", "program_version", "changes")
_NOTHING_OFFERED = '"options":[]'  # in the content of a notice; within a text the marks would be escaped


@dataclass(frozen=True)
class Issued:
    """A letter that was issued, what had been chosen for it, and whether anything that it offers is still open."""

    letter: Letter
    choices: Mapping[str, Any]
    open: bool


@dataclass(frozen=True)
class LetterFile:
    """The file that an output wrote of a letter; ``choices`` are kept with it, as JSON takes them."""

    output: str
    letter: Letter
    choices: Mapping[str, Any]
    name: str
    data: bytes

    @property
    def sha256(self) -> str:
        """Of the bytes, in hex digits."""
        return hashlib.sha256(self.data).hexdigest()


@cache
def _adapter() -> TypeAdapter[Letter]:
    return TypeAdapter(Letter)


def _read(content: str) -> Letter:
    """Read a stored letter; one of version 0.1.0 has sentences in place of codes, which no other letter compares to."""
    raw = json.loads(content)
    if isinstance(raw["weather"], str):
        raw |= {"weather": None, "system": [], "findings": [], "changes": [], "questions": []}
        for option in raw["options"]:
            option |= {"safety_remedial": option["told_not_sold"], "survey_first": [], "claims": [], "price_lines": []}
    return _adapter().validate_python(raw)


def newest(inventory: Inventory, site_ids: Collection[str], *, notices: bool) -> dict[str, Issued]:
    """Return the newest letter with an offer, or the newest safety notice, of each of these sites that has one."""
    rows = inventory.connection.execute(
        """
        SELECT site_id, content, choices, (number, version) IN (
            SELECT (number, version) FROM letter_offer GROUP BY ALL
        ) AND (number, version) NOT IN (
            SELECT (number, version) FROM letter_offer JOIN offer_made ON offer_made.offer = entry WHERE state = ?
        ) AS settled
        FROM letter WHERE site_id IN (SELECT unnest(?::VARCHAR[])) AND contains(content, ?) = ?
        QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY number DESC, version DESC, output) = 1
        """,
        [OPEN, sorted(site_ids), _NOTHING_OFFERED, notices],
    ).fetchall()
    return {
        site_id: Issued(_read(content), json.loads(choices), not settled) for site_id, content, choices, settled in rows
    }


def what_became_of(inventory: Inventory, site_ids: Collection[str]) -> list[tuple[Any, ...]]:
    """Return which letters these sites have and how their offers stand, to be compared with what that was before."""
    query = """
        SELECT number, version, output, entry, state FROM letter LEFT JOIN letter_offer USING (number, version)
        LEFT JOIN offer_made ON offer_made.offer = entry
        WHERE letter.site_id IN (SELECT unnest(?::VARCHAR[])) ORDER BY ALL
    """
    return inventory.connection.execute(query, [sorted(site_ids)]).fetchall()


def says_the_same(letter: Letter, other: Letter) -> bool:
    """Tell whether two letters tell the customer the same, whenever and by whichever run they were made."""
    apart = {name: getattr(other, name) for name in _TOLD_APART}
    return replace(letter, **apart) == other


def reserve(
    inventory: Inventory, year: int, count: int, again: Collection[str] = ()
) -> tuple[list[str], dict[str, int]]:
    """Return so many new numbers of a year, and by number the next version of the letters ``again``.

    A number is the year and six digits, counted from 1. What is returned is given to nobody else from then on, whatever
    becomes of the letters: a gap does no harm, two letters of one number and version would.
    """
    with inventory.transaction() as connection:
        given = given_numbers(connection)
        last = max((int(number[5:]) for number in given if number.startswith(f"{year}-")), default=0)
        numbers = [f"{year}-{last + further:06d}" for further in range(1, count + 1)]
        versions = {number: given[number] + 1 for number in again}
        note_given(connection, {**dict.fromkeys(numbers, 1), **versions})
    return numbers, versions


def given_numbers(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """Return the numbers that were ever given to letters, with the last version of each."""
    both = "SELECT number, version FROM letter UNION ALL FROM letter_number"
    return dict(connection.execute(f"SELECT number, max(version) FROM ({both}) GROUP BY number").fetchall())


def note_given(connection: duckdb.DuckDBPyConnection, numbers: Mapping[str, int]) -> None:
    """Remember these numbers and versions as given, within the caller's transaction."""
    connection.execute(
        "INSERT OR REPLACE INTO letter_number SELECT unnest(?::VARCHAR[]), unnest(?::INTEGER[])",
        [list(numbers), list(numbers.values())],
    )


def files_of(inventory: Inventory, number: str, version: int | None = None) -> list[LetterFile]:
    """Return the files of a letter that all outputs wrote, of its newest version unless one is named.

    Raises
    ------
    AftersunError
        If there is no such letter, or its bytes are not those that were stored.
    """
    which = (
        "number = $number AND version = coalesce($version, (SELECT max(version) FROM letter WHERE number = $number))"
    )
    files = _files(inventory, which, {"number": number, "version": version})
    if not files:
        raise refusal("no_such_letter")
    return files


def kept_files(inventory: Inventory, letters: Sequence[Letter], output: str) -> dict[tuple[str, int], LetterFile]:
    """Return by number and version the files that an output wrote of these letters already.

    Raises
    ------
    AftersunError
        If the bytes of one are not those that were stored.
    """
    which = (
        "output = $output AND (number, version) IN (SELECT unnest($numbers::VARCHAR[]), unnest($versions::BIGINT[]))"
    )
    columns = {"numbers": [letter.number for letter in letters], "versions": [letter.version for letter in letters]}
    files = _files(inventory, which, {"output": output, **columns})
    return {(file.letter.number, file.letter.version): file for file in files}


def _files(inventory: Inventory, which: str, values: Mapping[str, Any]) -> list[LetterFile]:
    query = f"SELECT output, content, choices, file_name, file, sha256 FROM letter WHERE {which} ORDER BY output"
    rows = inventory.connection.execute(query, dict(values)).fetchall()
    files = [
        LetterFile(output, _read(content), json.loads(choices), name, bytes(data))
        for output, content, choices, name, data, _ in rows
    ]
    if [file.sha256 for file in files] != [row[-1] for row in rows]:
        raise refusal("letter_damaged")
    return files


def listing(inventory: Inventory, site_id: str | None = None) -> pd.DataFrame:
    """Return the letters issued, of all sites or one, in the order of their numbers; without content and bytes."""
    return read_table(inventory.connection, OTHER_TABLES["letter"], *of_site(site_id), LISTED)


def keep(connection: duckdb.DuckDBPyConnection, files: Sequence[LetterFile], new: Sequence[Letter]) -> None:
    """Store files of letters, and the offers of those that are ``new``, within the caller's transaction.

    What is sold in a letter is an offer made, at its price; those of the version before are withdrawn.
    """
    for file in files:
        letter = file.letter
        same = ("number", "version", "site_id", "run_id", "made_on", "valid_until")
        row = {
            **{name: getattr(letter, name) for name in same},
            "output": file.output,
            "content": _adapter().dump_json(letter).decode("utf-8"),
            "choices": json.dumps(file.choices, sort_keys=True),
            "file_name": file.name,
            "sha256": file.sha256,
            "file": file.data,
        }
        insert_row(connection, "letter", row)
    for letter in new:
        _offer(connection, letter)


def _offer(connection: duckdb.DuckDBPyConnection, letter: Letter) -> None:
    of_letter = "SELECT entry FROM letter_offer WHERE number = ?"
    withdraw = f"UPDATE offer_made SET state = ? WHERE state = ? AND offer IN ({of_letter})"
    connection.execute(withdraw, [WITHDRAWN, OPEN, letter.number])
    for option in letter.options:
        if not option.offer or option.safety_remedial:
            continue
        number = insert_offer(
            connection,
            site_id=letter.site_id,
            retrofit=option.offer,
            run_id=letter.run_id,
            made_on=letter.made_on,
            price=option.price,
            currency=letter.currency,
            valid_until=letter.valid_until,
        )
        row = {"number": letter.number, "version": letter.version, "site_id": letter.site_id}
        insert_row(connection, "letter_offer", {**row, "offer": option.offer, "entry": number})
