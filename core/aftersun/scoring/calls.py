"""Whom to call first. Contact rules come before any ranking: who may not be called is never a candidate."""

from __future__ import annotations

import pandas as pd

from aftersun.scoring import words

NOT_ALLOWED = "the customer may not be called"
NOT_SETTLED = "permission to call is not known; settle it first"
NOTHING_WORTH_IT = "no retrofit is worth it"


def contact_rule(customers: pd.DataFrame) -> pd.Series:
    """Return per customer_id why the customer may not be called, or "" where he may."""
    allowed = customers.set_index("customer_id")["contact_allowed"]
    reason = pd.Series("", index=allowed.index, dtype=object)
    reason[allowed.isna()] = NOT_SETTLED
    reason[allowed.eq(False).fillna(False)] = NOT_ALLOWED
    return reason


def call_list(
    ranking: pd.DataFrame, owners: pd.Series, customers: pd.DataFrame, left_out: pd.DataFrame
) -> pd.DataFrame:
    """Return one row a site: called ones with their position, others with the reason why not.

    Parameters
    ----------
    ranking
        Columns site_id, retrofit, rank, status, npv, reason.
    owners
        customer_id by site_id, of every site of the inventory.
    customers
        Columns customer_id, contact_allowed.
    left_out
        Columns site_id, reason: sites that could not be valued.

    Returns
    -------
    Columns position, site_id, customer_id, retrofit, npv, sentence, excluded_reason, called ones first.
    """
    table = pd.DataFrame({"site_id": owners.index, "customer_id": owners.to_numpy()})
    excluded = table["customer_id"].map(contact_rule(customers)).fillna(NOT_SETTLED)
    no_value = (
        table["site_id"].map(left_out.set_index("site_id")["reason"])
        if len(left_out)
        else pd.Series(pd.NA, table.index)
    )
    excluded = excluded.where(excluded != "", no_value.fillna(""))
    candidates = ranking[ranking["site_id"].isin(table.loc[excluded == "", "site_id"])]
    candidates = candidates[candidates["status"].isin([words.ADVISED, words.SURVEY])]
    best = candidates.sort_values(["npv", "site_id"], ascending=[False, True], kind="stable").drop_duplicates("site_id")
    best = best.assign(position=range(1, len(best) + 1), sentence=best["reason"])
    table = table.assign(excluded_reason=excluded).merge(
        best[["site_id", "position", "retrofit", "npv", "sentence"]], on="site_id", how="left"
    )
    nothing = (table["excluded_reason"] == "") & table["position"].isna()
    table.loc[nothing, "excluded_reason"] = NOTHING_WORTH_IT
    table["position"] = table["position"].astype("Int64")
    return table.sort_values(["position", "site_id"], na_position="last", ignore_index=True)
