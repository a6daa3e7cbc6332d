"""The sentences that say why a retrofit is advised on a roof or not."""

from __future__ import annotations

import math

ADVISED = "advised"
SURVEY = "survey first"
NOT_WORTH_IT = "not worth it"
DOES_NOT_FIT = "does not fit"
ALREADY_FITTED = "already fitted"
FAILED = "failed"


def verdict(npv: float, upfront: float, first_year: float, years: int, payback: float, currency: str) -> str:
    """Say in one sentence what an evaluated retrofit does for the owner over its years."""
    if years < 1:
        return "the PV system is planned to run for less than a year more"
    gain = "brings" if first_year >= 0 else "loses"
    start = f"costs {upfront:,.0f} {currency} and {gain} {abs(first_year):,.0f} in the first year"
    if npv > 0:
        back = f", paid back after {payback:.1f} years" if math.isfinite(payback) else ""
        return f"{start}{back}: worth {npv:,.0f} over {years} years"
    return f"{start}: {abs(npv):,.0f} short over {years} years"


def status_of(npv: float, screened: str) -> str:
    """Return the status of an evaluated retrofit from its worth and its screening."""
    if not npv > 0:
        return NOT_WORTH_IT
    return SURVEY if screened == SURVEY else ADVISED


def join(*parts: str) -> str:
    """Join the parts that say something."""
    return "; ".join(part for part in parts if part)


def sentences(*parts: str) -> str:
    """Make a sentence of each part that says something."""
    return " ".join(part[0].upper() + part[1:].rstrip(".") + "." for part in parts if part)
