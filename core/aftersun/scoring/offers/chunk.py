"""What each retrofit alone is worth on each site of a cohort."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
import pyarrow as pa

from aftersun.energy.losses import loss_chain
from aftersun.host.guard import Guard
from aftersun.host.registry import Failure, Loaded, Registry
from aftersun.inventory.store.dictionary import columns
from aftersun.model.change import DOES_NOT_FIT, SURVEY_FIRST, Notes
from aftersun.model.cohort import Cohort
from aftersun.model.ranges import Bools
from aftersun.money.company import Company
from aftersun.scoring.offers.bundles import Single, best_bundles
from aftersun.scoring.offers.ledgers import month_rows, offers
from aftersun.scoring.ranges.break_even import driver_rows
from aftersun.scoring.ranges.draws import CommonNumbers, Ranges, Trial, measured, ranges_of, total_by_retrofit
from aftersun.scoring.ranges.information import fact_values, number_values, questions
from aftersun.scoring.value import words
from aftersun.scoring.value.nearby import NearbySimulations, Slopes
from aftersun.scoring.value.simulations import Baseline, Rows, Simulations, baseline_of
from aftersun.scoring.value.valuation import Valuation, evaluate

NUMBER_VALUE = "number_value"  # what it is worth to know each unknown number
FACT_VALUE = "fact_value"  # what each retrofit is worth with each fact true and false
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
    now, fit = baseline_of(cohort, company, readings)
    guard = Guard(plant_texts())
    slopes = Slopes(now) if ranges else None
    facts = {fact for loaded in registry.retrofits for fact in loaded.retrofit.facts}
    numbers = CommonNumbers(cohort.sites.index, sorted(facts))
    parts: dict[str, list[pd.DataFrame]] = {
        "ranking": [],
        "safety_note": [],
        "cost_item": [],
        "cash_flow": [],
        FACT_VALUE: [],
        NUMBER_VALUE: [],
        "driver": [],
    }
    singles: list[Single] = []
    for loaded in registry.retrofits:
        found, single = _score_one(now, fitted, loaded, company, guard, slopes, numbers)
        for table, frame in found.items():
            parts[table].append(frame)
        if single is not None:
            singles.append(single)
    frames = {table: pd.concat(found, ignore_index=True) for table, found in parts.items() if found}
    frames["ranking"]["reason"] = [words.sentences(text) for text in frames["ranking"]["reason"]]
    values = frames.pop(FACT_VALUE, pd.DataFrame())
    numbers_told = frames.pop(NUMBER_VALUE, pd.DataFrame())
    frames["question"] = questions(values, numbers_told, cohort.sites, registry, company)
    for table, frame in offers(singles, best_bundles(singles, now, company, guard), cohort, company).items():
        both = [one for one in (frames.get(table), frame) if one is not None and len(one)]
        frames[table] = pd.concat(both, ignore_index=True) if both else frame
    frames["offer_month"] = pd.concat([month_rows(cohort.sites.index, "", now.months), frames["offer_month"]])
    frames["site_picture"] = _pictures(now)
    offered = frames["ranking"][frames["ranking"]["status"].isin([words.ADVISED, words.SURVEY])]
    kept = {one.loaded.id: (one.rows, one.draws) for one in singles if ranges}
    frames[VALUE_DRAW] = total_by_retrofit(offered, cohort.sites.index, kept)
    frames["site_energy"] = _site_energy(now)
    frames["site_loss"] = _site_loss(now)
    evidence = fit.calibration.evidence.reset_index(names="site_id")
    frames["site_evidence"] = evidence[evidence["periods"].fillna(0) > 0].reset_index(drop=True)
    frames["reading_finding"] = fit.readings.findings.rename(columns={"check": "finding"})  # check is a word of SQL
    return Scored(frames, tuple(guard.failures))


@cache
def plant_texts() -> Mapping[str, frozenset[str]]:
    """Return what the plant's columns of texts may hold: the choices of the column dictionary."""
    choices = {column.name: frozenset(column.choices) for table in ("site", "array") for column in columns(table)}
    return {"mounting": choices["mounting"], "water_heat": choices["water_heat"] | {""}}  # "" = not known


