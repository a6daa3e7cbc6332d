"""The calls of the month: who may be called, about which offer, in which order, as far as the crews' month goes."""

from __future__ import annotations

import numpy as np
import pandas as pd

from aftersun.model.codes import CallKind, ContactRule, NotCalled
from aftersun.money.company import Company
from aftersun.money.prices import trip
from aftersun.scoring.calls.booking import HOURS
from aftersun.scoring.calls.programme import Selection, choose_offers
from aftersun.scoring.calls.visits import DRIVERS, round_trips, rounds_of

_OUTCOME = ("status", "gap", "value", "greedy_value", "travel_cost", "travel_paid", "hour_method")
# brings too little, or too little for each hour that is short, whatever it is worth to the owner
_SMALL = (NotCalled.CALL_COSTS_MORE, NotCalled.TRIP_COSTS_MORE, NotCalled.SHORT_OF_CAPACITY)
NOBODY = pd.Index([], dtype="str")
_SHOWN = ["retrofit", "npv", "must_call", "contribution", "chance_of_yes", "expected_value"]  # of an offer on a list


def plan_month(
    offers: pd.DataFrame,
    hours: pd.DataFrame,
    places: pd.DataFrame,
    customers: pd.Series,
    excluded: pd.Series,
    company: Company,
    dangers: pd.DataFrame,
    out_of_reach: pd.Index,
    standing: pd.Index = NOBODY,
) -> dict[str, pd.DataFrame]:
    """Choose the calls of the month; return the tables of a run that say so.

    ``call`` has one row a site: called ones with their position, others with the reason why not, and the
    :class:`CallKind` of all. ``run_capacity`` has one row a limited capacity, ``run_plan`` one on how good the list is.

    Parameters
    ----------
    offers, hours
        Tables offer and offer_hours of the run; of each offer also chance_of_yes.
    places
        latitude and longitude by site_id.
    customers, excluded
        customer_id and the reason not to call, "" = may be called, by site_id of every site.
    dangers
        urgency and found_on by site_id of sites where a danger is known to stand, as
        :func:`aftersun.scoring.calls.urgency.urgency` gives them.
    out_of_reach
        site_id where something fits that is not valued since the company does not drive so far.
    standing
        site_id where the system stands still by its meter, the dearest standstill first: called after the dangers.
        Nothing is sold there before it runs again, other than the remedy of a danger.
    """
    table = pd.DataFrame({"site_id": excluded.index, "customer_id": customers.reindex(excluded.index).to_numpy()})
    table["excluded_reason"] = excluded.to_numpy()
    quiet = table["excluded_reason"] == ContactRule.QUIET_PERIOD
    table["excluded_detail"] = np.where(quiet, f"{company.calls.quiet_days:g}", "")
    table = table.join(dangers[["urgency", "found_on"]], on="site_id")
    served = standing.difference(dangers.index)
    open_ = offers[offers["site_id"].isin(excluded.index[excluded == ""].difference(served))].reset_index(drop=True)
    if open_.empty:
        table["excluded_reason"] = table["excluded_reason"].where(table["excluded_reason"] != "", NotCalled.NO_OFFER)
        table = table.assign(position=pd.Series(pd.NA, table.index, "Int64"), must_call=False, npv=np.nan)
        return {"call": _told(_with_service(table, standing), places, out_of_reach, standing, company)}
    candidates = _candidates(open_, hours, company).join(dangers[["urgency", "found_on"]], on="site_id")
    sites = places.loc[candidates["site_id"].unique(), ["latitude", "longitude"]].rename_axis("site_id").reset_index()
    candidates["round"] = candidates["site_id"].map(rounds_of(sites, company.month.visit_km))
    drivers = [name for name in candidates.columns.astype("str") if name.startswith(DRIVERS)]
    means = candidates.groupby("site_id")[["work_hours", *drivers]].mean()
    trips = round_trips(
        sites.join(means, on="site_id"),
        candidates.drop_duplicates("site_id").set_index("site_id")["round"],
        company,
    )
    selection = choose_offers(candidates.drop(columns=["work_hours", *drivers]), company.month, trips)
    return {
        "call": _told(
            _with_service(_calls(table, candidates, selection), standing), places, out_of_reach, standing, company
        ),
        "run_capacity": selection.capacities,
        "run_plan": pd.DataFrame([{name: getattr(selection, name) for name in _OUTCOME}]),
    }


def _candidates(offers: pd.DataFrame, hours: pd.DataFrame, company: Company) -> pd.DataFrame:
    """Return the offers as the programme takes them, with what is stored of a call."""
    # a yes counts only if the answers to what is asked first allow the work
    yes = (offers["chance_of_yes"] * offers["chance_allowed"]).to_numpy(dtype=np.float64)
    candidates = pd.DataFrame(
        {
            "offer_id": offers["site_id"] + " " + offers["offer"],
            "site_id": offers["site_id"],
            "retrofit": offers["offer"],
            "npv": offers["npv"].astype(float),
            "contribution": offers["contribution"].astype(float),
            "chance_of_yes": yes,
            "value": yes * offers["contribution"].to_numpy(dtype=np.float64) - company.calls.cost_per_call,
            "fare": offers["trip_cost"].astype(float),
            "equipment": ["" if names is None or not len(names) else str(names[0]) for names in offers["equipment"]],
            "materials": offers["materials_cost"].astype(float),
            "must_call": offers["must_call"].fillna(False).astype(bool),
        }
    )
    mine = hours.assign(offer_id=hours["site_id"].astype("str") + " " + hours["offer"].astype("str"))
    for column, prefix in (("hours", HOURS), ("drivers", DRIVERS)):
        by_skill = mine.pivot_table(index="offer_id", columns="skill", values=column, aggfunc="sum", fill_value=0.0)
        by_skill = by_skill.reindex(index=candidates["offer_id"], columns=list(company.work)).astype(float).fillna(0.0)
        if prefix == HOURS:
            candidates["work_hours"] = by_skill.sum(axis=1).to_numpy()
        candidates = candidates.merge(by_skill.add_prefix(prefix), left_on="offer_id", right_index=True)
    return candidates


