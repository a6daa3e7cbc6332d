"""Gives letters their numbers and versions, has them written, and tells what is to be stored of them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path

from aftersun.documents.letters.changes import changes_between
from aftersun.documents.letters.compose import Choices, Composed
from aftersun.documents.letters.facts import fact
from aftersun.documents.placing import harmless
from aftersun.documents.writing import Job
from aftersun.host.asking import Failure
from aftersun.inventory.log import letters as letter_store
from aftersun.inventory.log.letters import Issued, LetterFile
from aftersun.inventory.store.file import Inventory
from aftersun.model.letter import Letter
from aftersun.model.output import Letterhead, Output

DRAFT = _UNGIVEN = 0  # in place of a version
_LETTERHEAD = "letterhead"  # its fingerprint is kept with the choices


@dataclass(frozen=True)
class Batch:
    """Letters with the files that outputs made of them, and which of both are to be stored.

    ``files`` are all, stored before or not, letter by letter. ``new_letters`` have something to offer that is not kept
    yet. Of drafts, which have no number, nothing is stored.
    """

    letters: tuple[Letter, ...] = ()
    files: tuple[LetterFile, ...] = ()
    new_files: tuple[LetterFile, ...] = ()
    new_letters: tuple[Letter, ...] = ()
    failures: tuple[Failure, ...] = ()

    def __add__(self, other: Batch) -> Batch:
        """Return both together."""
        return Batch(*(getattr(self, part.name) + getattr(other, part.name) for part in fields(self)))

    @property
    def drafts(self) -> int:
        """How many of the letters are drafts."""
        return sum(letter.version == DRAFT for letter in self.letters)


def draft(job: Job, composed: Composed) -> Batch:
    """Have each output of the job write letters without a number, of which nothing is stored."""
    letters, failures = composed.letters, []
    files: list[list[LetterFile]] = []
    for output in _outputs(job, composed) if letters else ():
        made = job.write(output, letters)
        if isinstance(made, Failure):
            failures.append(made)
            continue
        pairs = zip(letters, made, strict=True)
        files.append(
            [LetterFile(output.id, one, {}, _name(one, path.suffix), path.read_bytes()) for one, path in pairs]
        )
    return Batch(
        letters, tuple(file for of_letter in zip(*files, strict=True) for file in of_letter), failures=tuple(failures)
    )


def _outputs(job: Job, composed: Composed) -> list[Output]:
    """Return the outputs that write such letters: some have nothing to say of a notice, which orders no work."""
    notice = composed.letters[0].notice
    return [output for output in job.outputs if not notice or getattr(output, "for_notices", True)]


def issue(job: Job, composed: Composed) -> Batch:
    """Number letters and have each output of the job write those that it has not written before.

    A letter of which the bytes are stored is not written again: they are the letter.
    """
    if not composed.letters:
        return Batch()
    site_ids = [letter.site_id for letter in composed.letters]
    before = letter_store.newest(job.inventory, site_ids, notices=composed.letters[0].notice)
    letters = numbered(job.inventory.path, composed, before, job.letterhead)
    files: dict[str, dict[tuple[str, int], LetterFile]] = {}  # by output
    new_files: list[LetterFile] = []
    failures: list[Failure] = []
    for output in _outputs(job, composed):
        stored = letter_store.kept_files(job.inventory, letters, output.id)
        wanted = [letter for letter in letters if _key(letter) not in stored]
        if wanted:
            made = job.write(output, wanted)
            if isinstance(made, Failure):
                failures.append(made)
                continue
            for letter, path in zip(wanted, made, strict=True):
                choices = composed.choices[letter.site_id].as_json() | {_LETTERHEAD: _fingerprint(job.letterhead)}
                file = LetterFile(output.id, letter, choices, _name(letter, path.suffix), path.read_bytes())
                stored[_key(letter)] = file
                new_files.append(file)
        files[output.id] = stored
    ordered = [of_output[_key(letter)] for letter in letters for of_output in files.values()]
    written = {_key(file.letter) for file in new_files} - {_key(last.letter) for last in before.values()}
    new_letters = [letter for letter in letters if _key(letter) in written]
    return Batch(tuple(letters), tuple(ordered), tuple(new_files), tuple(new_letters), tuple(failures))


def numbered(inventory_file: Path, composed: Composed, before: Mapping[str, Issued], head: Letterhead) -> list[Letter]:
    """Return the letters with number, version and changes; one that says what the last one said is that one again.

    ``before`` has the last one of some sites, of the same kind: a safety notice is no version of a letter. It is not
    good enough where it has run out, is to hold until another day that was asked for, or has another letterhead. What
    follows a letter whose offers are all settled is no version of it, but a new one. The inventory is open only while
    numbers are given.
    """
    look = _fingerprint(head)
    followed = [_followed(letter, before.get(letter.site_id), composed, look) for letter in composed.letters]
    again = [known.number for known in followed if known is not None and known.version == _UNGIVEN]
    year, new = composed.letters[0].made_on.year, followed.count(None)
    numbers: list[str] = []
    versions: dict[str, int] = {}
    if new or again:
        with Inventory.open(inventory_file) as inventory:
            numbers, versions = letter_store.reserve(inventory, year, new, again)
    unused = iter(numbers)
    letters: list[Letter] = []
    for letter, known in zip(composed.letters, followed, strict=True):
        if known is None:
            letters.append(replace(letter, number=next(unused), version=1))
        else:
            version = versions[known.number] if known.version == _UNGIVEN else known.version
            letters.append(replace(known, version=version))
    return letters


def _followed(letter: Letter, last: Issued | None, composed: Composed, look: str) -> Letter | None:
    """Return the letter issued before, or what follows it, its version not given yet; None = a letter of its own."""
    if last is None:
        return None
    same_look = last.choices.get(_LETTERHEAD) == look
    if same_look and _still_good(last.letter, letter, composed.choices[letter.site_id]):
        return last.letter
    if not last.open:
        return None
    changes = changes_between(last.letter, letter)
    changes = changes if same_look else (*changes, fact("change_letterhead"))
    return replace(letter, number=last.letter.number, version=_UNGIVEN, changes=changes)


def _still_good(last: Letter, letter: Letter, choices: Choices) -> bool:
    asked = choices.valid_until
    holds = last.valid_until >= letter.made_on and (asked is None or asked == last.valid_until)
    return (letter.notice or holds) and letter_store.says_the_same(last, letter)


def _key(letter: Letter) -> tuple[str, int]:
    return letter.number, letter.version


def _fingerprint(head: Letterhead) -> str:
    """Tell letterheads apart: name, address, logo, language and all."""
    plain = {**asdict(head), "logo": None if head.logo is None else head.logo.hex()}
    return hashlib.sha256(json.dumps(plain, sort_keys=True).encode()).hexdigest()


def _name(letter: Letter, suffix: str) -> str:
    """Return the file name of a letter: site and number only, nothing that a file system or a shell could trip over."""
    kind = "_safety-notice" if letter.notice else ""
    number = "draft" if letter.version == DRAFT else f"{harmless(letter.number, 'letter')}-v{letter.version}"
    stem = f"{harmless(letter.site_id, 'site')}_{number}"
    return f"{stem}{kind}{suffix.lower()}"
