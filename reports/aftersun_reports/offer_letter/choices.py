"""The options of a letter side by side: what each is, costs and should bring, with its range."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

from aftersun import api
from aftersun_reports.offer_letter.wording import Words, breakable, clean, sentence

_SIDE_BY_SIDE = 3  # columns that a page holds in readable print; more go into a table below

_GAINS = (
    "yearly",
    "apart",
    "net_worth",
    "rule_stays",
    "chance",
    "payback",
)  # rows left out where no option promises any
_CAPITAL_NOUNS = ("de",)  # languages that write them with a capital
_COUNTED = ("piece", "pair", "module", "check", "visit")
_LINE = 25  # characters that the line of a column holds, about
_STAYS_WHOLE = 700  # characters in a cell

Cell = dict[str, Any]


def options(letter: api.Letter, letters: Sequence[str], words: Words) -> dict[str, Any] | None:
    """Return the table of options, in groups of columns, None without options."""
    if not letter.options:
        return None
    heads = [
        {"letter": tag, "title": words.title(letter, option)}
        for tag, option in zip(letters, letter.options, strict=True)
    ]
    columns = [_cells(letter, option, words) for option in letter.options]
    promises = any(option.offer and not option.safety_remedial for option in letter.options)
    groups = []
    for start in range(0, len(columns), _SIDE_BY_SIDE):
        few = slice(start, start + _SIDE_BY_SIDE)
        rows = [
            _row(
                words("price_net" if key == "price" and letter.tax_reclaimed else key),
                key,
                [column[key] for column in columns[few]],
            )
            for key in (
                "what_it_is",
                "price",
                "price_lines",
                "if_needed",
                "later",
                "gained",
                *(_GAINS if promises else ()),
                "survey_first",
            )
        ]
        groups.append(
            {
                "heads": heads[few],
                # a row in which no option has anything to say is left out
                "rows": [row for row in rows if any(cell["main"] or cell["lines"] for cell in row["cells"])],
            }
        )
    return {
        "lead": words("convention", **_convention(letter, words)) if promises else "",
        "groups": groups,
        "explained": words("ranges_explained") if promises else "",
    }


def recommended(letter: api.Letter, words: Words) -> dict[str, Any] | None:
    """Return page one of what is recommended first: its sentences, its figures by label, and how sure they are."""
    if not letter.options or not letter.options[0].offer:
        return None
    option = letter.options[0]
    title, price = words.title(letter, option), words.figures.exact(option.price)
    if option.safety_remedial:
        sentences = [
            words("recommend_safety", title=title),
            words("recommend_safety_price", price=price),
            words("recommend_safety_free"),
        ]
        return {"sentences": sentences, "figures": [[words("key_price"), price]], "range": ""}
    rounded, years = words.figures.rounded, option.years
    payback = option.discounted_payback_years
    paid_back = (
        words("not_paid_back", n=years) if payback is None else words("paid_back", n=words.figures.fixed(payback, 1))
    )
    charge = sum(line.price for line in option.later if line.every_year)
    key_payback = words("key_years", n=words.figures.fixed(payback, 1)) if payback else paid_back
    chance = "" if option.chance_npv_positive is None else words.chance(option.chance_npv_positive)
    summary = " ".join(sentence(words.text(part.summary)) for part in option.parts)
    within = words.language not in _CAPITAL_NOUNS  # else its first word may be a noun
    if within and (summary[1:2].islower() or summary[1:2] == " "):  # goes on within the sentence
        summary = summary[0].lower() + summary[1:]
    known = option.npv_p90 is not None and option.npv_p10 is not None
    low, high = rounded(option.npv_p90 or 0.0), rounded(option.npv_p10 or 0.0)
    return {
        "sentences": [
            words("recommend", title=title, summary=summary),
            words(
                "recommend_figures" + ("" if not charge else "_charged" if option.price else "_charge_alone"),
                price=price,
                charge=words.figures.exact(charge),
                yearly=rounded(option.yearly),
                n=years,
                payback=paid_back,
            ),
            *(
                [
                    words(
                        "recommend_if_needed",
                        amount=words.figures.exact(sum(line.price for line in option.if_needed)),
                        items=", ".join(_what(line, words) for line in option.if_needed),
                        counted=words.figures.exact(option.if_needed_counted),
                    )
                ]
                if option.if_needed
                else []
            ),
            words.say(
                api.LetterFact("recommend_net", {"net": rounded(option.npv), **({"chance": chance} if chance else {})})
            ),
        ],
        "figures": [
            [words("key_price"), price],
            [words("key_yearly"), rounded(option.yearly)],
            *([] if _charge_alone(option) else [[words("key_payback"), key_payback]]),
            [words("key_net"), rounded(option.npv)],
            *(
                [[words("key_range"), words("up_to", low=rounded(option.npv_p90 or 0.0, mark=False), high=high)]]
                if known
                else []
            ),
        ],
        "range": words("plain_range", low=low, high=high) if known else words("plain_range_none"),
    }


def _convention(letter: api.Letter, words: Words) -> dict[str, Any]:
    return {
        "currency": clean(letter.currency),
        "tax": words("convention_net" if letter.tax_reclaimed else "convention_tax"),
        "rate": words.figures.percent(letter.discount_rate),
    }


def _row(label: str, key: str, cells: Sequence[Cell]) -> dict[str, Any]:
    """Return a row; it stays on one page unless a cell is so long that it might not find room on any."""
    longest = max(
        len(cell["main"]) + sum(map(len, cell["more"])) + sum(len(what) + _LINE for what, _ in cell["lines"])
        for cell in cells
    )
    return {"label": label, "key": key, "cells": list(cells), "whole": longest < _STAYS_WHOLE}


def _cell(main: str = "", more: Sequence[str] = (), lines: Sequence[Sequence[str]] = (), figure: bool = False) -> Cell:
    """Return a cell: a text, or a figure to be seen at once, lines below it, and pairs of a word and an amount."""
    return {
        "main": main,
        "more": [text for text in more if text],
        "lines": [list(line) for line in lines],
        "figure": figure,
    }


def _cells(letter: api.Letter, option: api.LetterOption, words: Words) -> dict[str, Cell]:
    """Return the cells of an option by row."""
    if not option.offer:
        return {
            "what_it_is": _cell(words("nothing_with_danger" if letter.dangers else "nothing_now")),
            "price": _cell(words("nothing_price")),
            **dict.fromkeys(("price_lines", "if_needed"), _cell()),
            **dict.fromkeys(("yearly", "net_worth"), _cell(words("nothing_brings"))),
            **dict.fromkeys(("later", "gained", "apart", "rule_stays"), _cell()),
            **dict.fromkeys(("chance", "payback", "survey_first"), _cell(words("nothing_cell"))),
        }
    cells = {
        "price": _price(letter, option, words),
        "price_lines": _price_lines(option, words),
        "if_needed": _if_needed(option, words),
        "later": _cell(lines=[_later(line, words) for line in option.later]),
        "gained": _cell(lines=[_later(line, words) for line in option.gained]),
        "survey_first": _cell(sentence(words.listed(option.survey_first, "; ")) or words("survey_none")),
    }
    if option.safety_remedial:
        promised_nothing = dict.fromkeys(_GAINS, _cell(words("not_promised")))
        return (
            cells
            | promised_nothing
            | dict.fromkeys(("apart", "rule_stays"), _cell())
            | {"what_it_is": _cell(words("told_not_sold"))}
        )
    single, years, payback = len(option.parts) == 1, option.years, option.discounted_payback_years
    summaries = [
        words.text(part.summary) if single else f"{words.text(part.title)}: {words.text(part.summary)}"
        for part in option.parts
    ]
    yearly = (option.yearly_p90, option.yearly_p10)
    net_worth = (option.npv_p90, option.npv_p10)
    chance = option.chance_npv_positive
    return cells | {
        "what_it_is": _cell("\n".join(map(sentence, summaries))),
        "yearly": _gain(option.yearly, yearly, words.counted("over_years", years), words),
        "apart": _cell(
            lines=[(_item(line, words), words.figures.rounded(line.price, mark=False)) for line in option.apart]
        ),
        "net_worth": _gain(option.npv, net_worth, words.counted("within_years", years), words),
        "rule_stays": _rule_stays(option, words),
        "chance": _cell(words("chance_none")) if chance is None else _cell(words.chance(chance), figure=True),
        "payback": _cell(words("payback_no_price"))
        if _charge_alone(option)
        else _cell(
            words.counted("payback_never", years)
            if payback is None
            else words("payback_after", n=words.figures.fixed(payback, 1)),
            figure=True,
        ),
    }


def _rule_stays(option: api.LetterOption, words: Words) -> Cell:
    """Return what it is worth if today's export rule never ended, and until when we count with it."""
    if option.npv_if_rule_stays is None or option.rule_ends_in_years is None:
        return _cell()
    n = words.figures.fixed(option.rule_ends_in_years, 1)
    until = words("rule_ends_assumed" if option.rule_end_assumed else "rule_ends", n=n)
    return _cell(words.figures.rounded(option.npv_if_rule_stays), [until], figure=True)


