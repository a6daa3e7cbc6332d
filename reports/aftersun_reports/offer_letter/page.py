"""One letter as the texts that stand on its pages, section by section; ``letter.typ`` sets them and knows no more."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from aftersun import api
from aftersun_reports.offer_letter import charts, choices
from aftersun_reports.offer_letter.wording import Words, breakable, clean, sentence

_FIXED = (  # texts that the layout takes as they are
    *("page", "greeting", "notice_first", "system_title", "losses_title", "losses_unit", "findings_title"),
    *("options_title", "safety_title", "safety_lead", "charts_title", "claims_title", "claims_lead", "claims_said"),
    *("claims_computed", "assumptions_title", "assumptions_lead", "assumption", "assumption_used", "assumption_range"),
    *("assumption_source", "questions_title", "questions_lead", "closing"),
)
_ASSUMPTIONS = 6  # that move the result most are printed; those that turn the advice or were replaced always are


def page(letter: api.Letter, head: api.Letterhead) -> dict[str, Any]:
    """Return all texts of a letter, ready to be written as JSON. Sections with nothing to say are None."""
    notice = letter.notice
    kind = "notice_" if notice else ""
    amounts = [
        amount
        for option in letter.options
        for amount in (
            option.price,
            option.price_before,
            option.sales_tax,
            *(line.price for line in option.price_lines),
        )
    ]
    words = Words(head, clean(letter.currency), amounts)
    letters = words.letters(len(letter.options))
    number, version = breakable(letter.number), letter.version
    return {
        "paper": "us-letter" if head.paper == "letter" else "a4",
        "language": head.language,
        "accent": head.accent_colour,
        "accent_reads": _reads_on_white(head.accent_colour),
        "title": words(f"{kind}pdf_title", number=clean(letter.number), version=version),
        "made_on": [letter.made_on.year, letter.made_on.month, letter.made_on.day],
        "footer": words(f"{kind}footer", number=number, version=version),
        "words": {key: words(key) for key in _FIXED},
        "name": breakable(head.name),
        "address": _lines(head.address),
        "contact": _lines(head.contact),
        "closing_lines": _lines(head.closing),
        "customer": _lines(letter.customer),
        "reference": _reference(letter, words),
        "headline": words("notice_title" if notice else "letter_title"),
        "notice": notice,
        "dangers": _dangers(letter, words),
        "opening": words(_opening(letter)),
        "remark": _section(words("remark_title"), [breakable(part) for part in letter.remark.split("\n")]),
        "changes": _section(
            words("changes_title", before=version - 1), [words.say(change) for change in letter.changes]
        ),
        "system": _system(letter, words),
        "options": choices.options(letter, letters, words),
        "safety": _safety(letter, letters, words),
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
        [words("notice_number" if letter.notice else "number"), breakable(letter.number)],
        [words("version"), str(letter.version)],
        [words("date"), words.figures.day(letter.made_on)],
        *([] if letter.notice else [[words("valid_until"), words.figures.day(letter.valid_until)]]),
        [words("site"), breakable(letter.site_id)],
    ]


def _about(letter: api.Letter, words: Words) -> dict[str, Any]:
    rows = [
        *([[words("about_weather"), words.say(letter.weather).rstrip(".")]] if letter.weather else []),
        *([] if letter.notice else [[words("about_prices"), words.figures.day(letter.price_date)]]),
        [words("about_as_of"), words.figures.day(letter.as_of)],
        [words("about_run"), breakable(letter.run_id)],
        [words("about_program"), breakable(letter.program_version)],
    ]
    return {"title": words("notice_about_title" if letter.notice else "about_title"), "rows": rows}


def _opening(letter: api.Letter) -> str:
    """Return the key of the opening: from records unless there are readings, and a known danger goes first."""
    if letter.notice:
        return "notice_opening"
    return f"opening{'_meters' if letter.from_meters else ''}{'_danger' if letter.dangers else ''}"


def _answer(letter: api.Letter, head: api.Letterhead, words: Words) -> dict[str, Any]:
    """Return what is asked of the customer; of a known danger to phone the company, whatever is decided."""
    contact = ", ".join(_lines(head.contact))
    without = "" if contact else "_no_contact"
    date = words.figures.day(letter.valid_until)
    more = ""
    if letter.notice:
        text, more = words(f"notice_phone{without}", contact=contact), words("notice_other")
    elif letter.dangers:
        text = words(f"answer_danger{without}", contact=contact, date=date)
    else:
        text = words("answer", date=date)
    title = words("notice_phone_title" if letter.notice else "answer_title")
    return {"title": title, "text": text, "more": more}


def _lines(lines: Sequence[str]) -> list[str]:
    return [text for text in map(breakable, lines) if text]


def _section(title: str, items: Sequence[str]) -> dict[str, Any] | None:
    shown = [item for item in items if item]
    return {"title": title, "items": shown} if shown else None


def _note(note: api.LetterNote, words: Words) -> dict[str, str]:
    key = f"severity_{note.severity}"
    return {
        "severity": words(key) if words.has(key) else breakable(note.severity),
        "text": breakable(note.text),
        "who": words("who", who=sentence(breakable(note.who))) if note.who.strip() else "",
        "letters": "",
    }


def _dangers(letter: api.Letter, words: Words) -> dict[str, Any] | None:
    if not letter.dangers:
        return None
    return {
        "title": words("notice_dangers_title" if letter.notice else "dangers_title"),
        "lead": "" if letter.notice else words("dangers_lead"),
        "notes": [_note(note, words) for note in letter.dangers],
    }


def _safety(letter: api.Letter, letters: Sequence[str], words: Words) -> list[dict[str, str]]:
    """Return every note of every option; one that several options share stands once, with all their letters.

    Where there is work of one option alone, no letter has to tell which.
    """
    named: dict[tuple[str, str, str], list[str]] = {}
    notes: dict[tuple[str, str, str], api.LetterNote] = {}
    for tag, option in zip(letters, letter.options, strict=True):
        for note in option.notes:
            key = (note.severity, note.text, note.who)
            notes[key] = note
            named.setdefault(key, [])
            if tag not in named[key]:
                named[key].append(tag)
    several = sum(bool(option.notes) for option in letter.options) > 1
    order = [api.DANGER, api.WARNING, api.CAUTION]
    worst_first = sorted(notes, key=lambda key: order.index(key[0]) if key[0] in order else -1)
    return [
        _note(notes[key], words) | ({"letters": words("note_for", letters=", ".join(named[key]))} if several else {})
        for key in worst_first
    ]


def _system(letter: api.Letter, words: Words) -> dict[str, Any] | None:
    if not (letter.system or letter.findings or letter.losses):
        return None
    losses = [
        [
            words.say(api.LetterFact(f"loss_{loss.step}"))
            + (f" ({words('loss_by_chance')})" if loss.by_chance else ""),
            # what all begins with is no gain
            words.figures.fixed(-loss.kwh)
            if position == 0 and loss.kwh < 0
            else words.figures.fixed(-loss.kwh, sign=True),
        ]
        for position, loss in enumerate(letter.losses)
    ]
    return {
        "facts": [_known(fact, words) for fact in letter.system],
        "findings": [sentence(words.say(finding)) for finding in letter.findings],
        "losses": losses,
    }


def _known(fact: api.LetterFact, words: Words) -> list[str]:
    """Return the label of a fact of the system and what is known."""
    return [words.say(api.LetterFact(f"{fact.code}_label")), words.say(fact)]


def _claims(letter: api.Letter, letters: Sequence[str], words: Words) -> list[dict[str, str]]:
    """Return the trade's claims beside what was computed; none of an option that is named for safety alone."""
    return [
        {
            "letter": tag,
            "text": breakable(claim.text),
            "source": words("source", source=sentence(breakable(claim.source))) if claim.source.strip() else "",
            "computed": words.say(claim.computed),
        }
        for tag, option in zip(letters, letter.options, strict=True)
        if not option.safety_remedial
        for claim in option.claims
    ]


