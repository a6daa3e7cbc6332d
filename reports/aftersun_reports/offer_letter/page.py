"""One letter as the texts that stand on its pages, section by section; ``letter.typ`` sets them and knows no more."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from aftersun import api
from aftersun_reports.offer_letter import charts, choices
from aftersun_reports.offer_letter.wording import Words, breakable, clean, english, sentence

_OWNER_NOTES = {
    "owner_scald": "scald",
    "owner_data": "data_notice",
}  # sentences to owners, by the note that asks for it
_ESTIMATES = {
    "common practice, no source": "industry_estimate",
    "assumption": "our_estimate",
    "from memory": "our_estimate",
}
# a file of ours or the name of one of our numbers, which say nothing to a customer
_OF_THE_PROJECT = re.compile(r" \((?:tests/[^)]*|[a-z]+(?:_[a-z0-9]+)+(?: in [a-z_]+\.csv)?)\)")
_ASSUMPTIONS = 6  # that move the result most are printed; those that turn the advice or were replaced always are
_NO_TOOLS = (api.ACCESS, api.CostKind.TRAVEL, "other")


def page(letter: api.Letter, head: api.Letterhead) -> dict[str, Any]:
    """Return all texts of a letter, ready to be written as JSON. Sections with nothing to say are None or empty."""
    kind = "notice_" if letter.notice else ""
    amounts = [(option.price, option.price_before, option.sales_tax) for option in letter.options]
    lines = [
        line.price for one in letter.options for line in (*one.price_lines, *one.later, *one.gained, *one.if_needed)
    ]
    lines += [one.if_needed_counted for one in letter.options]
    words = Words(head, clean(letter.currency), [*itertools.chain(*amounts), *lines], letter.language)
    letters = words.letters(len(letter.options))
    number, version = breakable(letter.number) or words("draft"), letter.version
    return {
        "paper": "us-letter" if head.paper == "letter" else "a4",
        "language": words.language,
        "accent": head.accent_colour,
        "accent_reads": _reads_on_white(head.accent_colour),
        "title": words(f"{kind}pdf_title", number=clean(letter.number) or words("draft"), version=version),
        "made_on": [letter.made_on.year, letter.made_on.month, letter.made_on.day],
        "footer": words(f"{kind}footer", number=number, version=version),
        "words": {key: words(key) for key in english()},  # the layout takes those that need no figure
        "name": breakable(head.name),
        "address": _lines(head.address),
        "contact": _lines(head.contact),
        "closing_lines": _lines(head.closing),
        "customer": _lines(letter.customer),
        "reference": _reference(letter, words),
        "valid_until": [words("valid_until"), words.figures.day(letter.valid_until)],
        "notice": letter.notice,
        "dangers": [_note(note, words) for note in letter.dangers],
        "opening": words("notice_opening") if letter.notice else "",
        "greeting": _greeting(letter, words),
        "recommended": choices.recommended(letter, words),
        "choices": [
            [tag, words.title(letter, option), choices.price_to_sign(option, words) if option.offer else ""]
            for tag, option in zip(letters, letter.options, strict=True)
        ],
        "remark": _lines(letter.remark.split("\n")),
        "changes_title": words("changes_title", before=version - 1),
        "changes": [text for text in map(words.say, letter.changes) if text],
        "system": _system(letter, words),
        "options": choices.options(letter, letters, words),
        "safety": _owner_safety(letter, words),
        "years": _years(letter, letters, words),
        "cash": charts.cash(letter, letters, words),
        "months": charts.months(letter, letters, words),
        "claims": _claims(letter, letters, words),
        "assumptions": _assumptions(letter, words),
        "questions": [_question(one, letter.currency, words) for one in letter.questions],
        "answer": _answer(letter, head, words),
        "about": _about(letter, words),
    }


def _reference(letter: api.Letter, words: Words) -> list[list[str]]:
    return [
        [words("notice_number" if letter.notice else "number"), breakable(letter.number) or words("draft")],
        *([[words("version"), str(letter.version)]] if letter.version else []),
        [words("date"), words.figures.day(letter.made_on)],
        *([] if letter.notice else [[words("valid_until"), words.figures.day(letter.valid_until)]]),
        [words("site"), breakable(letter.site_id)],
    ]


def _about(letter: api.Letter, words: Words) -> list[list[str]]:
    return [
        *([[words("about_weather"), words.say(letter.weather).rstrip(".")]] if letter.weather else []),
        *([] if letter.notice else [[words("about_prices"), words.figures.day(letter.price_date)]]),
        [words("about_as_of"), words.figures.day(letter.as_of)],
        [words("about_run"), breakable(letter.run_id)],
        [words("about_program"), breakable(letter.program_version)],
    ]


def _greeting(letter: api.Letter, words: Words) -> str:
    """Return the salutation by name, where there is one."""
    name = breakable(letter.customer[0]) if letter.customer else ""
    return words("greeting", name=name) if name else words("greeting_nobody")


def _answer(letter: api.Letter, head: api.Letterhead, words: Words) -> str:
    """Return what is asked of the customer; of a known danger to phone the company, whatever is decided."""
    date = words.figures.day(letter.valid_until)
    contact = ", ".join(_lines(head.contact))
    key = "notice_phone" if letter.notice else "accept_danger" if letter.dangers else "accept"
    key += "" if contact else "_no_contact"
    return words(key, contact=contact, date=date)


def _lines(lines: Sequence[str]) -> list[str]:
    return [text for text in map(breakable, lines) if text]


def _note(note: api.LetterNote, words: Words) -> dict[str, str]:
    key = f"severity_{note.severity}"
    return {
        "severity": words(key) if words.has(key) else breakable(note.severity),
        "text": words.note(note.text),
        "who": words("who", who=sentence(words.text(note.who))) if note.who.strip() else "",
    }


def _owner_safety(letter: api.Letter, words: Words) -> list[str]:
    """Return at most five sentences for the owner; all notes for the crew stand in the job sheet."""
    noted = {note.note_id for option in letter.options for note in option.notes}
    if not noted:
        return []
    keys = ["owner_live", "owner_licensed", "owner_signs"]
    keys += [key for key, note_id in _OWNER_NOTES.items() if note_id in noted]
    return [words(key) for key in keys]


def _years(letter: api.Letter, letters: Sequence[str], words: Words) -> dict[str, Any] | None:
    """Return what has come back by the end of each year, a column an option that promises a gain."""
    sold = [
        (tag, option)
        for tag, option in zip(letters, letter.options, strict=True)
        if option.offer and option.cash and not option.safety_remedial
    ]
    if not sold:
        return None
    last = max(len(option.cash) for _, option in sold)
    return {
        "heads": [words("years_year"), *(tag for tag, _ in sold)],
        "rows": [
            [
                str(year),
                *(
                    words.figures.rounded(option.cash[year].cumulative, mark=False) if year < len(option.cash) else ""
                    for _, option in sold
                ),
            ]
            for year in range(last)
        ],
    }


def job_page(letter: api.Letter, head: api.Letterhead) -> dict[str, Any]:
    """Return all texts of a letter's job sheets: one for each option that is work, with every note of its crew."""
    amounts = [option.price for option in letter.options]
    words = Words(head, clean(letter.currency), amounts)
    number, version = breakable(letter.number) or words("draft"), letter.version
    return {
        "paper": "us-letter" if head.paper == "letter" else "a4",
        "language": head.language,
        "title": words("job_pdf_title", number=clean(letter.number) or words("draft"), version=version),
        "made_on": [letter.made_on.year, letter.made_on.month, letter.made_on.day],
        "footer": words("job_footer", number=number, version=version),
        "words": {key: words(key) for key in english()},
        "name": breakable(head.name),
        "customer": _lines(letter.customer),
        "reference": _reference(letter, words),
        "system": [[words.say(api.LetterFact(f"{fact.code}_label")), words.say(fact)] for fact in letter.system],
        "dangers": [_note(note, words) for note in letter.dangers],
        "jobs": [
            {
                "title": words("job_title", title=words.title(letter, option)),
                "access": [
                    *(sentence(words.listed([fact], "; ")) for fact in option.survey_first),
                    *choices.job_lines((line for line in option.price_lines if line.kind == api.ACCESS), words),
                ],
                "tools": [
                    *choices.job_lines((line for line in option.price_lines if line.kind not in _NO_TOOLS), words),
                    *choices.job_if_needed(option, words),
                ],
                "notes": _halves([_note(note, words) for note in option.notes]),
            }
            for option in letter.options
            if option.offer
        ],
    }


