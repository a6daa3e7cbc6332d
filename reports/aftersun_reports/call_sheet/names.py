"""Names of the sheets, and words and columns that several of them have."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from aftersun import api
from aftersun_reports.call_sheet.book import MONEY, SHARE, Column, drawn

CALLS, GUIDE, LOG, DANGERS, NOTES = "Calls", "How to read this", "call_log", "Known dangers", "Safety notes"
QUESTIONS, OFFERS, RANKING, NOT_CALLED, MONTH = "Questions", "Offers", "All retrofits", "Not called", "Month"
ASSUMPTIONS, CLAIMS, RETROFITS, RUN = "Assumptions", "Claims of the trade", "Retrofits", "Run"

SITE_WIDTH = 18  # characters; a pseudonym has 16
AT_VALUES = "Net present value to the owner at the most likely value of each assumption."
NONE_RECORDED = "none recorded"
_DRAWN = (
    "'not drawn' = this run has drawn no range here: nobody knows how sure the figure is. Where a gain is below a "
    "quarter of the cost, only yes/no facts and the yield are drawn, and the true range is wider."
)


def worth_columns(
    currency: str, p90: str, p50: str, p10: str, gain: str = "Chance that the owner gains anything.", loss: str = ""
) -> list[Column]:
    """Return the columns of a worth and its range; P50 is the middle of what was drawn, and may differ from it."""
    money = f"[{currency}]"

    def ranged(title: str, width: int, kind: str, says: str, of: str) -> Column:
        return Column(title, width, kind, says, (of, "npv"), drawn)

    return [
        Column(f"worth at the values used {money}", 11, MONEY, f"{AT_VALUES}{loss}", "npv"),
        ranged(f"worth P90 {money}", 11, MONEY, f"{p90} {_DRAWN}", "npv_p90"),
        ranged(f"worth P50 {money}", 11, MONEY, p50, "npv_p50"),
        ranged(f"worth P10 {money}", 11, MONEY, p10, "npv_p10"),
        ranged("chance of a gain", 10, SHARE, gain, "chance_npv_positive"),
    ]


def saving_column(money: str, says: str) -> Column:
    """Return the column of what the owner saves or earns in the first year."""
    return Column(f"first-year saving {money}", 11, MONEY, says, "first_year_saving")


def titled(titles: Mapping[str, str]) -> Callable[[str], str]:
    """Return what makes the title of a retrofit; what is none stays as it is."""
    return lambda name: titles.get(name, name)


def listed(titles: Mapping[str, str]) -> Callable[[str | None], str]:
    """Return what makes titles of retrofits written one after another with commas."""
    return lambda names: ", ".join(titles.get(name.strip(), name.strip()) for name in (names or "").split(","))


def why_not_called(code: str | None, detail: str | None) -> str:
    """Return why a site is not on the list of calls, "" where it is."""
    return api.not_called_text(code or "", detail)


def sites(count: float) -> str:
    """Return a number of sites in words."""
    return f"{api.ENGLISH.number(count)} {'site' if count == 1 else 'sites'}"


def amount(value: Any) -> str:
    """Return an amount in whole units, in words where there is none."""
    return api.ENGLISH.number(value) if value == value else "not drawn"
