"""What one chunk of sites yields: each retrofit alone, the best sets of several, and what both ledgers make of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import pandas as pd

from aftersun.host.asking import Failure
from aftersun.host.guard import Guard
from aftersun.host.registry import Registry
from aftersun.inventory.store.dictionary import columns
from aftersun.model.codes import OFFERED
from aftersun.model.cohort import Cohort
from aftersun.model.plant import HEATING_HOURS
from aftersun.money.company import Company
from aftersun.scoring.offers.bundles import best_bundles
from aftersun.scoring.offers.ledgers import OFFER_TABLES, month_rows, offers
from aftersun.scoring.offers.singles import ANSWER_VALUE, Setting, rows_of, single_of
from aftersun.scoring.offers.site_tables import site_tables
from aftersun.scoring.ranges.diagnosis import with_diagnosis
from aftersun.scoring.ranges.draws import CommonNumbers, total_by_retrofit
from aftersun.scoring.ranges.information import questions
from aftersun.scoring.value.nearby import Slopes
from aftersun.scoring.value.simulations import baseline_of
from aftersun.scoring.value.valuation import values_of

_TEXTS = ["status", "obstacle", "screening_reason", "variant", "change_remark"]  # of one type also where none is given
VALUE_DRAW = "value_draw"  # sums of a chunk over the draws; the run stores their range only


@dataclass(frozen=True, eq=False)
class Scored:
    """Rows for the result tables, without run_id and rank, and the retrofits that failed."""

    frames: Mapping[str, pd.DataFrame]
    failures: tuple[Failure, ...]


def score(
    cohort: Cohort,
    fitted: pd.DataFrame,
    registry: Registry,
    company: Company,
    readings: pd.DataFrame,
    ranges: bool = True,
) -> Scored:
    """Evaluate every retrofit of the registry on every site of the cohort.

    ``fitted`` and ``readings`` have the dictionary's columns of these tables, ``readings`` may be empty: what is
    fitted and within its life is not offered again, and what the meters say corrects the energy. Without ``ranges``
    nothing is drawn: how sure a worth is stays unknown, and so does what an answer is worth.
    """
    baseline, fit = baseline_of(cohort, company, readings)
    guard = Guard(plant_texts(), lambda loaded: values_of(loaded, company))
    facts = {fact for loaded in registry.retrofits for fact in loaded.retrofit.facts}
    numbers = CommonNumbers(cohort.sites.index, sorted(facts))
    setting = Setting(baseline, fitted, company, guard, Slopes(baseline) if ranges else None, numbers)
    alone = [single_of(loaded, setting) for loaded in registry.retrofits]
    singles = [single for _, single in alone if single is not None]
    parts = [tables for tables, _ in alone]
    frames = {table: rows_of(table, parts) for table in ("ranking", "safety_note", "driver")}
    texts = frames["ranking"].columns.intersection(_TEXTS)
    frames["ranking"] = frames["ranking"].astype(dict.fromkeys(texts, "str"))
    asked = questions(rows_of(ANSWER_VALUE, parts), cohort.sites, registry, company)
    frames["question"] = with_diagnosis(asked, baseline, fit, company) if ranges else asked
    parts.append(offers(singles, best_bundles(singles, baseline, company, guard), cohort, company))
    parts.append({"offer_month": month_rows(cohort.sites.index, "", baseline.months)})
    frames |= {table: rows_of(table, parts) for table in OFFER_TABLES}
    offered = frames["ranking"][frames["ranking"]["status"].isin(OFFERED)]
    kept = {single.loaded.id: (single.rows, single.draws) for single in singles if ranges}
    frames[VALUE_DRAW] = total_by_retrofit(offered, cohort.sites.index, kept)
    return Scored({**frames, **site_tables(baseline, fit)}, tuple(guard.failures))


@cache
def plant_texts() -> Mapping[str, frozenset[str]]:
    """Return what the plant's columns of texts may hold: the choices of the column dictionary, "" = not known."""
    choices = {column.name: frozenset(column.choices) for table in ("site", "array") for column in columns(table)}
    heating_hours = frozenset(HEATING_HOURS)
    return {"mounting": choices["mounting"], "water_heat": choices["water_heat"] | {""}, "heating_hours": heating_hours}
