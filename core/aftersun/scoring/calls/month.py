"""The calls of the month: who may be called, about which offer, in which order, as far as the crews' month goes."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from aftersun.model.codes import ContactRule, NotCalled
from aftersun.money.company import Company
from aftersun.scoring.calls.booking import HOURS
from aftersun.scoring.calls.programme import Selection, choose_offers
from aftersun.scoring.calls.visits import round_trips, rounds_of

_OUTCOME = ("status", "gap", "value", "greedy_value", "travel_cost", "hour_method")


def plan_month(
    offers: pd.DataFrame,
    hours: pd.DataFrame,
    places: pd.DataFrame,
    customers: pd.Series,
    excluded: pd.Series,
    company: Company,
    chances: Mapping[str, float],
) -> dict[str, pd.DataFrame]:
    """Choose the calls of the month; return the tables of a run that say so.

    ``call`` has one row a site: called ones with their position, others with the reason why not. ``run_capacity`` has
    one row a limited capacity, ``run_plan`` one on how good the list is.

    Parameters
    ----------
    offers, hours
        Tables offer and offer_hours of the run.
    places
        latitude and longitude by site_id.
    customers, excluded
        customer_id and the reason not to call, "" = may be called, by site_id of every site.
    chances
        Chance of a yes by offer, as :func:`aftersun.scoring.calls.acceptance.chance_by_offer` gives it.
    """
    table = pd.DataFrame({"site_id": excluded.index, "customer_id": customers.reindex(excluded.index).to_numpy()})
    table["excluded_reason"] = excluded.to_numpy()
    quiet = table["excluded_reason"] == ContactRule.QUIET_PERIOD
    table["excluded_detail"] = np.where(quiet, f"{company.calls.quiet_days:g}", "")
    open_ = offers[offers["site_id"].isin(excluded.index[excluded == ""])].reset_index(drop=True)
    if open_.empty:
        table["excluded_reason"] = table["excluded_reason"].where(table["excluded_reason"] != "", NotCalled.NO_OFFER)
        return {"call": table.assign(position=pd.Series(pd.NA, table.index, "Int64"))}
    candidates = _candidates(open_, hours, company, chances)
    sites = places.loc[candidates["site_id"].unique(), ["latitude", "longitude"]].rename_axis("site_id").reset_index()
    candidates["round"] = candidates["site_id"].map(rounds_of(sites, company.month.visit_km))
    work = candidates.groupby("site_id")["work_hours"].mean()
    trips = round_trips(
        sites.assign(work_hours=sites["site_id"].map(work)),
        candidates.drop_duplicates("site_id").set_index("site_id")["round"],
        company,
    )
    selection = choose_offers(candidates.drop(columns="work_hours"), company.month, trips)
    return {
        "call": _calls(table, candidates, selection),
        "run_capacity": selection.capacities,
        "run_plan": pd.DataFrame([{name: getattr(selection, name) for name in _OUTCOME}]),
    }


def _candidates(
    offers: pd.DataFrame, hours: pd.DataFrame, company: Company, chances: Mapping[str, float]
) -> pd.DataFrame:
    """Return the offers as the programme takes them, with what is stored of a call."""
    calls = company.calls
    yes = offers["offer"].map(chances).to_numpy(dtype=np.float64)
    value = yes * (offers["contribution"] + offers["trip_cost"]).to_numpy(dtype=np.float64)
    candidates = pd.DataFrame(
        {
            "offer_id": offers["site_id"] + " " + offers["offer"],
            "site_id": offers["site_id"],
            "retrofit": offers["offer"],
            "npv": offers["npv"].astype(float),
            "contribution": offers["contribution"].astype(float),
            "chance_of_yes": yes,
            "value": value - calls.cost_per_call,
            "equipment": ["" if names is None or not len(names) else str(names[0]) for names in offers["equipment"]],
            "materials": offers["materials_cost"].astype(float),
            "must_call": offers["must_call"].fillna(False).astype(bool),
        }
    )
    mine = hours.assign(offer_id=hours["site_id"].astype("str") + " " + hours["offer"].astype("str"))
    by_skill = mine.pivot_table(index="offer_id", columns="skill", values="hours", aggfunc="sum", fill_value=0.0)
    by_skill = by_skill.reindex(index=candidates["offer_id"], columns=list(company.work)).astype(float).fillna(0.0)
    candidates["work_hours"] = by_skill.sum(axis=1).to_numpy()
    return candidates.merge(by_skill.add_prefix(HOURS), left_on="offer_id", right_index=True)


def _calls(table: pd.DataFrame, candidates: pd.DataFrame, selection: Selection) -> pd.DataFrame:
    chosen = selection.offers[selection.offers["chosen"]]
    best = candidates.set_index("offer_id").loc[chosen["offer_id"]].reset_index(drop=True)
    best = best.assign(position=np.arange(1, len(best) + 1), expected_value=best["value"])
    names = ["site_id", "position", "retrofit", "npv", "must_call", "contribution", "chance_of_yes", "expected_value"]
    calls = table.merge(best[[*names, "round"]], on="site_id", how="left")
    left = selection.offers[~selection.offers["chosen"] & (selection.offers["reason"] != NotCalled.OTHER_OFFER)]
    first = left.drop_duplicates("site_id").set_index("site_id")
    waiting = (calls["excluded_reason"] == "") & calls["position"].isna()
    sites = calls.loc[waiting, "site_id"]
    calls.loc[waiting, "excluded_reason"] = first["reason"].reindex(sites).fillna(NotCalled.NO_OFFER).to_numpy()
    calls.loc[waiting, "excluded_detail"] = first["short_of"].reindex(sites).fillna("").to_numpy()
    calls["position"] = calls["position"].astype("Int64")
    return calls.sort_values(["position", "site_id"], na_position="last", ignore_index=True)
