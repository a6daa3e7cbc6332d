"""How export counts today, when that ends, and how it counts then; when support for each kWh generated ends."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
import pandas as pd

import aftersun_datasets
from aftersun.model import tables
from aftersun.model.cohort import DAYS_PER_YEAR, Cohort
from aftersun.model.ranges import Bools, Floats

NET_BILLING = "net billing"
MONTHLY_CAP = "net billing with monthly cap"
NET_METERING = "net metering"
NET_METERING_BY_MONTH = "net metering by month"
GROSS_FEED_IN = "gross feed-in"
DEEMED_EXPORT = "deemed export"
NO_EXPORT = "no export"

NETTED = (NET_METERING, NET_METERING_BY_MONTH)  # exports cancel imports

NET_METERING_YEARS, SUPPORT_YEARS = "net_metering_years", "support_years"  # assumed, in ``system.csv``
SUPPORTS = ("generation_price", "self_use_price")
GENERATION_PRICE = "generation price"  # a support for each kWh generated; no export rule
# Columns of a cohort's sites: the last day of export rule and support by national law.
NATIONAL_ENDS = {NET_METERING_YEARS: "national_rule_until", SUPPORT_YEARS: "national_support_until"}
LEAST_SUPPORT_YEARS = 1.0  # assumption: what is still recorded as paid is paid for so long

Rules = npt.NDArray[np.object_]


@dataclass(frozen=True, eq=False)
class RuleEnds:
    """Years from the day of the run until today's export rule and the generation price end, inf = never; all (S,)."""

    rule_years: Floats
    support_years: Floats
    assumed: Bools  # that one of the two is not known

    @property
    def first_years(self) -> Floats:
        """Years until the first of the two, (S,)."""
        return np.minimum(self.rule_years, self.support_years)

    def left(self, years: int) -> tuple[Floats, Floats]:
        """Return the share of each of the years 1..Y in which each of the two still holds, (S, Y)."""
        begun = np.arange(years, dtype=np.float64)
        rule, support = (
            np.clip(ends[:, np.newaxis] - begun, 0.0, 1.0) for ends in (self.rule_years, self.support_years)
        )
        return rule, support


def export_rule(sites: pd.DataFrame) -> Rules:
    """Return today's rule (S,); net billing where it is unknown."""
    return sites["export_rule"].to_numpy(dtype=object, na_value=NET_BILLING)


def ends_some_day(sites: pd.DataFrame) -> Bools:
    """Tell where the export rule ends, on a day that is known or not, (S,)."""
    ends = np.isin(export_rule(sites), (*NETTED, GROSS_FEED_IN, DEEMED_EXPORT))
    return np.asarray(ends | sites["export_rule_until"].notna().to_numpy())


def supported(sites: pd.DataFrame) -> Bools:
    """Tell where a price is paid for what is generated or used on the spot, beside the export rule, (S,)."""
    return (_numbers(sites, "generation_price") > 0.0) | (_numbers(sites, "self_use_price") > 0.0)


def rule_after(sites: pd.DataFrame) -> tuple[Rules, Floats]:
    """Return the rule that follows today's and the export price then, NaN = unknown; as today where it never ends.

    The price of gross feed-in is a support that ends with it.
    """
    rule, ends = export_rule(sites), ends_some_day(sites)
    price, known = (_numbers(sites, name) for name in ("export_price", "export_price_after"))
    usual = np.where(rule == GROSS_FEED_IN, np.nan, price)
    follows = sites["export_rule_after"].to_numpy(dtype=object, na_value=NET_BILLING)
    return np.where(ends, follows, rule), np.where(ends, np.where(np.isnan(known), usual, known), price)


def in_force(sites: pd.DataFrame, as_of: date) -> pd.DataFrame:
    """Return the sites with the rule that follows where today's ended before the day, and no support that has ended.

    ``one_export_price`` tells where the price that follows holds in every hour, whatever the tariff's periods say.
    """
    over, unpaid = (sites[name] < pd.Timestamp(as_of) for name in ("export_rule_until", "generation_price_until"))
    if not (over | unpaid).any():
        return sites
    rule, price = rule_after(sites)
    values = {
        "export_rule": pd.Series(rule, sites.index),
        "export_price": pd.Series(price, sites.index),
        "export_rule_until": pd.NaT,
        "export_rule_after": None,
        "export_price_after": None,
    }
    changed = {name: sites[name].mask(over, value).astype(sites[name].dtype) for name, value in values.items()}
    supports = [name for name in (*SUPPORTS, "generation_price_until") if name in sites]
    ended = {name: sites[name].mask(unpaid) for name in supports}
    one_price = over & (sites["export_price_after"].notna() | (export_rule(sites) == GROSS_FEED_IN))
    return sites.assign(**changed, **ended, one_export_price=one_price.astype(bool))


