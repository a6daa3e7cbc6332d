"""Whom to call first. Contact rules come before any ranking: who may not be called is never a candidate."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from aftersun.inventory.log.call_log import LATER, NO, NO_DAYS, OBJECTION, UNREACHED
from aftersun.inventory.store.pseudonyms import folded
from aftersun.model.codes import TO_TELL, CallKind, ContactRule


def contact_rule(customers: pd.DataFrame, log: pd.DataFrame, as_of: date, quiet_days: int) -> pd.Series:
    """Return per customer_id the :class:`ContactRule` that forbids to call about offers, "" where none does.

    The first rule that holds gives the reason: objection, register, permission, said no on two days, basis, asked to be
    called later, quiet period. An objection in the log, and a no on two days, hold whatever the customer table says,
    and for every number that is only written otherwise. Unanswered calls are no contact. A customer who asked to be
    called later may be called from that day on, quiet period or not.

    Parameters
    ----------
    customers
        Columns customer_id, contact_allowed, on_register, register_agreement_on, has_contact_basis, last_contact_on;
        those of :func:`aftersun.inventory.log.call_log.customers`.
    log
        Columns customer_id, called_on, outcome, leave_until of the call log.
    as_of
        Day of the call list.
    quiet_days
        Who was spoken to within so many days is not called about offers again.
    """
    rows = customers.set_index("customer_id")
    reason = np.full(len(rows), "", dtype=object)

    def exclude(flags: pd.Series, why: ContactRule) -> None:
        reason[flags.to_numpy(dtype=bool, na_value=False) & (reason == "")] = why

    today = pd.Timestamp(as_of)
    talks = log[log["outcome"] != UNREACHED]
    waiting = talks.loc[talks["leave_until"] > today, "customer_id"]
    agreed = (rows["register_agreement_on"] <= today).fillna(False)  # to be called in spite of the register
    exclude(_among(rows, log.loc[log["outcome"] == OBJECTION, "customer_id"]), ContactRule.OBJECTED)
    exclude(rows["on_register"].fillna(False) & ~agreed, ContactRule.ON_REGISTER)
    exclude(_among(rows, rows.index[rows["contact_allowed"].eq(False).fillna(False)]), ContactRule.NOT_ALLOWED)
    refusals = log[log["outcome"] == NO]
    no_days = refusals.groupby(refusals["customer_id"].map(folded))["called_on"].nunique()
    exclude(_among(rows, no_days.index[no_days >= NO_DAYS]), ContactRule.REFUSED)
    exclude(rows["contact_allowed"].isna(), ContactRule.NOT_SETTLED)
    exclude(~rows["has_contact_basis"], ContactRule.NO_BASIS)
    exclude(_among(rows, waiting), ContactRule.ASKED_TO_WAIT)
    exclude(_last_contact(rows, talks, today) > today - pd.Timedelta(days=quiet_days), ContactRule.QUIET_PERIOD)
    return pd.Series(reason, index=rows.index, dtype=object)


def _among(rows: pd.DataFrame, ids: pd.Series | pd.Index) -> pd.Series:
    """Tell which customers are among these, also where a number is only written otherwise."""
    alike = set(map(folded, ids))
    return pd.Series([bool(alike) and folded(number) in alike for number in rows.index], index=rows.index, dtype=bool)


def _last_contact(rows: pd.DataFrame, talks: pd.DataFrame, today: pd.Timestamp) -> pd.Series:
    """Return the last contact by table or log; none where the customer then asked for a call that is due now."""
    newest = talks.sort_values("called_on", kind="stable").drop_duplicates("customer_id", keep="last")
    newest = newest.set_index("customer_id").reindex(rows.index)
    both = pd.DataFrame({"recorded": rows["last_contact_on"], "logged": newest["called_on"]}, index=rows.index)
    due = (newest["outcome"] == LATER).fillna(False) & (newest["leave_until"] <= today)
    due &= both["recorded"].isna() | (both["recorded"] <= both["logged"])
    return both.max(axis=1).mask(due)


def exclusions(owners: pd.Series, rules: pd.Series, left_out: pd.DataFrame) -> pd.Series:
    """Return by site_id why nobody is called about it, "" where the owner may be: contact rules before anything.

    ``owners`` has the customer_id of every site, ``rules`` is what :func:`contact_rule` returns, ``left_out`` the
    reason by site_id of sites that could not be valued.
    """
    rule, no_value = rules.to_dict(), left_out["reason"].to_dict()
    reasons = [
        rule.get(customer, ContactRule.NOT_SETTLED) or no_value.get(site, "") for site, customer in owners.items()
    ]
    return pd.Series(reasons, index=owners.index, dtype=object)


def without_forbidden(calls: pd.DataFrame, rules: pd.Series, quiet_days: int) -> pd.DataFrame:
    """Return the stored table ``call`` of a run with today's ``rules``, as :func:`contact_rule` returns them.

    A site whose owner may not be called now loses its position and gets the rule as its reason; the others close up.
    A known danger or standstill is told there all the same.
    """
    rule = calls["customer_id"].map(rules).fillna(ContactRule.NOT_SETTLED)
    forbidden = rule != ""
    position = calls["position"].mask(forbidden).rank(method="first").astype("Int64")
    detail = rule.map({ContactRule.QUIET_PERIOD: f"{quiet_days:g}"}).fillna("")
    told = calls["kind"].isin(TO_TELL)
    return calls.assign(
        position=position,
        kind=calls["kind"].mask(forbidden, told.map({True: CallKind.NOTICE, False: ""})).astype("string"),
        excluded_reason=calls["excluded_reason"].mask(forbidden, rule).astype("string"),
        excluded_detail=calls["excluded_detail"].mask(forbidden, detail).astype("string"),
    ).sort_values(["position", "site_id"], na_position="last", ignore_index=True)