def _score_one(
    now: Baseline,
    fitted: pd.DataFrame,
    loaded: Loaded,
    company: Company,
    guard: Guard,
    slopes: Slopes | None,
    numbers: CommonNumbers,
) -> tuple[dict[str, pd.DataFrame], Single | None]:
    cohort = now.cohort
    screening = guard.screen(loaded, cohort)
    notes = guard.safety(loaded, cohort)
    if screening is None or notes is None:
        return {"ranking": failed_ranking(cohort.sites.index, loaded.id)}, None
    status, reason = screening.status.copy(), screening.reason.copy()
    have = _still_fitted(fitted, loaded, cohort)
    status[have], reason[have] = words.ALREADY_FITTED, "one is fitted and still within its life"
    reason[have & _known_danger(notes)] = "recorded as fitted, yet a danger is known to stand: inspect it"
    far = ~now.within_reach & (status != DOES_NOT_FIT)
    status[far], reason[far] = DOES_NOT_FIT, "beyond the farthest distance the company drives"
    rows = np.flatnonzero(~np.isin(status, [DOES_NOT_FIT, words.ALREADY_FITTED]))
    told = {"status": status, "reason": reason, "variant": None, "for_safety": False}
    ranking = pd.DataFrame({"site_id": cohort.sites.index, "retrofit": loaded.id, **told})
    result = {"ranking": ranking, "safety_note": _safety_rows(cohort, loaded, notes)}
    if rows.size == 0:
        return result, None
    part = now.take(rows)
    exact = Simulations(part)
    offer = evaluate(part, loaded, company, guard, simulations=exact)
    sure = None
    if offer is not None and slopes is not None:
        trial = Trial(rows, part, NearbySimulations(part, exact, slopes, rows))
        sure = ranges_of(trial, loaded, company, guard, offer, numbers)
    elif offer is not None:
        undrawn = offer.npv[np.newaxis]
        sure = measured(undrawn), undrawn, []
    if offer is None or sure is None:
        return result | {"ranking": failed_ranking(cohort.sites.index, loaded.id)}, None
    ranges, draws, found = sure
    result["ranking"] = _with_worth(ranking, rows, offer, ranges, now, _known_danger(notes), company)
    result["cost_item"] = offer.items.assign(retrofit=loaded.id)
    result[FACT_VALUE] = fact_values(loaded.id, part.cohort.sites.index, found)
    result[NUMBER_VALUE] = number_values(loaded.id, part.cohort.sites.index, found, offer.npv)
    sold = result["ranking"]["status"].isin([words.ADVISED, words.SURVEY]).to_numpy()[rows]
    danger = result["ranking"]["for_safety"].to_numpy(dtype=bool)[rows]
    result["cash_flow"] = offer.cash_rows((offer.npv > 0) | danger).assign(retrofit=loaded.id)
    result["driver"] = driver_rows(loaded.id, part.cohort.sites.index, sold | danger, found, offer.npv)
    return result, Single(loaded, rows, offer, draws, sold, danger)


def _known_danger(notes: Notes) -> Bools:
    """Tell per site whether a danger is known to stand there now, whatever is bought."""
    told = [mask for note, mask in notes.entries if note.tell_owner]
    return np.logical_or.reduce(told) if told else np.zeros(notes.size, dtype=bool)


def _with_worth(
    ranking: pd.DataFrame, rows: Rows, offer: Valuation, ranges: Ranges, now: Baseline, danger: Bools, company: Company
) -> pd.DataFrame:
    """Fill in the measures of the evaluated sites, and say in words what they amount to."""
    first_year = offer.flow.operating[:, 1]
    upfront = offer.flow.upfront[:, 0]
    columns = {
        "npv": offer.npv,
        "npv_p90": ranges.p90,
        "npv_p50": ranges.p50,
        "npv_p10": ranges.p10,
        "npv_mean": ranges.mean,
        "npv_worst_tenth": ranges.worst_tenth,
        "chance_npv_positive": ranges.chance_positive,
        "upfront": upfront,
        "first_year_saving": first_year,
        "simple_payback_years": offer.simple_payback,
        "discounted_payback_years": offer.discounted_payback,
        "sir": offer.sir,
        "energy_gain_kwh": offer.gain_kwh["generated"],
        "to_water_kwh": offer.gain_kwh["to_water"],
        "water_heater_kwh": -offer.gain_kwh["water_backup"],
    }
    filled = ranking.copy()
    filled.loc[filled.index[rows], "variant"] = [label or None for label in offer.variant]
    for name, values in columns.items():
        column = np.full(len(ranking), np.nan)
        column[rows] = np.where(np.isfinite(values), values, np.nan)
        filled[name] = column
    status = ranking["status"].to_numpy(dtype=object).copy()
    reason = ranking["reason"].to_numpy(dtype=object).copy()
    for place, row in enumerate(rows):
        survey = reason[row] if status[row] == SURVEY_FIRST else ""
        if upfront[place] > 0 and offer.discounted_payback[place] < words.SUSPICIOUS_PAYBACK_YEARS:
            survey = words.join(words.TOO_GOOD, survey)
        status[row] = words.status_of(
            offer.npv[place],
            SURVEY_FIRST if survey else status[row],
            bool(danger[row]),
            not ranges.chance_positive[place] < company.calls.least_chance,
        )
        reason[row] = words.sentences(
            words.verdict(
                offer.npv[place],
                upfront[place],
                first_year[place],
                int(offer.years[place]),
                offer.discounted_payback[place],
                company.identity.currency,
            ),
            f"survey first: {survey}" if survey and (offer.npv[place] > 0 or danger[row]) else "",
            f"best way: {offer.variant[place]}" if offer.variant[place] else "",
            str(offer.remarks[place]),
            *_assumptions_made(now, row),
        )
    return filled.assign(status=status, reason=reason, for_safety=_at(rows, danger))


