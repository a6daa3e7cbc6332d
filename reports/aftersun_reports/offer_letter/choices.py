"""The options of a letter side by side: what each is, costs and should bring, with its range."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from aftersun import api
from aftersun_reports.offer_letter.wording import Figures, Words, breakable, clean, sentence

_SIDE_BY_SIDE = 3  # columns that a page holds in readable print; more go into a table below

_GAINS = ("yearly", "net_worth", "chance", "payback")  # rows left out where no option promises any
_COUNTED = ("piece", "pair", "module", "check", "visit")
_LINE = 25  # characters that the line of a column holds, about
_STAYS_WHOLE = 700  # characters in a cell

Cell = dict[str, Any]


def options(letter: api.Letter, letters: Sequence[str], words: Words, figures: Figures) -> dict[str, Any] | None:
    """Return the table of options, in groups of columns, None without options."""
    if not letter.options:
        return None
    columns = [_Column(letter, option, words, figures) for option in letter.options]
    promises = any(option.offer and not option.safety_remedial for option in letter.options)
    groups = []
    for start in range(0, len(columns), _SIDE_BY_SIDE):
        group = columns[start : start + _SIDE_BY_SIDE]
        rows = [
            _row(words(key), key, [getattr(column, key)() for column in group])
            for key in ("what_it_is", "price", "price_lines", *(_GAINS if promises else ()), "survey_first")
        ]
        groups.append(
            {
                "heads": [
                    {"letter": tag, "title": words.title(letter, column.option)}
                    for tag, column in zip(letters[start : start + _SIDE_BY_SIDE], group, strict=True)
                ],
                # a row in which no option has anything to say is left out
                "rows": [row for row in rows if any(cell["main"] or cell["lines"] for cell in row["cells"])],
            }
        )
    return {
        "title": words("options_title"),
        "lead": words.counted("options_lead", len(letter.options), currency=clean(letter.currency)),
        "groups": groups,
        "explained": words("ranges_explained") if promises else "",
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


class _Column:
    """One option; each method returns the cell of one row."""

    def __init__(self, letter: api.Letter, option: api.LetterOption, words: Words, figures: Figures) -> None:
        self.letter, self.option, self._words, self._figures = letter, option, words, figures
        self._nothing = not option.offer

    def what_it_is(self) -> Cell:
        words, option = self._words, self.option
        if self._nothing:
            return _cell(words("nothing_with_danger" if self.letter.dangers else "nothing_now"))
        if option.safety_remedial:
            return _cell(words("told_not_sold"))
        single = len(option.parts) == 1
        told = [
            sentence(breakable(part.summary if single else f"{part.title}: {part.summary}")) for part in option.parts
        ]
        return _cell("\n".join(told))

    def price(self) -> Cell:
        words, option, figures = self._words, self.option, self._figures
        if self._nothing:
            return _cell(words("nothing_price"))
        taxed = words(
            "price_tax",
            rate=figures.percent(self.letter.sales_tax_rate),
            amount=figures.exact(option.sales_tax, mark=False),
        )
        before = words("price_before", amount=figures.exact(option.price_before))
        return _cell(
            figures.exact(option.price),
            [
                taxed if self.letter.sales_tax_rate else words("price_no_tax"),
                before if figures.exact(option.price_before) != figures.exact(option.price) else "",
            ],
            figure=True,
        )

    def price_lines(self) -> Cell:
        words, option, figures = self._words, self.option, self._figures
        if self._nothing or not option.price_lines:
            return _cell()
        lines = [(self._what(line), figures.exact(line.price, mark=False)) for line in option.price_lines]
        if figures.exact(option.price_before) != figures.exact(option.price):
            lines.append((words("price_lines_before"), figures.exact(option.price_before, mark=False)))
        return _cell(lines=lines)

    def _what(self, line: api.LetterPrice) -> str:
        """Return what a line of the price is for; units that go without saying are left out."""
        words = self._words
        if line.kind in ("travel", "other"):
            return words(f"price_{line.kind}")
        named = line.item.replace("_", " ").strip()
        item = words(f"item_{line.item}") if words.has(f"item_{line.item}") else named[:1].upper() + named[1:]
        if line.kind == api.LABOUR:
            return words.say(api.LetterFact("price_labour", {"item": item, "n": round(line.quantity, 2)}))
        if line.kind == api.ACCESS or line.quantity == 1:
            return breakable(item)
        values: dict[str, float | str] = {"item": item, "quantity": line.quantity}
        if line.unit not in _COUNTED:
            values["unit"] = line.unit
        return words.say(api.LetterFact("price_item", values))

    def yearly(self) -> Cell:
        option = self.option
        span = self._words.counted("over_years", option.years)
        return self._gain(option.yearly, (option.yearly_p90, option.yearly_p50, option.yearly_p10), span)

    def net_worth(self) -> Cell:
        option = self.option
        span = self._words.counted("within_years", option.years)
        return self._gain(option.npv, (option.npv_p90, option.npv_p50, option.npv_p10), span)

    def _gain(self, expected: float, drawn: Sequence[float | None], span: str) -> Cell:
        """Return the middle of what was drawn with its range; what is expected, and that none was, where none was.

        ``drawn`` are P90, P50 and P10. The figure at the values used may lie outside their range.
        """
        p90, p50, p10 = drawn
        words, figures = self._words, self._figures
        if self._nothing:
            return _cell(words("nothing_brings"))
        if self.option.safety_remedial:
            return _cell(words("not_promised"))
        if p90 is None or p10 is None:
            return _cell(figures.rounded(expected), [words("range_none"), span], figure=True)
        range_ = words("range", low=figures.rounded(p90, mark=False), high=figures.rounded(p10, mark=False))
        return _cell(figures.rounded(expected if p50 is None else p50), [range_, span], figure=True)

    def chance(self) -> Cell:
        if self._nothing:
            return _cell(self._words("nothing_cell"))
        if self.option.safety_remedial:
            return _cell(self._words("not_promised"))
        chance = self.option.chance_npv_positive
        if chance is None:
            return _cell(self._words("chance_none"))
        return _cell(self._words.chance(chance), figure=True)

    def payback(self) -> Cell:
        words, option = self._words, self.option
        if self._nothing:
            return _cell(words("nothing_cell"))
        if option.safety_remedial:
            return _cell(words("not_promised"))
        if option.discounted_payback_years is None:
            return _cell(words.counted("payback_never", option.years), figure=True)
        return _cell(words("payback_after", n=self._figures.fixed(option.discounted_payback_years, 1)), figure=True)

    def survey_first(self) -> Cell:
        if self._nothing:
            return _cell(self._words("nothing_cell"))
        return _cell(sentence(self._words.listed(self.option.survey_first, "; ")) or self._words("survey_none"))
