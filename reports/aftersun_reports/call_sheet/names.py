"""Names of the sheets, and words that several of them use."""

from __future__ import annotations

from aftersun import api

CALLS, GUIDE, LOG, DANGERS, NOTES = "Calls", "How to read this", "call_log", "Known dangers", "Safety notes"
QUESTIONS, OFFERS, RANKING, NOT_CALLED, MONTH = "Questions", "Offers", "All retrofits", "Not called", "Month"
ASSUMPTIONS, CLAIMS, RETROFITS, RUN = "Assumptions", "Claims of the trade", "Retrofits", "Run"

SITE_WIDTH = 18  # characters; a pseudonym has 16
RANGE = ("npv_p90", "npv_p50", "npv_p10", "chance_npv_positive")
DRAWN = (
    "'not drawn' = this run has drawn no range here: nobody knows how sure the figure is. Where a gain is below a "
    "quarter of the cost, only yes/no facts and the yield are drawn, and the true range is wider."
)
AT_VALUES = "Net present value to the owner at the most likely value of each assumption."
NONE_RECORDED = "none recorded"
LOCAL_FIRST = "Local codes and licensed practice come first; these notes replace neither."


def worth(money: str) -> str:
    """Return the title of the column of worth; P50 beside it is the middle of what was drawn, and may differ."""
    return f"worth at the values used {money}"


def sites(count: float) -> str:
    """Return a number of sites in words."""
    return f"{api.ENGLISH.number(count)} {'site' if count == 1 else 'sites'}"
