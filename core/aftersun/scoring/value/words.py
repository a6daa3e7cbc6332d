"""The sentences that say why a retrofit is advised on a roof or not."""

from __future__ import annotations

import math

EVERY_YEAR = "every year"  # how the note of a yearly cost item begins

ADVISED = "advised"
SURVEY = "survey first"
NOT_WORTH_IT = "not worth it"
TOO_UNSURE = "too unsure"  # worth something at the values used, but the chance of that is too small to sell it on
SAFETY_MATTER = "safety matter"  # worth nothing in money, but a danger is known to stand there now
DOES_NOT_FIT = "does not fit"
ALREADY_FITTED = "already fitted"
FAILED = "failed"

# common practice, no source: what pays back sooner is more often a slip in the data than a find
SUSPICIOUS_PAYBACK_YEARS = 1.0
TOO_GOOD = "it would pay back within a year, which is seldom true; check the facts and prices of this site"


def verdict(npv: float, upfront: float, first_year: float, years: int, payback: float, currency: str) -> str:
    """Say in one sentence what an evaluated retrofit does for the owner over its years."""
    if years < 1:
        return "the PV system is planned to run for less than a year more"
    span = "one year" if years == 1 else f"{years} years"
    gain = "brings" if first_year >= 0 else "loses"
    start = f"costs {amount(upfront, currency)} and {gain} {amount(abs(first_year), currency)} in the first year"
    if npv > 0:
        back = f", paid back after {payback:.1f} years" if math.isfinite(payback) else ""
        return f"{start}{back}: worth {amount(npv, currency)} over {span}"
    return f"{start}: {amount(abs(npv), currency)} short over {span}"


def amount(value: float, currency: str) -> str:
    """Write an amount of money; small ones with their decimals."""
    return f"{value:,.0f} {currency}" if abs(value) >= 10 else f"{value:,.2f} {currency}"


def status_of(npv: float, screened: str, danger: bool, sure: bool) -> str:
    """Return the status of an evaluated retrofit from its worth, its screening and a danger that is known to stand."""
    if not npv > 0:
        return SAFETY_MATTER if danger else NOT_WORTH_IT
    if not sure:
        return SAFETY_MATTER if danger else TOO_UNSURE
    return SURVEY if screened == SURVEY else ADVISED


def join(*parts: str) -> str:
    """Join the parts that say something."""
    return "; ".join(part for part in parts if part)


def sentences(*parts: str) -> str:
    """Make a sentence of each part that says something."""
    return " ".join(part[0].upper() + part[1:] + ("" if part[-1] in ".?!" else ".") for part in parts if part)