def _at(rows: Rows, mask: Bools) -> Bools:
    """Return the mask where sites were evaluated, and no elsewhere."""
    kept = np.zeros_like(mask)
    kept[rows] = mask[rows]
    return kept


def _assumptions_made(now: Baseline, row: int) -> list[str]:
    said = []
    if now.remaining_assumed[row]:
        said.append(f"remaining life not known, {now.remaining_years[row]:.0f} years assumed")
    if now.bill.export_price_unknown[row]:
        said.append("export price not known, counted as nothing")
    if now.bill.fuel_price_unknown[row]:
        said.append("fuel price not known, counted as nothing")
    return said


def failed_ranking(site_ids: pd.Index, retrofit: str) -> pd.DataFrame:
    """Return the rows that stand for a retrofit that failed in this run."""
    return pd.DataFrame(
        {
            "site_id": site_ids,
            "retrofit": retrofit,
            "status": words.FAILED,
            "reason": "the plugin failed in this run",
            "variant": None,
            "for_safety": False,
        }
    )


def _still_fitted(fitted: pd.DataFrame, loaded: Loaded, cohort: Cohort) -> Bools:
    mine = fitted[fitted["retrofit"] == loaded.id]
    latest = mine.groupby("site_id")["fitted_on"].max().reindex(cohort.sites.index)
    age = cohort.years_since(latest)
    return np.asarray(age < loaded.retrofit.about.life.mode)  # NaN = never fitted, compares false


def _safety_rows(cohort: Cohort, loaded: Loaded, notes: Notes) -> pd.DataFrame:
    which, site = np.nonzero([mask for _, mask in notes.entries])
    told = pd.DataFrame(
        [(note.id, note.severity, note.text, note.who, note.tell_owner) for note, _ in notes.entries],
        columns=["note_id", "severity", "text", "who", "tell_owner"],
    )
    rows = told.take(which).reset_index(drop=True)
    rows.insert(0, "site_id", cohort.sites.index.take(site))
    rows.insert(1, "retrofit", loaded.id)
    return rows


_PICTURE_STEP_W = 5  # fine enough to look at, and small in the file


def _pictures(now: Baseline) -> pd.DataFrame:
    """Return the mean W generated in each hour of the day of each month."""
    watts = _PICTURE_STEP_W * np.rint(np.maximum(now.picture, 0.0) / _PICTURE_STEP_W).astype(np.uint32)
    mean_w = pd.Series(list(watts), dtype=pd.ArrowDtype(pa.list_(pa.uint32())))
    return pd.DataFrame({"site_id": now.cohort.sites.index, "mean_w": mean_w})


def _site_energy(now: Baseline) -> pd.DataFrame:
    names = ("generated", "used", "to_water", "exported", "curtailed", "imported")
    frame = pd.DataFrame({"site_id": now.cohort.sites.index})
    for name in names:
        frame[f"{name}_kwh"] = now.yearly_kwh[name]
    rating = now.cohort.sum_by_site(now.plant.dc_rating_kw)
    frame["yield_kwh_per_kw"] = frame["generated_kwh"] / rating
    return frame


# Shares that are the same on every system unless the company says otherwise: shown as one step.
_FIXED_LOSSES = ("mismatch_kwh", "wiring_kwh", "connection_kwh", "light_induced_kwh", "nameplate_kwh")


def _site_loss(now: Baseline) -> pd.DataFrame:
    chain = loss_chain(now.cohort, now.plant)
    place = list(chain.columns).index(_FIXED_LOSSES[0])
    fixed = chain[list(_FIXED_LOSSES)].sum(axis=1)
    chain = chain.drop(columns=list(_FIXED_LOSSES))
    chain.insert(place, "modules_and_cables_kwh", fixed)
    long = chain.reset_index(names="site_id").melt(id_vars="site_id", var_name="step", value_name="kwh")
    order = {step: position for position, step in enumerate(chain.columns)}
    return long.assign(position=long["step"].map(order))