def _system(letter: api.Letter, words: Words) -> dict[str, Any] | None:
    if not (letter.system or letter.findings or letter.losses):
        return None
    losses = [
        [
            words.say(api.LetterFact(f"loss_{loss.step}"))
            + (f" ({words('loss_by_chance')})" if loss.by_chance else ""),
            words.figures.fixed(-loss.kwh, sign=position > 0 or loss.kwh >= 0),  # what all begins with is no gain
        ]
        for position, loss in enumerate(letter.losses)
    ]
    return {
        "facts": [[words.say(api.LetterFact(f"{fact.code}_label")), words.say(fact)] for fact in letter.system],
        "findings": [sentence(words.say(finding)) for finding in letter.findings],
        "losses": losses,
    }


def _claims(letter: api.Letter, letters: Sequence[str], words: Words) -> list[dict[str, str]]:
    """Return the trade's claims beside what was computed; none of an option that is named for safety alone.

    What several options say alike stands with the first of them.
    """
    rows: dict[tuple[str, str], dict[str, str]] = {}
    for tag, option in zip(letters, letter.options, strict=True):
        for claim in () if option.safety_remedial else option.claims:
            row = {
                "letter": tag,
                "text": words.text(claim.text),
                "source": words("source", source=sentence(_source(claim.source, words)))
                if claim.source.strip()
                else "",
                "computed": words.say(claim.computed),
            }
            rows.setdefault((row["text"], row["computed"]), row)
    return list(rows.values())