def _calls(table: pd.DataFrame, candidates: pd.DataFrame, selection: Selection) -> pd.DataFrame:
    by_offer = candidates.assign(expected_value=candidates["value"]).set_index("offer_id")
    chosen = selection.offers[selection.offers["chosen"]]
    best = by_offer.loc[chosen["offer_id"], ["site_id", *_SHOWN, "round"]].reset_index(drop=True)
    best["position"] = np.arange(1, len(best) + 1)
    best[["crew_hours", "per_crew_hour"]] = chosen[["crew_hours", "per_crew_hour"]].to_numpy()
    left = selection.offers[~selection.offers["chosen"] & (selection.offers["reason"] != NotCalled.OTHER_OFFER)]
    small = left[left["reason"].isin(_SMALL)].drop_duplicates("site_id").set_index("site_id")
    small = small.drop(best["site_id"], errors="ignore")
    passing = by_offer[by_offer["site_id"].isin(small.index) & (by_offer["npv"] > 0)]
    passing = passing.sort_values(["npv", "retrofit"], ascending=[False, True]).drop_duplicates("site_id")
    shown = pd.concat([best, passing[["site_id", *_SHOWN, "round"]]], ignore_index=True)
    calls = table.merge(shown, on="site_id", how="left")
    first = left.drop_duplicates("site_id").set_index("site_id")
    waiting = (calls["excluded_reason"] == "") & calls["position"].isna()
    sites = calls.loc[waiting, "site_id"]
    calls.loc[waiting, "excluded_reason"] = first["reason"].reindex(sites).fillna(NotCalled.NO_OFFER).to_numpy()
    calls.loc[waiting, "excluded_detail"] = first["short_of"].reindex(sites).fillna("").to_numpy()
    calls["position"] = calls["position"].astype("Int64")
    return calls.sort_values(["position", "site_id"], na_position="last", ignore_index=True)


def _with_service(calls: pd.DataFrame, standing: pd.Index) -> pd.DataFrame:
    """Put the systems that stand still on the list, after the dangers and before all others, where a call is allowed.

    ``calls`` is sorted by position; the others move back by as many.
    """
    allowed = ~calls["excluded_reason"].isin(list(ContactRule))
    served = calls["site_id"].isin(standing) & allowed & calls["position"].isna()
    danger = _to_warn(calls)
    turn = np.select([calls["position"].isna() & ~served, danger, served], [3, 0, 1], 2)
    dearest = pd.Series(np.arange(len(standing)), index=standing).reindex(calls["site_id"]).to_numpy()
    calls = calls.assign(turn=turn, dearest=np.where(served, dearest, 0.0))
    calls.loc[served, ["excluded_reason", "excluded_detail"]] = ""
    calls.loc[served, "must_call"] = False
    calls = calls.sort_values(["turn", "dearest"], kind="stable", ignore_index=True)
    calls["position"] = pd.Series(np.arange(1, len(calls) + 1), dtype="Int64").mask(calls["turn"] == 3)
    return calls.drop(columns=["turn", "dearest"])


def _to_warn(calls: pd.DataFrame) -> pd.Series:
    """Tell at which sites a danger is known to stand."""
    return calls["urgency"].notna() | calls["must_call"].eq(True).fillna(False)


def _told(
    calls: pd.DataFrame, places: pd.DataFrame, out_of_reach: pd.Index, standing: pd.Index, company: Company
) -> pd.DataFrame:
    """Say of every site which list it is on, and of those beyond reach how far they are."""
    far = (calls["excluded_reason"] == NotCalled.NO_OFFER) & calls["site_id"].isin(out_of_reach)
    km = trip(places.loc[calls.loc[far, "site_id"]], company).distance_km
    calls.loc[far, "excluded_reason"] = NotCalled.TOO_FAR
    calls.loc[far, "excluded_detail"] = [f"{distance:.0f}" for distance in km]
    called = calls["position"].notna()
    danger = _to_warn(calls)
    passing = calls["npv"].notna() & calls["excluded_reason"].isin(_SMALL)
    still = calls["site_id"].isin(standing)
    rules = [called & danger & (calls["npv"] > 0), called & danger, called & still, called, danger | still, passing]
    kinds = [CallKind.WARN_AND_OFFER, CallKind.WARN, CallKind.SERVICE, CallKind.OFFER]
    kinds += [CallKind.NOTICE, CallKind.IN_PASSING]
    return calls.assign(kind=np.select(rules, [str(kind) for kind in kinds], ""))
