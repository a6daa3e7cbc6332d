"""What the stored questions of a run come to: by question, and which visits are worth their cost."""

from __future__ import annotations

import pandas as pd


def by_question(table: pd.DataFrame) -> pd.DataFrame:
    """Return question, sites, value_of_phone and value_if_known, added up over sites, most valuable by phone first."""
    sums = table.groupby("question", sort=True).agg(
        sites=("site_id", "size"), value_of_phone=("value_of_phone", "sum"), value_if_known=("value_if_known", "sum")
    )
    return sums.sort_values("value_of_phone", ascending=False, kind="stable").reset_index()


def visits_worth_making(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of table question whose visit is worth more than it costs, most valuable first."""
    pays = table[(table["value_of_visit"] > table["visit_cost"]).fillna(False).astype(bool)]
    return pays.sort_values(["value_of_visit", "site_id"], ascending=[False, True], ignore_index=True)