def _assumptions(letter: api.Letter, words: Words) -> dict[str, Any] | None:
    """Return the assumptions that matter; how many more there are is said, not shown quiet.

    They stand for gains, so those of an option that promises none are left out.
    """
    sold = [option for option in letter.options if not option.safety_remedial]
    distinct = list(dict.fromkeys(one for option in sold for one in option.assumptions))
    if not distinct:
        return None
    per_option = [option.assumptions for option in sold if option.assumptions]
    share = max(_ASSUMPTIONS // len(per_option), 1)
    leading = {one for assumptions in per_option for one in assumptions[:share]}
    shown = [one for one in distinct if one in leading or one.turns or one.replaced.strip()]
    left = len(distinct) - len(shown)
    return {
        "rows": [
            {
                "meaning": breakable(one.meaning),
                "remarks": [
                    *([words("assumption_turns")] if one.turns else []),
                    *([words("assumption_replaced", why=sentence(breakable(one.replaced)))] if one.replaced else []),
                ],
                "used": words.with_unit(one.used, None, one.unit),
                "range": words.with_unit(one.low, one.high, one.unit),
                "source": breakable(one.source),
            }
            for one in shown
        ],
        "more": words.counted("assumptions_more", left) if left else "",
    }


def _question(question: api.LetterQuestion, currency: str, words: Words) -> list[str]:
    """Return what to ask, and what the answer is good for."""
    values: dict[str, Any] = {"advice": question.retrofits, "worth": question.worth, "currency": currency}
    return [breakable(question.question), words.say(api.LetterFact("question_worth", values))]


def _reads_on_white(colour: str) -> bool:
    """Tell whether text of this colour, #rrggbb, has a contrast of 4.5 to 1 on white (WCAG 2.2, 1.4.3)."""
    parts = [int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 1.05 / (0.2126 * red + 0.7152 * green + 0.0722 * blue + 0.05) >= 4.5
