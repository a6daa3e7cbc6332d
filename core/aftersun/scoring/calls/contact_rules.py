"""Whom to call first. Contact rules come before any ranking: who may not be called is never a candidate."""

from __future__ import annotations

from datetime import date

import pandas as pd

from aftersun.inventory.log.call_log import LATER, OBJECTION, UNREACHED
from aftersun.model.codes import ContactRule

QUIET_DAYS = 90  # assumption: who was spoken to within a quarter of a year is not called about offers again


def contact_rule(
    customers: pd.DataFrame,
    log: pd.DataFrame | None = None,
    as_of: date | None = None,
    quiet_days: int = QUIET_DAYS,
) -> pd.Series:
    """Return per customer_id the :class:`ContactRule` that forbids to call about offers, "" where none does.

    The first rule that holds gives the reason: objection, register, permission, basis, asked to be called later, quiet
    period. An objection in the log holds whatever the customer table says. Unanswered calls are no contact. A customer
    who asked to be called later may be called from that day on, quiet period or not.

    Parameters
    ----------
    customers
        Columns customer_id, contact_allowed and, each judged where it is there, on_register, register_agreement_on,
        has_contact_basis, last_contact_on; those of :func:`aftersun.inventory.log.call_log.customers`.
    log
        Columns customer_id, called_on, outcome, leave_until of the call log.
    as_of
        Day of the call list; without it nothing is judged that needs a day.
    """
    rows = customers.set_index("customer_id")
    reason = pd.Series("", index=rows.index, dtype=object)

    def exclude(flags: pd.Series, why: ContactRule) -> None:
        reason[flags.fillna(False).astype(bool) & (reason == "")] = why

    if log is not None:
        exclude(_among(rows, log.loc[log["outcome"] == OBJECTION, "customer_id"]), ContactRule.OBJECTED)
    if "on_register" in rows:
        exclude(rows["on_register"].fillna(False) & ~_agreed(rows, as_of), ContactRule.ON_REGISTER)
    exclude(rows["contact_allowed"].eq(False), ContactRule.NOT_ALLOWED)
    exclude(rows["contact_allowed"].isna(), ContactRule.NOT_SETTLED)
    if "has_contact_basis" in rows:
        exclude(~rows["has_contact_basis"], ContactRule.NO_BASIS)
    if as_of is not None:
        today = pd.Timestamp(as_of)
        talks = _NO_TALKS if log is None else log[log["outcome"] != UNREACHED]
        waiting = talks.loc[talks["leave_until"] > today, "customer_id"]
        exclude(_among(rows, waiting), ContactRule.ASKED_TO_WAIT)
        exclude(_last_contact(rows, talks, today) > today - pd.Timedelta(days=quiet_days), ContactRule.QUIET_PERIOD)
    return reason


_NO_TALKS = pd.DataFrame(
    {
        "customer_id": pd.Series(dtype="string"),
        "called_on": pd.Series(dtype="datetime64[us]"),
        "outcome": pd.Series(dtype="string"),
        "leave_until": pd.Series(dtype="datetime64[us]"),
    }
)


def _among(rows: pd.DataFrame, ids: pd.Series) -> pd.Series:
    return pd.Series(rows.index.isin(ids), index=rows.index)


def _agreed(rows: pd.DataFrame, as_of: date | None) -> pd.Series:
    """Return who agreed to be called in spite of the register, by that day if there is one."""
    if "register_agreement_on" not in rows:
        return pd.Series(False, index=rows.index)
    since = rows["register_agreement_on"]
    return since.notna() if as_of is None else (since <= pd.Timestamp(as_of)).fillna(False)


def _last_contact(rows: pd.DataFrame, talks: pd.DataFrame, today: pd.Timestamp) -> pd.Series:
    """Return the last contact by table or log; none where the customer then asked for a call that is due now."""
    newest = talks.sort_values("called_on", kind="stable").drop_duplicates("customer_id", keep="last")
    newest = newest.set_index("customer_id").reindex(rows.index)
    recorded = rows["last_contact_on"] if "last_contact_on" in rows else pd.Series(pd.NaT, index=rows.index)
    both = pd.DataFrame({"recorded": recorded, "logged": newest["called_on"]}, index=rows.index)
    due = (newest["outcome"] == LATER).fillna(False) & (newest["leave_until"] <= today)
    due &= both["recorded"].isna() | (both["recorded"] <= both["logged"])
    return both.max(axis=1).mask(due)


def exclusions(owners: pd.Series, rules: pd.Series, left_out: pd.DataFrame) -> pd.Series:
    """Return by site_id why nobody is called about it, "" where the owner may be: contact rules before anything.

    ``owners`` has the customer_id of every site, ``rules`` is what :func:`contact_rule` returns, ``left_out`` the
    columns site_id and reason of sites that could not be valued.
    """
    rule, no_value = rules.to_dict(), dict(zip(left_out["site_id"], left_out["reason"], strict=True))
    reasons = [
        rule.get(customer, ContactRule.NOT_SETTLED) or no_value.get(site, "") for site, customer in owners.items()
    ]
    return pd.Series(reasons, index=owners.index, dtype=object)