def with_national_ends(sites: pd.DataFrame, overrides: Mapping[str, float]) -> pd.DataFrame:
    """Return the sites with the last days of rule and support by the law of their country, NaT where it tells none.

    Of ``national_rule_ends.csv`` the first law that fits a site holds. What the company itself assumes goes before.
    """
    day = {column: pd.Series(pd.NaT, sites.index, dtype="datetime64[ns]") for column in NATIONAL_ENDS.values()}
    rule, commissioned = export_rule(sites), pd.to_datetime(sites["commissioned_on"])
    paid = supported(sites)
    for law in aftersun_datasets.rows("national_rule_ends.csv"):
        of_support = law["rule"] == GENERATION_PRICE
        assumed = NET_METERING_YEARS if law["rule"] in NETTED else SUPPORT_YEARS
        if assumed in overrides:
            continue
        holds = (sites["country"] == law["country"]).to_numpy(dtype=bool, na_value=False)
        holds &= paid if of_support else rule == law["rule"]
        if law["commissioned_before"]:
            holds &= (commissioned < pd.Timestamp(law["commissioned_before"])).to_numpy()
        if law["ends_on"]:
            ends = pd.Series(pd.Timestamp(law["ends_on"]), sites.index)
        else:
            ends = commissioned + pd.DateOffset(years=int(law["years"]))
            if law["end_of_year"] == "yes":
                ends = ends + pd.offsets.YearEnd(0)
        column = NATIONAL_ENDS[SUPPORT_YEARS if of_support else NET_METERING_YEARS]
        day[column] = day[column].mask(holds & day[column].isna(), ends)
    return sites.assign(**day)


def rule_ends(cohort: Cohort) -> RuleEnds:
    """Return when today's rules end: on the days that are known, else by national law or as is assumed.

    What is assumed is the company's value, else that of ``system.csv``.
    """
    sites, rule = cohort.sites, export_rule(cohort.sites)
    told, support_told = (_years_until(cohort, name) for name in ("export_rule_until", "generation_price_until"))
    by_law, support_by_law = (_years_until(cohort, name) for name in NATIONAL_ENDS.values())
    until, support_until = (
        np.where(np.isnan(told), by_law, told),
        np.where(np.isnan(support_told), support_by_law, support_told),
    )
    age = cohort.age_years(_assumed(cohort.overrides, "unknown_age_years"))
    left = np.maximum(_assumed(cohort.overrides, SUPPORT_YEARS) - age, LEAST_SUPPORT_YEARS)
    by_rule = np.select(
        [np.isin(rule, NETTED), np.isin(rule, (GROSS_FEED_IN, DEEMED_EXPORT))],
        [np.full(len(sites), _assumed(cohort.overrides, NET_METERING_YEARS)), left],
        np.inf,
    )
    paid = supported(sites)
    rule_years = np.where(np.isnan(until), by_rule, until)
    support_years = np.where(paid, np.where(np.isnan(support_until), left, support_until), np.inf)
    assumed = (np.isnan(told) & np.isfinite(rule_years)) | (np.isnan(support_told) & np.isfinite(support_years))
    return RuleEnds(rule_years, support_years, np.asarray(assumed))


def _years_until(cohort: Cohort, column: str) -> Floats:
    """Return years from the day of the run to the last day of something, never below 0; NaN where it is unknown."""
    if column not in cohort.sites:
        return np.full(len(cohort), np.nan)
    days = (pd.to_datetime(cohort.sites[column]).to_numpy() - np.datetime64(cohort.as_of)) / np.timedelta64(1, "D")
    return np.maximum(days / DAYS_PER_YEAR, 0.0)


def _assumed(overrides: Mapping[str, float], name: str) -> float:
    return overrides.get(name, tables.mode("system.csv", name))


def _numbers(sites: pd.DataFrame, name: str) -> Floats:
    if name not in sites:
        return np.full(len(sites), np.nan)
    return sites[name].to_numpy(dtype=np.float64, na_value=np.nan)