def _price(letter: api.Letter, option: api.LetterOption, words: Words) -> Cell:
    tax = words("price_no_tax")
    if letter.sales_tax_rate and letter.tax_reclaimed:
        amount = words.figures.exact(option.price * letter.sales_tax_rate, mark=False)
        tax = words("price_plus_tax", rate=words.figures.percent(letter.sales_tax_rate), amount=amount)
    elif letter.sales_tax_rate:
        amount = words.figures.exact(option.sales_tax, mark=False)
        tax = words("price_tax", rate=words.figures.percent(letter.sales_tax_rate), amount=amount)
    price, before = words.figures.exact(option.price), words.figures.exact(option.price_before)
    return _cell(price, [tax, words("price_before", amount=before) if before != price else ""], figure=True)


def _price_lines(option: api.LetterOption, words: Words) -> Cell:
    prices: dict[str, float] = {}  # the same kind of work at several places is one line
    for line in option.price_lines:
        what = _what(line, words)
        prices[what] = prices.get(what, 0.0) + line.price
    lines = [(what, words.figures.exact(price, mark=False)) for what, price in prices.items()]
    if lines and words.figures.exact(option.price_before) != words.figures.exact(option.price):
        lines.append((words("price_lines_before"), words.figures.exact(option.price_before, mark=False)))
    return _cell(lines=lines)


