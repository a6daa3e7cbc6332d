"""Each retrofit alone on the sites of a chunk: screened, valued, drawn, and judged by the ranking rule."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.host.guard import Guard
from aftersun.host.registry import Loaded, Registry
from aftersun.inventory.store.tables import RUN_TABLES
from aftersun.model.change import DOES_NOT_FIT, SURVEY_FIRST, Notes, Screening
from aftersun.model.codes import OFFERED, Obstacle, Status
from aftersun.model.cohort import Cohort
from aftersun.model.ranges import Bools, Floats
from aftersun.money.company import Company
from aftersun.scoring.offers.ranking_rule import pays_back_quickly, status_of
from aftersun.scoring.offers.standing_devices import with_standing_devices
from aftersun.scoring.ranges.break_even import driver_rows
from aftersun.scoring.ranges.choices import likeliest, of_choices
from aftersun.scoring.ranges.draws import CommonNumbers, Draws, Outlook, expected, measured, outlook
from aftersun.scoring.ranges.drivers import Driver
from aftersun.scoring.ranges.information import Drawn, answer_values
from aftersun.scoring.value.nearby import NearbySimulations, Slopes
from aftersun.scoring.value.simulations import Baseline, Rows, Simulations
from aftersun.scoring.value.valuation import Case, Valuation, evaluate, values_of

LEAST_ALLOWED = 0.15  # assumption: who hears no more often than that no longer asks
ANSWER_VALUE = "answer_value"  # table: what it is worth to know each unknown fact and number

_PRICES = ("export_price", "export_price_after", "fuel_price")
# Columns of the ranking that have a value also where nothing was valued.
_UNLESS_VALUED = {"variant": None, "change_remark": None} | dict.fromkeys(
    ("for_safety", "quick_payback", "rule_end_assumed", *(f"{name}_unknown" for name in _PRICES)), False
)

Tables = dict[str, pd.DataFrame]


@dataclass(frozen=True, eq=False)
class Setting:
    """What is the same for all retrofits of a chunk. ``slopes`` None = nothing is drawn."""

    baseline: Baseline
    fitted: pd.DataFrame
    company: Company
    guard: Guard
    slopes: Slopes | None
    numbers: CommonNumbers


@dataclass(frozen=True, eq=False)
class Single:
    """A retrofit valued alone: the positions of its sites in the chunk, what it is expected to bring, its draws there.

    ``npv`` is the expected net present value; ``valuation`` comes to it, ``npv_usual`` is that with all values as used.
    ``offered`` says where it may be offered on value by itself, ``danger`` where it would end a danger that is known
    to stand, ``ask`` where it is done only if the customer's answers allow it, all (S,) over its own rows. There
    ``npv`` counts the answers that do not as nothing, ``valuation`` holds for those that do, which come with the chance
    ``chance_allowed``; it is 1 elsewhere.
    """

    loaded: Loaded
    rows: Rows
    npv: Floats
    valuation: Valuation
    npv_usual: Floats
    draws: Draws
    offered: Bools
    danger: Bools
    ask: Bools
    chance_allowed: Floats


def single_of(loaded: Loaded, setting: Setting) -> tuple[Tables, Single | None]:
    """Return the rows that a retrofit brings to the tables of a run, and the retrofit where it was valued at all."""
    cohort = setting.baseline.cohort
    screening = setting.guard.screen(loaded, cohort)
    notes = setting.guard.safety(loaded, cohort)
    if screening is None or notes is None:
        return {"ranking": failed_ranking(cohort.sites.index, loaded.id)}, None
    notes = with_standing_devices(notes, cohort, setting.fitted)
    danger = _known_danger(notes)
    ranking = _screened(loaded, setting, screening, danger)
    tables = {"ranking": ranking, "safety_note": _safety_rows(cohort, loaded, notes)}
    rows = np.flatnonzero(ranking["status"].isna())
    if not len(rows):
        return tables, None
    part = setting.baseline.take(rows)
    asked = Case(loaded, part, Simulations(part), setting.company, setting.guard)
    case = likeliest(asked)
    usual = evaluate(case, itemised=True)
    ahead = None if usual is None else _outlook(case, asked, rows, usual, setting)
    if usual is None or ahead is None:
        return tables | {"ranking": failed_ranking(cohort.sites.index, loaded.id)}, None
    danger, survey = danger[rows], ranking["screening_reason"].notna().to_numpy()[rows]
    ask = _ask_first(ahead, setting.company) & ~danger
    draws, drivers = np.where(ask, ahead.asked_first, ahead.draws), ahead.drivers
    npv, chance = expected(draws), np.where(ask, ahead.chance_allowed, 1.0)
    valuation = usual.expecting(np.divide(npv, chance, out=npv.copy(), where=ask))
    valued = {
        "npv_usual": usual.npv,
        "chance_allowed": chance,
        **_valued(part, survey, valuation, npv, draws, danger, ask, setting.company),
        **_rule_ends(part, npv, chance * valuation.ended, valuation.years),
    }
    if loaded.retrofit.about.claim_only:
        valued["status"] = np.full(len(rows), Status.CLAIM_ONLY, dtype=object)
        ask = danger = np.zeros(len(rows), dtype=bool)
    for name, values in valued.items():
        ranking.loc[rows, name] = values
    offered, ids = np.isin(valued["status"].astype(str), OFFERED), part.cohort.sites.index
    if loaded.retrofit.about.claim_only:
        return tables | {"cost_item": valuation.items.assign(retrofit=loaded.id)}, None
    tables |= {
        "cost_item": valuation.items.assign(retrofit=loaded.id),
        "cash_flow": valuation.cash_rows((npv > 0) | danger).assign(retrofit=loaded.id),
        "driver": driver_rows(loaded.id, ids, offered | danger | ask, _numbers(drivers), usual.npv),
        ANSWER_VALUE: answer_values(loaded.id, ids, drivers, usual.npv, setting.company.calls.least_chance),
    }
    return tables, Single(loaded, rows, npv, valuation, usual.npv, draws, offered, danger, ask, chance)


def _outlook(case: Case, asked: Case, rows: Rows, valuation: Valuation, setting: Setting) -> Outlook | None:
    """Return the draws and what they are drawn from; where nothing is drawn, the one value. None if it failed.

    ``asked`` is the case as the customer has it, with choices unknown that ``case`` answers by the likeliest.
    """
    if setting.slopes is None:
        return Outlook(valuation.npv[np.newaxis], np.ones((1, len(rows)), dtype=bool), [])
    if case is asked:
        nearby = NearbySimulations(case.simulations, setting.slopes, rows)
    else:
        nearby = NearbySimulations(case.simulations, Slopes(case.baseline), np.arange(len(rows)))
    choices = list(of_choices(asked, case, valuation.parts))
    chosen = replace(case, simulations=nearby, chosen=valuation.variant)
    return outlook(chosen, rows, valuation, setting.numbers, choices)


def _ask_first(ahead: Outlook, company: Company) -> Bools:
    """Tell where a retrofit is not to be offered as it is, and yet worth asking about, (S,).

    Worth asking is what brings more by the answers, on average, than a call costs, and is allowed by them often enough,
    but not whatever they are: then nobody need be asked.
    """
    sellable = (expected(ahead.draws) > 0) & ((ahead.draws > 0).mean(axis=0) >= company.calls.least_chance)
    often = (ahead.chance_allowed >= LEAST_ALLOWED) & (ahead.chance_allowed < 1.0)
    return np.asarray(~sellable & often & (expected(ahead.asked_first) > company.calls.cost_per_call))


def _numbers(drivers: Sequence[Drawn]) -> list[Driver]:
    return [driver for driver in drivers if isinstance(driver, Driver)]


def rows_of(table: str, parts: Sequence[Tables]) -> pd.DataFrame:
    """Return the rows that the parts have for a table; of those without any, its columns."""
    there = [tables[table] for tables in parts if table in tables]
    filled = [frame for frame in there if len(frame)]
    if filled:
        return pd.concat(filled, ignore_index=True)
    stored = list(RUN_TABLES[table].columns)[1:] if table in RUN_TABLES else []  # without run_id
    return there[0] if there else pd.DataFrame(columns=stored)


def failed_ranking(site_ids: pd.Index | pd.Series, retrofit: str | pd.Series) -> pd.DataFrame:
    """Return the rows that stand for a retrofit, or one for each row, that failed in this run."""
    columns = {"status": Status.FAILED, "obstacle": Obstacle.PLUGIN_FAILED}
    return pd.DataFrame({"site_id": site_ids, "retrofit": retrofit, **columns, **_UNLESS_VALUED})


def _screened(loaded: Loaded, setting: Setting, screening: Screening, danger: Bools) -> pd.DataFrame:
    """Return the rows of the ranking before anything is valued: without a status is what may be."""
    sites = setting.baseline.cohort.sites.index
    have = _still_fitted(setting.fitted, loaded, setting.baseline.cohort)
    unfit = screening.status == DOES_NOT_FIT
    far = ~setting.baseline.within_reach & (have | ~unfit)
    status = np.select([far, have, unfit], [Status.NOT_APPLICABLE, Status.ALREADY_FITTED, Status.NOT_APPLICABLE], "")
    obstacle = np.select(
        [far, have & danger, have], [Obstacle.TOO_FAR, Obstacle.FITTED_WITH_DANGER, Obstacle.FITTED], ""
    )
    explained = (unfit | (screening.status == SURVEY_FIRST)) & (obstacle == "")
    return pd.DataFrame(
        {
            "site_id": sites,
            "retrofit": loaded.id,
            "status": _or_none(status),
            "obstacle": _or_none(obstacle),
            "screening_reason": _or_none(np.where(explained, screening.reason, "")),
            **_UNLESS_VALUED,
        }
    )


def _valued(
    part: Baseline,
    survey: Bools,
    valuation: Valuation,
    npv: Floats,
    draws: Draws,
    danger: Bools,
    ask: Bools,
    company: Company,
) -> Mapping[str, npt.NDArray[Any]]:
    """Return the measures of the evaluated sites and what is advised there, by column of the ranking."""
    upfront = valuation.flow.upfront[:, 0]
    quick = pays_back_quickly(upfront, valuation.discounted_payback)
    ranges = measured(draws)
    sure = ~(ranges["chance_npv_positive"] < company.calls.least_chance)  # not known counts as sure
    return {
        "npv": npv,
        **ranges,
        "upfront": upfront,
        "first_year_saving": valuation.flow.operating[:, 1],
        "simple_payback_years": valuation.simple_payback,
        "discounted_payback_years": valuation.discounted_payback,
        "sir": valuation.sir,
        "energy_gain_kwh": valuation.gain_kwh["generated"],
        "to_water_kwh": valuation.gain_kwh["to_water"],
        "water_heater_kwh": -valuation.gain_kwh["water_backup"],
        "years": valuation.years,
        "status": status_of(npv, survey | quick, danger, sure, ask),
        "quick_payback": quick,
        "for_safety": danger,
        "variant": _or_none(valuation.variant),
        "change_remark": _or_none(valuation.remarks),
        "remaining_years_assumed": np.where(part.remaining_assumed, part.remaining_years, np.nan),
        "export_price_unknown": part.bill.export_price_unknown,
        "fuel_price_unknown": part.bill.fuel_price_unknown,
    }


def _rule_ends(part: Baseline, npv: Floats, ended: Floats, years: Floats) -> Mapping[str, npt.NDArray[Any]]:
    """Return what there is to say of the end of today's export rule or support, where it comes within the years.

    ``ended`` (S,) is the present value of what it takes away.
    """
    ends, told = part.ends, part.ends.first_years < years
    return {
        "npv_if_rule_stays": np.where(told, npv + ended, np.nan),
        "rule_ends_in_years": np.where(told, ends.first_years, np.nan),
        "rule_end_assumed": told & ends.assumed,
        "export_price_after_unknown": told & part.bill.export_price_after_unknown,
    }


def _or_none(texts: npt.NDArray[Any]) -> npt.NDArray[np.object_]:
    """Return texts with None where one says nothing."""
    column = texts.astype(object)
    column[column == ""] = None
    return column


def _known_danger(notes: Notes) -> Bools:
    """Tell per site whether a danger is known to stand there now, whatever is bought."""
    known = [mask for note, mask in notes.entries if note.tell_owner]
    return np.logical_or.reduce(known) if known else np.zeros(notes.size, dtype=bool)


def known_dangers(cohort: Cohort, registry: Registry, company: Company) -> pd.DataFrame:
    """Return the rows of ``safety_note`` that the owners are told whatever is bought; nothing is valued.

    A plugin that fails here says nothing; where it fails in a run, that is said there.
    """
    guard, parts = Guard(values=lambda loaded: values_of(loaded, company)), []
    for loaded in registry.retrofits:
        notes = guard.safety(loaded, cohort)
        if notes is not None:
            parts.append({"safety_note": _safety_rows(cohort, loaded, notes)})
    rows = rows_of("safety_note", parts)
    return rows[rows["tell_owner"].eq(True)]


def _still_fitted(fitted: pd.DataFrame, loaded: Loaded, cohort: Cohort) -> Bools:
    mine = fitted[fitted["retrofit"] == loaded.id]
    latest = mine.groupby("site_id")["fitted_on"].max().reindex(cohort.sites.index)
    age = cohort.years_since(latest)
    return np.asarray(age < loaded.retrofit.about.life.mode)  # NaN = never fitted, compares false


def _safety_rows(cohort: Cohort, loaded: Loaded, notes: Notes) -> pd.DataFrame:
    which, site = np.nonzero([mask for _, mask in notes.entries])
    texts = pd.DataFrame(
        [(note.id, note.severity, note.text, note.who, note.tell_owner) for note, _ in notes.entries],
        columns=["note_id", "severity", "text", "who", "tell_owner"],
    )
    rows = texts.take(which).reset_index(drop=True)
    rows.insert(0, "site_id", cohort.sites.index.take(site))
    rows.insert(1, "retrofit", loaded.id)
    return rows
