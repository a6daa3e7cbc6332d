"""What differs between two versions of a letter, for the customer to see."""

from __future__ import annotations

from collections.abc import Sequence

from aftersun.documents.letters.facts import fact
from aftersun.inventory.log.letters import says_the_same
from aftersun.model.letter import AS_WRITTEN, Letter, LetterFact, LetterNote, LetterOption


def changes_between(before: Letter, after: Letter) -> tuple[LetterFact, ...]:
    """Return what changed, safety first; at least one thing unless both say the same."""
    changes = _notes("danger", before.dangers, after.dangers)
    address = [fact("change_address")] if before.customer != after.customer else []
    if after.notice:
        return (*changes, *address) or (fact("change_none_still_stands"),)
    old, new = ({option.offer: option for option in letter.options} for letter in (before, after))
    changes += [fact("change_new_option", option=_title(option)) for name, option in new.items() if name not in old]
    changes += [fact("change_option_gone", option=_title(option)) for name, option in old.items() if name not in new]
    for name in new:
        if name and name in old:
            changes += _option(old[name], new[name], after.currency)
    sentences = _as_written((*before.system, *before.findings))  # which cannot be compared
    if not sentences:
        changes += _system(before, after)
    changes += address
    if before.remark != after.remark:
        changes.append(fact("change_remark"))
    if before.price_date != after.price_date:
        changes.append(_days("change_price_date", before.price_date.isoformat(), after.price_date.isoformat()))
    if before.as_of != after.as_of:
        changes.append(_days("change_as_of", before.as_of.isoformat(), after.as_of.isoformat()))
    if not sentences:
        if before.weather != after.weather:
            changes.append(fact("change_weather"))
        if before.questions != after.questions:
            changes.append(fact("change_questions"))
    if not changes and not says_the_same(before, after):
        changes.append(fact("change_none_as_printed"))
    if before.valid_until != after.valid_until:
        changes.append(_days("change_valid_until", before.valid_until.isoformat(), after.valid_until.isoformat()))
    return tuple(changes)


def _as_written(facts: Sequence[LetterFact]) -> bool:
    """Tell whether something is from a letter from before there were codes."""
    return any(one.code == AS_WRITTEN for one in facts)


def _title(option: LetterOption) -> tuple[str, ...]:
    return tuple(part.title for part in option.parts)


def _days(code: str, before: str, after: str) -> LetterFact:
    return fact(code, before=before, after=after)


def _option(before: LetterOption, after: LetterOption, currency: str) -> list[LetterFact]:
    option, changes = _title(after), []
    if before.price != after.price:
        changes.append(fact("change_price", option=option, before=before.price, after=after.price, currency=currency))
    left, now = (one.npv if one.npv_p50 is None else one.npv_p50 for one in (before, after))  # as printed
    if after.safety_remedial:
        pass  # nothing is promised of it in money
    elif round(left) != round(now):
        changes.append(fact("change_net_worth", option=option, before=left, after=now, currency=currency))
    elif (before.npv_p90, before.npv_p10) != (after.npv_p90, after.npv_p10):
        changes.append(fact("change_range", option=option))
    if before.years != after.years:
        changes.append(fact("change_years", option=option, before=before.years, after=after.years))
    if before.survey_first != after.survey_first and not _as_written(before.survey_first):
        code = "change_survey" if after.survey_first else "change_no_survey"
        changes.append(fact(code, option=option, survey=after.survey_first or None))
    if before.safety_remedial != after.safety_remedial:
        code = "change_safety_remedial" if after.safety_remedial else "change_may_pay"
        changes.append(fact(code, option=option))
    changes += _notes("note", before.notes, after.notes, option)
    if before.assumptions != after.assumptions:
        changes.append(fact("change_assumptions", option=option))
    return changes


def _notes(
    kind: str, before: tuple[LetterNote, ...], after: tuple[LetterNote, ...], option: tuple[str, ...] | None = None
) -> list[LetterFact]:
    added = [fact(f"change_{kind}_added", option=option, text=note.text) for note in after if note not in before]
    gone = [fact(f"change_{kind}_gone", option=option, text=note.text) for note in before if note not in after]
    return added + gone


def _system(before: Letter, after: Letter) -> list[LetterFact]:
    old, new = ({one.code: one for one in letter.system} for letter in (before, after))
    changes = []
    for code in dict.fromkeys([*new, *old]):
        label = LetterFact(f"{code}_label")
        if code not in old:
            changes.append(fact("change_fact_known", label=label, after=new[code]))
        elif code not in new:
            changes.append(fact("change_fact_unknown", label=label, before=old[code]))
        elif old[code] != new[code]:
            changes.append(fact("change_fact", label=label, before=old[code], after=new[code]))
    if not changes and before.findings != after.findings:
        changes.append(fact("change_findings"))
    return changes