def price_to_sign(option: api.LetterOption, words: Words) -> str:
    """Return the price that a customer accepts, with what comes on top if needed."""
    price = words.figures.exact(option.price)
    if not option.if_needed:
        return price
    more = words.figures.exact(sum(line.price for line in option.if_needed))
    return words("price_and_if_needed", price=price, amount=more)


def _if_needed(option: api.LetterOption, words: Words) -> Cell:
    """Return what is no part of the price and comes on top if needed, and what is counted of it."""
    lines = [(_what(line, words), words.figures.exact(line.price, mark=False)) for line in option.if_needed]
    if lines:
        lines.append((words("if_needed_counted"), words.figures.exact(option.if_needed_counted, mark=False)))
    return _cell(lines=lines)


def _charge_alone(option: api.LetterOption) -> bool:
    return not option.price and any(line.every_year for line in option.later)


def _later(line: api.LetterPrice, words: Words) -> tuple[str, str]:
    """Return what is paid or gained beside the price and when, and the amount."""
    item = breakable(_item(line, words)) if line.unit == "year" else _what(line, words)
    amount = words.figures.exact(line.price, mark=False)
    if line.every_year:
        return words("later_every_year", item=item), amount
    later = words.counted("later_in_year", line.in_year, item=item)
    return later if line.in_year else words("gained_at_once", item=item), amount


def _what(line: api.LetterPrice, words: Words) -> str:
    """Return what a line of the price is for; units that go without saying are left out."""
    if line.kind in (api.CostKind.TRAVEL, "other"):
        return words(f"price_{line.kind}")
    item = _item(line, words)
    if line.kind == api.LABOUR:
        return words("price_labour", item=breakable(item))
    if line.kind == api.ACCESS or line.quantity == 1:
        return breakable(item)
    if line.unit in _COUNTED and line.quantity != round(line.quantity):  # an expected number, as of what may be needed
        return words("price_if_needed" if line.quantity < 1 else "price_as_needed", item=breakable(item))
    unit = {} if line.unit in _COUNTED else {"unit": line.unit}
    whole = float(max(round(line.quantity), 1))
    return words.say(api.LetterFact("price_item", {"item": item, "quantity": whole, **unit}))


def job_lines(lines: Iterable[api.LetterPrice], words: Words) -> list[str]:
    """Return what the crew brings or plans for, each item once."""
    together: dict[tuple[str, str], api.LetterPrice] = {}
    for line in lines:
        before = together.get((line.item, line.unit))
        quantity = line.quantity + (before.quantity if before else 0.0)
        together[line.item, line.unit] = replace(line, quantity=quantity)
    return [job_line(line, words) for line in together.values()]


def job_if_needed(option: api.LetterOption, words: Words) -> list[str]:
    """Return what the crew brings in case it is needed."""
    return [words("job_line_if_needed", item=_what(line, words)) for line in option.if_needed]


def job_line(line: api.LetterPrice, words: Words) -> str:
    """Return what the crew brings or plans for, with the quantity that was reckoned."""
    if line.unit in _COUNTED and line.quantity < 1:  # an expected number
        return words("job_line_if_needed", item=breakable(_item(line, words)))
    whole = math.ceil(line.quantity) if line.unit in _COUNTED else round(line.quantity, 1)
    quantity = words.figures.number(whole)
    return words("job_line", item=breakable(_item(line, words)), quantity=quantity, unit=words.text(line.unit))


def _item(line: api.LetterPrice, words: Words) -> str:
    """Return what an item of the price book is called."""
    named = line.item.replace("_", " ").strip()
    return words(f"item_{line.item}") if words.has(f"item_{line.item}") else named[:1].upper() + named[1:]


def _gain(expected: float, drawn: Sequence[float | None], span: str, words: Words) -> Cell:
    """Return what is expected with its range, ``drawn`` P90 and P10, or that nothing was drawn."""
    p90, p10 = drawn
    if p90 is None or p10 is None:
        return _cell(words.figures.rounded(expected), [words("range_none"), span], figure=True)
    range_ = words("range", low=words.figures.rounded(p90, mark=False), high=words.figures.rounded(p10, mark=False))
    return _cell(words.figures.rounded(expected), [range_, span], figure=True)
