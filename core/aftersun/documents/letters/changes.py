"""What differs between two versions of a letter, in plain words for the customer."""

from __future__ import annotations

from aftersun.documents.letters.texts import Figures
from aftersun.inventory.log.letters import says_the_same
from aftersun.model.letter import Letter, LetterNote, LetterOption

NOTHING_LARGE = "Figures were computed anew; none changed by as much as is printed."
STILL_STANDS = "We told you of it before; by our records it still stands."


def changes_between(before: Letter, after: Letter, figures: Figures) -> tuple[str, ...]:
    """Return a sentence for each thing that changed, safety first; at least one."""
    said = _notes("A known danger at your system", before.dangers, after.dangers)
    if after.notice:
        moved = ["Your name or address was corrected."] if before.customer != after.customer else []
        return (*said, *moved) or (STILL_STANDS,)
    old, new = ({option.offer: option for option in letter.options} for letter in (before, after))
    said += [f"New option: {option.title}." for name, option in new.items() if name not in old]
    said += [f"No longer proposed: {option.title}." for name, option in old.items() if name not in new]
    for name in new:
        if name and name in old:
            said += _option(old[name], new[name], after.currency, figures)
    said += _system(before, after)
    if before.customer != after.customer:
        said.append("Your name or address was corrected.")
    if before.remark != after.remark:
        said.append("Our personal remark is another one.")
    if before.price_date != after.price_date:
        said.append(f"Prices are those of {after.price_date.isoformat()} instead of {before.price_date.isoformat()}.")
    if before.as_of != after.as_of:
        said.append(f"It was calculated as of {after.as_of.isoformat()} instead of {before.as_of.isoformat()}.")
    if before.weather != after.weather:
        said.append("The energy was computed with another weather year.")
    if before.questions != after.questions:
        said.append("What you could tell us is no longer the same.")
    if not said and not says_the_same(before, after):
        said.append(NOTHING_LARGE)
    if before.valid_until != after.valid_until:
        said.append(f"It holds until {after.valid_until.isoformat()} instead of {before.valid_until.isoformat()}.")
    return tuple(said)


def _option(before: LetterOption, after: LetterOption, currency: str, figures: Figures) -> list[str]:
    title, said = after.title, []
    if before.price != after.price:
        said.append(
            f"{title}: the price changed from {figures.number(before.price, 2)} to {figures.number(after.price, 2)} "
            f"{currency}."
        )
    left, now = (option.npv if option.npv_p50 is None else option.npv_p50 for option in (before, after))  # as printed
    if round(left) != round(now):
        said.append(
            f"{title}: what is left of it after its price changed from {figures.number(left)} to "
            f"{figures.number(now)} {currency}."
        )
    elif (before.npv_p90, before.npv_p10) != (after.npv_p90, after.npv_p10):
        said.append(f"{title}: the range of what it should bring changed.")
    if before.years != after.years:
        said.append(f"{title}: it is counted over {after.years} instead of {before.years} years.")
    if before.survey_first != after.survey_first:
        said.append(
            f"{title}: to be looked at before the price holds is now: {after.survey_first}."
            if after.survey_first
            else f"{title}: nothing has to be looked at any more before the price holds."
        )
    if before.told_not_sold != after.told_not_sold:
        said.append(
            f"{title}: it is told for safety's sake now, and nothing is promised of it in money."
            if after.told_not_sold
            else f"{title}: it may pay by itself now."
        )
    said += _notes(f"{title}: a safety note", before.notes, after.notes)
    if before.assumptions != after.assumptions:
        said.append(f"{title}: what was assumed changed.")
    return said


def _notes(what: str, before: tuple[LetterNote, ...], after: tuple[LetterNote, ...]) -> list[str]:
    added = [f"{what} was added: {note.text}" for note in after if note not in before]
    return added + [f"{what} no longer applies: {note.text}" for note in before if note not in after]


def _system(before: Letter, after: Letter) -> list[str]:
    old, new = ({fact.label: fact.value for fact in letter.system} for letter in (before, after))
    said = []
    for label in dict.fromkeys([*new, *old]):
        if label not in old:
            said.append(f"Now known of your system: {label.lower()} {new[label]}.")
        elif label not in new:
            said.append(f"No longer taken as known of your system: {label.lower()} {old[label]}.")
        elif old[label] != new[label]:
            said.append(f"Your system: {label.lower()} is {new[label]} instead of {old[label]}.")
    if not said and before.findings != after.findings:
        said.append("What we know of your system changed.")
    return said
