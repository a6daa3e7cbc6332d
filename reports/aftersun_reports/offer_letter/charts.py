"""What the two charts show, as shares of their width and height; ``charts.typ`` draws them.

They are drawn with the typesetter's own lines and bars. matplotlib was tried: 32 ms a chart, so the batch would hold,
but it adds some 60 MB and ten packages, and its labels would be outlines in another face instead of text that can be
searched, read aloud and measured by what sets the rest of the page. Two charts with straight axes do not need it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from aftersun import api
from aftersun_reports.offer_letter.wording import Words, clean

_PARTS = ("used", "to_water", "exported")  # of what is generated, from the bottom of a bar upwards
_SUMS = ("generated", "used", "to_water", "exported", "imported")


def steps(low: float, high: float, about: int = 5) -> list[float]:
    """Return round numbers in even steps of 1, 2 or 5 times a power of ten that enclose ``low`` to ``high``.

    ``about`` is how many steps are wished for.
    """
    span = max(high - low, 1e-9)
    power = 10.0 ** math.floor(math.log10(span / about))
    step = next(size * power for size in (1, 2, 5, 10) if size * power * about >= span * (1 - 1e-9))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [index * step for index in range(first, max(last, first + 1) + 1)]


def cash(letter: api.Letter, letters: Sequence[str], words: Words) -> dict[str, Any] | None:
    """Return the chart of money added up over the years, None if no option has a course to show.

    Of an option that is named for safety alone no line is drawn: it would be a promise.
    """
    tagged = list(zip(letters, letter.options, strict=True))
    drawn = [(tag, option) for tag, option in tagged if option.offer and option.cash and not option.safety_remedial]
    if not drawn:
        return None
    sums = [year.cumulative for _, option in drawn for year in option.cash]
    marks = steps(min(*sums, 0.0), max(*sums, 0.0))
    last_year = max(year.year for _, option in drawn for year in option.cash) or 1
    years = [year for year in steps(0, last_year, about=10) if year == int(year) and year <= last_year]

    def height(amount: float) -> float:
        return (amount - marks[0]) / (marks[-1] - marks[0])

    lines, in_words = [], []
    for style, (tag, option) in enumerate(drawn):
        title, first, last = words.title(letter, option), option.cash[0], option.cash[-1]
        points = [[year.year / last_year, height(year.cumulative)] for year in option.cash]
        lines.append({"letter": tag, "title": title, "points": points, "style": style})
        ends = {"first": words.figures.rounded(first.cumulative), "last": words.figures.rounded(last.cumulative)}
        in_words.append(words("cash_alt_line", letter=tag, title=title, n=last.year, **ends))
    nothing = [{"letter": tag, "title": words.title(letter, option)} for tag, option in tagged if not option.offer]
    return {
        "title": words("cash_title"),
        "lead": words("cash_lead", currency=clean(letter.currency)),
        "notes": [words("cash_not_drawn", letter=tag) for tag, option in tagged if option.safety_remedial],
        "axis": words("cash_axis"),
        "alt": words("cash_alt", lines=" ".join(in_words)),
        "marks": [{"at": height(mark), "text": words.figures.rounded(mark, mark=False)} for mark in marks],
        "years": [{"at": year / last_year, "text": str(int(year))} for year in years],
        "zero": height(0.0),
        "nothing": nothing[0] if nothing else None,
        "lines": lines,
    }


def months(letter: api.Letter, letters: Sequence[str], words: Words) -> dict[str, Any] | None:
    """Return the chart of energy month by month, today and with the first option, None if today is not known.

    Beside an option that is named for safety alone only today is shown.
    """
    if len(letter.today) != 12:
        return None
    first = letter.options[0] if letter.options else None
    shows_first = first is not None and first.offer and not first.safety_remedial and len(first.months) == 12
    series: list[tuple[str, Sequence[api.LetterMonth]]] = [(words("today"), letter.today)]
    lead = words("months_lead_today")
    if first is not None and shows_first:
        series.append((words("with_option", letter=letters[0]), first.months))
        lead = words("months_lead", letter=letters[0], title=words.title(letter, first))
    everything = [month for _, values in series for month in values]
    parts = [part for part in _PARTS if part != "to_water" or any(month.to_water_kwh > 0 for month in everything)]
    marks = steps(0.0, max(sum(_kwh(month, part) for part in parts) for month in everything))

    def totals(name: str) -> list[str]:
        return [words.figures.fixed(math.fsum(_kwh(month, name) for month in values)) for _, values in series]

    sums = [
        {"name": words(name), "fill": name if name in parts else "", "values": totals(name)}
        for name in _SUMS
        if name in parts or name not in _PARTS
    ]
    return {
        "title": words("months_title"),
        "lead": lead,
        "alt": words("months_alt"),
        "marks": [{"at": mark / marks[-1], "text": words.figures.number(mark)} for mark in marks],
        "months": [words.figures.month(month.month) for month in letter.today],
        "letter": letters[0] if shows_first else "",
        "parts": [{"fill": part} for part in parts],
        "bars": [
            [[max(_kwh(month, part), 0.0) / marks[-1] for part in parts] for month in values] for _, values in series
        ],
        "sums": {"title": words("year_sums"), "series": [label for label, _ in series], "rows": sums},
    }


def _kwh(month: api.LetterMonth, name: str) -> float:
    return float(getattr(month, f"{name}_kwh"))
