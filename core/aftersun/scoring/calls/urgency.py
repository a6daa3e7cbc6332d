"""Which known danger is told first: by how soon it can hurt, then by how long it has been known; never by money."""

from __future__ import annotations

import pandas as pd

from aftersun.model import tables


def urgency(dangers: pd.DataFrame, sites: pd.DataFrame, found: pd.DataFrame) -> pd.DataFrame:
    """Return of each site with a known danger the rank of the most urgent one and the day it was found.

    The ranks are those of ``danger_urgency.csv``; a danger that is not there, as of a plugin, comes after all of these.

    Parameters
    ----------
    dangers
        Columns site_id and note_id: the notes that the owner is told whatever is bought.
    sites
        Facts of the sites, by site_id.
    found
        Columns site_id, fact and found_on, of facts that tell a danger.

    Returns
    -------
    Columns urgency (1 = first) and found_on (missing = known from the beginning), by site_id, in the order to tell.
    """
    table = pd.DataFrame(tables.danger_urgency())
    ranked = dangers[["site_id", "note_id"]].astype("str").drop_duplicates().merge(table, on="note_id", how="left")
    holds = pd.Series(True, index=ranked.index)
    for unless, rows in ranked.groupby("unless_fact"):
        if unless:
            told = rows["site_id"].map(sites[unless].astype("boolean"))
            holds[rows.index] = ~(told == rows["unless_value"].astype(bool)).fillna(False).astype(bool)
    ranked = ranked[holds].merge(found, on=["site_id", "fact"], how="left")
    ranked["urgency"] = ranked["rank"].fillna(table["rank"].max() + 1).astype("Int64")
    order = ranked.sort_values(["urgency", "found_on", "site_id"], na_position="first", kind="stable")
    return order.drop_duplicates("site_id").set_index("site_id")[["urgency", "found_on"]]
