"""What a customer must know of the differences between two versions of a letter."""

from __future__ import annotations

from dataclasses import replace

from aftersun.documents.letters.facts import fact
from aftersun.inventory.log.letters import says_the_same
from aftersun.model.letter import Letter, LetterFact, LetterNote, LetterOption


def changes_between(before: Letter, after: Letter) -> tuple[LetterFact, ...]:
    """Return what changed, safety first; at least one thing unless both say the same.

    Dangers, options, their prices and safety notes, and the day that the letter holds until are named one by one; one
    fact tells that anything else changed.
    """
    changes = _notes("danger", before.dangers, after.dangers)
    if after.notice:
        return tuple(changes) or (fact("change_none_still_stands"),)
    old, new = ({option.offer: option for option in letter.options if option.offer} for letter in (before, after))
    both = [(old[name], new[name]) for name in new if name in old]
    for left, now in both:
        changes += _notes("note", left.notes, now.notes, option=_title(now))
    changes += [fact("change_new_option", option=_title(new[name])) for name in new if name not in old]
    changes += [fact("change_option_gone", option=_title(old[name])) for name in old if name not in new]
    changes += [
        fact("change_price", option=_title(now), before=left.price, after=now.price, currency=after.currency)
        for left, now in both
        if left.price != now.price
    ]
    rest_of_options = all(replace(left, price=now.price, notes=now.notes) == now for left, now in both)
    if not (rest_of_options and says_the_same(replace(before, dangers=after.dangers, options=after.options), after)):
        changes.append(fact("change_other"))
    if before.valid_until != after.valid_until:
        days = {"before": before.valid_until.isoformat(), "after": after.valid_until.isoformat()}
        changes.append(fact("change_valid_until", **days))
    return tuple(changes)


def _title(option: LetterOption) -> tuple[str, ...]:
    return tuple(part.title for part in option.parts)


def _notes(
    kind: str, before: tuple[LetterNote, ...], after: tuple[LetterNote, ...], **where: tuple[str, ...]
) -> list[LetterFact]:
    added = [fact(f"change_{kind}_added", **where, text=note.text) for note in after if note not in before]
    gone = [fact(f"change_{kind}_gone", **where, text=note.text) for note in before if note not in after]
    return added + gone