def _assumptions(letter: api.Letter, words: Words) -> dict[str, Any] | None:
    """Return the assumptions that matter; how many more there are is said, not shown quiet.

    They stand for gains, so those of an option that promises none are left out.
    """
    sold = [option for option in letter.options if not option.safety_remedial]
    names = [f"{part.title}: " for option in sold for part in option.parts]
    alone = {replace(one, turns=False): one for option in sold if len(option.parts) == 1 for one in option.assumptions}

    def once(one: api.LetterAssumption) -> api.LetterAssumption:
        """Return what another option assumes alike, without the title that tells it apart within several."""
        bare = (one.meaning.removeprefix(name) for name in names if one.meaning.startswith(name))
        return next((alone[same] for text in bare if (same := replace(one, meaning=text, turns=False)) in alone), one)

    per_option = [tuple(map(once, option.assumptions)) for option in sold if option.assumptions]
    distinct = list(dict.fromkeys(one for assumptions in per_option for one in assumptions))
    if not distinct:
        return None
    share = max(_ASSUMPTIONS // len(per_option), 1)
    leading = {one for assumptions in per_option for one in assumptions[:share]}
    shown = [one for one in distinct if one in leading or one.turns or one.replaced.strip()]
    left = len(distinct) - len(shown)
    return {
        "rows": [
            {
                "meaning": words.text(one.meaning),
                "remarks": [
                    *([words("assumption_turns")] if one.turns else []),
                    *([words("assumption_replaced", why=sentence(breakable(one.replaced)))] if one.replaced else []),
                ],
                "used": words.with_unit(one.used, None, one.unit),
                "range": words.with_unit(one.low, one.high, one.unit),
                "source": _source(one.source, words),
            }
            for one in shown
        ],
        "more": words.counted("assumptions_more", left) if left else "",
    }


def _halves(notes: list[dict[str, str]]) -> list[list[dict[str, str]]]:
    """Return notes in two columns of about the same length, in their order."""
    lengths = [len(note["text"]) + len(note["who"]) for note in notes]
    first = [note for place, note in enumerate(notes) if sum(lengths[:place]) < sum(lengths) / 2]
    return [first, notes[len(first) :]]


def _source(source: str, words: Words) -> str:
    """Return where a number is from, in the customer's words; reasons of an estimate only where they can be read."""
    source = _OF_THE_PROJECT.sub("", source)
    for start, key in _ESTIMATES.items():
        if source.startswith(start):
            reasons = source[len(start) :]
            return words(key) + (_estimated(words.text(reasons), words) if words.knows(reasons) else "")
    return _estimated(words.text(source), words)


def _estimated(source: str, words: Words) -> str:
    """Return a source that calls nothing an assumption or without a source in its middle: that, too, is an estimate."""
    for said, key in _ESTIMATES.items():
        source = re.sub(rf"\b{said}\b", words(key), source)
    return source


def _question(question: api.LetterQuestion, currency: str, words: Words) -> list[str]:
    """Return what to ask, and what the answer is good for."""
    values: dict[str, Any] = {"advice": question.retrofits, "worth": question.worth, "currency": currency}
    return [words.text(question.question), words.say(api.LetterFact("question_worth", values))]


def _reads_on_white(colour: str) -> bool:
    """Tell whether text of this colour, #rrggbb, has a contrast of 4.5 to 1 on white (WCAG 2.2, 1.4.3)."""
    parts = [int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 1.05 / (0.2126 * red + 0.7152 * green + 0.0722 * blue + 0.05) >= 4.5
