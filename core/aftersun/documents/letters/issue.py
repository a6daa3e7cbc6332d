"""Gives letters their numbers and versions, has them written, and tells what is to be stored of them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from aftersun.documents.letters.changes import changes_between
from aftersun.documents.letters.compose import Choices
from aftersun.documents.letters.facts import fact
from aftersun.documents.placing import harmless
from aftersun.documents.run_view import RunView
from aftersun.documents.writing import write
from aftersun.host.registry import Failure
from aftersun.inventory.log import call_log
from aftersun.inventory.log import letters as kept
from aftersun.inventory.log.letters import Issued, LetterFile
from aftersun.inventory.store.file import Inventory
from aftersun.model.letter import Letter
from aftersun.model.output import Letterhead, Output

_LETTERHEAD = "letterhead"  # its fingerprint is kept with the choices


@dataclass(frozen=True)
class Batch:
    """Letters with the files that outputs made of them, and which of both are to be stored.

    ``files`` are all, stored before or not, letter by letter. ``new_letters`` have something to offer that is not kept
    yet.
    """

    letters: tuple[Letter, ...]
    files: tuple[LetterFile, ...]
    new_files: tuple[LetterFile, ...]
    new_letters: tuple[Letter, ...]
    failures: tuple[Failure, ...]


def numbered(inventory: Inventory, composed: Sequence[Letter], choices: Choices, head: Letterhead) -> list[Letter]:
    """Return the letters with number, version and changes; one that says what the last one said is that one again.

    The last one is not good enough where it has run out, is to hold until another day that was asked for, or has
    another letterhead. What follows a letter whose offers are all settled is no version of it, but a new one. A safety
    notice is no version of a letter, nor a letter one of a notice.
    """
    look = _fingerprint(head)
    before = newest_of_kind(inventory, composed)
    found: list[Letter] = []
    fresh = []
    for letter in composed:
        last = before.get(letter.site_id)
        same_look = last is not None and last.choices.get(_LETTERHEAD) == look
        if last is not None and same_look and _still_good(last.letter, letter, choices):
            found.append(last.letter)
        elif last is not None and last.open:
            changes = changes_between(last.letter, letter)
            changes = changes if same_look else (*changes, fact("change_letterhead"))
            found.append(replace(letter, number=last.letter.number, version=last.letter.version + 1, changes=changes))
        else:  # the first, or one after all that the last one offered is settled
            fresh.append(len(found))
            found.append(replace(letter, version=1))
    if fresh:
        numbers = kept.next_numbers(inventory, composed[0].made_on.year, len(fresh))
        for place, number in zip(fresh, numbers, strict=True):
            found[place] = replace(found[place], number=number)
    return found


def _still_good(last: Letter, letter: Letter, choices: Choices) -> bool:
    if letter.notice:
        return kept.says_the_same(last, letter)
    asked = choices.valid_until
    holds = last.valid_until >= letter.made_on and (asked is None or asked == last.valid_until)
    return holds and kept.says_the_same(last, letter)


def issue(
    inventory: Inventory,
    run_id: str,
    head: Letterhead,
    composed: Sequence[Letter],
    choices: Choices,
    earlier: Mapping[str, Choices],
    outputs: Sequence[Output],
    settings: Mapping[str, Mapping[str, str]],
    work: Path,
) -> Batch:
    """Number letters and have each of these outputs write those that it has not written before, below ``work``.

    A letter of which the bytes are stored is not written again: they are the letter.
    """
    found = numbered(inventory, composed, choices, head)
    files: dict[tuple[str, str], LetterFile] = {}
    new_files: list[LetterFile] = []
    failures: list[Failure] = []
    for output in outputs:
        stored = kept.kept_files(inventory, found, output.id)
        wanted = [letter for letter in found if (letter.number, letter.version) not in stored]
        if wanted:
            view = RunView(inventory, run_id, letters=wanted, letterhead=head)
            made = write(output, view, work / output.id, settings.get(output.id, {}))
            if made.failure is not None:
                failures.append(made.failure)
                continue
            written = [
                LetterFile(
                    output.id,
                    letter,
                    _kept(earlier.get(letter.site_id, choices), head),
                    _name(letter, path.suffix),
                    path.read_bytes(),
                )
                for letter, path in zip(wanted, made.files, strict=True)
            ]
            new_files += written
            stored |= {(file.letter.number, file.letter.version): file for file in written}
        files |= {(file.letter.site_id, output.id): file for file in stored.values()}
    ordered = [
        files[letter.site_id, output.id]
        for letter in found
        for output in outputs
        if (letter.site_id, output.id) in files
    ]
    known = {(letter.number, letter.version) for letter in _known(inventory, found)}
    to_offer = {(file.letter.number, file.letter.version) for file in new_files} - known
    new_letters = [letter for letter in found if (letter.number, letter.version) in to_offer]
    return Batch(tuple(found), tuple(ordered), tuple(new_files), tuple(new_letters), tuple(failures))


def _kept(choices: Choices, head: Letterhead) -> dict[str, Any]:
    return {**choices.as_json(), _LETTERHEAD: _fingerprint(head)}


def _fingerprint(head: Letterhead) -> str:
    """Tell letterheads apart: name, address, logo, language and all."""
    plain = {**asdict(head), "logo": None if head.logo is None else head.logo.hex()}
    return hashlib.sha256(json.dumps(plain, sort_keys=True).encode()).hexdigest()


def newest_of_kind(inventory: Inventory, letters: Sequence[Letter]) -> dict[str, Issued]:
    """Return by site the newest that was issued of the kind of each of these: letters with an offer, or notices."""
    found = kept.newest(inventory, [letter.site_id for letter in letters])
    for letter in letters:
        last = found.get(letter.site_id)
        if last is not None and last.letter.notice != letter.notice:
            found.pop(letter.site_id)
            older = _before(inventory, letter)
            if older is not None:
                found[letter.site_id] = older
    return found


def newest_letters(inventory: Inventory, site_ids: Sequence[str]) -> dict[str, Issued]:
    """Return the newest letter with an offer of each of these sites that has one."""
    found = kept.newest(inventory, site_ids)
    for site_id in [site_id for site_id, last in found.items() if last.letter.notice]:
        notice = found.pop(site_id).letter
        older = _before(inventory, notice, another_kind=True)
        if older is not None:
            found[site_id] = older
    return found


def _before(inventory: Inventory, letter: Letter, another_kind: bool = False) -> Issued | None:
    """Return the newest of the site's letters of a letter's kind, or of the other; one by one from the last."""
    listed = kept.listing(inventory, letter.site_id)
    issued = listed.sort_values(["number", "version"], ascending=False).drop_duplicates(["number", "version"])
    for number, version in zip(issued["number"], issued["version"], strict=True):
        file = kept.files_of(inventory, str(number), int(version))[0]
        if file.letter.notice == (letter.notice != another_kind):
            return Issued(file.letter, file.choices, file.letter.notice or _open(inventory, file.letter))
    return None


def _open(inventory: Inventory, letter: Letter) -> bool:
    """Tell whether anything that a letter offered is open, or it offered nothing for sale."""
    sold = {option.offer for option in letter.options if option.offer and not option.safety_remedial}
    made = call_log.offers(inventory, letter.site_id)
    mine = made[(made["run_id"] == letter.run_id) & made["retrofit"].isin(sold)]
    mine = mine[mine["made_on"] == pd.Timestamp(letter.made_on)]
    return not sold or bool((mine["state"] == call_log.OPEN).any())


def _known(inventory: Inventory, letters: Sequence[Letter]) -> list[Letter]:
    """Return those of which any output's file is stored."""
    last = newest_of_kind(inventory, letters)
    versions = {(one.letter.number, one.letter.version) for one in last.values()}
    return [letter for letter in letters if (letter.number, letter.version) in versions]


def _name(letter: Letter, suffix: str) -> str:
    """Return the file name of a letter: site and number only, nothing that a file system or a shell could trip over."""
    kind = "_safety-notice" if letter.notice else ""
    stem = f"{harmless(letter.site_id, 'site')}_{harmless(letter.number, 'letter')}-v{letter.version}"
    return f"{stem}{kind}{suffix.lower()}"
