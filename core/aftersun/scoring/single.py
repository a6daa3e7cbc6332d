"""What each retrofit alone is worth on each site of a cohort."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.energy.balance import simulate
from aftersun.energy.fitted_baseline import FittedBaseline, fitted_baseline
from aftersun.energy.losses import loss_chain
from aftersun.host.assumed import assumed
from aftersun.host.guard import Guard
from aftersun.host.registry import Failure, Loaded, Registry
from aftersun.inventory.dictionary import columns
from aftersun.model.change import DOES_NOT_FIT, SURVEY_FIRST, Change, Notes
from aftersun.model.cohort import Cohort
from aftersun.model.errors import AftersunError
from aftersun.model.plant import Plant
from aftersun.model.ranges import Bools, Floats
from aftersun.money import measures, prices
from aftersun.money.cash_flow import CashFlow, owner_cash_flow, remaining_life, study_years
from aftersun.money.company import Company
from aftersun.money.tariffs import Bill, yearly_bill
from aftersun.money.travel import trip
from aftersun.scoring import words

Rows = npt.NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Today:
    """A cohort as it stands: plant, energy, bill, and the years left (S,).

    ``yearly_kwh`` has the sums of the energy balance by the names of its columns; the hours are not kept.
    """

    cohort: Cohort
    plant: Plant
    yearly_kwh: Mapping[str, Floats]
    bill: Bill
    remaining_years: Floats
    remaining_assumed: Bools
    within_reach: Bools

    def take(self, rows: Rows) -> Today:
        """Return the sites at these positions."""
        return Today(
            self.cohort.take(rows),
            self.plant.take(rows, self.cohort.array_rows(rows)),
            {name: kwh[rows] for name, kwh in self.yearly_kwh.items()},
            self.bill.take(rows),
            self.remaining_years[rows],
            self.remaining_assumed[rows],
            self.within_reach[rows],
        )


@dataclass(frozen=True, eq=False)
class Scored:
    """Rows for the result tables, without run_id and rank, and the retrofits that failed."""

    frames: Mapping[str, pd.DataFrame]
    failures: tuple[Failure, ...]


def today(cohort: Cohort, company: Company, readings: pd.DataFrame) -> tuple[Today, FittedBaseline]:
    """Simulate a cohort as it stands, corrected by its meter readings, and take its bill."""
    fit = fitted_baseline(cohort, readings)
    cohort, plant, energy = fit.cohort, fit.plant, fit.energy
    planned = cohort.sites["remaining_life_years"].to_numpy(dtype=np.float64, na_value=np.nan)
    years, assumed_life = remaining_life(planned, cohort.years_since(cohort.sites["commissioned_on"]), company)
    way = trip(cohort.sites["latitude"].to_numpy(float), cohort.sites["longitude"].to_numpy(float), company)
    bill = yearly_bill(energy, cohort.sites, cohort.weather.times)
    yearly_kwh = {column.name: energy.annual(column.name) for column in fields(energy)}
    return Today(cohort, plant, yearly_kwh, bill, years, assumed_life, way.within_reach), fit


def score(cohort: Cohort, fitted: pd.DataFrame, registry: Registry, company: Company, readings: pd.DataFrame) -> Scored:
    """Evaluate every retrofit of the registry on every site of the cohort.

    ``fitted`` and ``readings`` have the dictionary's columns of these tables, ``readings`` may be empty: what is
    fitted and within its life is not offered again, and what the meters say corrects the energy.
    """
    now, fit = today(cohort, company, readings)
    guard = Guard(plant_texts())
    parts: dict[str, list[pd.DataFrame]] = {
        "ranking": [],
        "safety_note": [],
        "cost_item": [],
        "cash_flow": [],
    }
    for loaded in registry.retrofits:
        for table, frame in _score_one(now, fitted, loaded, company, guard).items():
            parts[table].append(frame)
    frames = {table: pd.concat(found, ignore_index=True) for table, found in parts.items() if found}
    frames["ranking"]["reason"] = [words.sentences(text) for text in frames["ranking"]["reason"]]
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
    now: Today, fitted: pd.DataFrame, loaded: Loaded, company: Company, guard: Guard
) -> dict[str, pd.DataFrame]:
    cohort = now.cohort
    screening = guard.screen(loaded, cohort)
    notes = guard.safety(loaded, cohort)
    if screening is None or notes is None:
        return {"ranking": failed_ranking(cohort.sites.index, loaded.id)}
    status, reason = screening.status.copy(), screening.reason.copy()
    have = _still_fitted(fitted, loaded, cohort)
    status[have], reason[have] = words.ALREADY_FITTED, "one is fitted and still within its life"
    far = ~now.within_reach & (status != DOES_NOT_FIT)
    status[far], reason[far] = DOES_NOT_FIT, "beyond the farthest distance the company drives"
    rows = np.flatnonzero(~np.isin(status, [DOES_NOT_FIT, words.ALREADY_FITTED]))
    ranking = pd.DataFrame({"site_id": cohort.sites.index, "retrofit": loaded.id, "status": status, "reason": reason})
    result = {"ranking": ranking, "safety_note": _safety_rows(cohort, loaded, notes)}
    if rows.size == 0:
        return result
    offer = _evaluate(now.take(rows), loaded, company, guard)
    if offer is None:
        return {"ranking": failed_ranking(cohort.sites.index, loaded.id)}
    result["ranking"] = _with_worth(ranking, rows, offer, company)
    worth = offer.npv > 0
    result["cost_item"] = offer.items.assign(retrofit=loaded.id)
    result["cash_flow"] = offer.cash_rows(worth).assign(retrofit=loaded.id)
    return result


@dataclass(frozen=True, eq=False)
class _Offer:
    """A retrofit evaluated on the sites that may have it; arrays of shape (S,)."""

    now: Today
    change: Change
    gain_kwh: Mapping[str, Floats]
    years: Floats
    flow: CashFlow
    items: pd.DataFrame
    npv: Floats
    sir: Floats
    simple_payback: Floats
    discounted_payback: Floats
    discount_rate: float

    def cash_rows(self, where: Bools) -> pd.DataFrame:
        """Return the cash flow of the sites ``where``, one row a year."""
        rows = np.flatnonzero(where)
        count = self.flow.net.shape[1]
        year = np.tile(np.arange(count), rows.size)
        table = {
            "site_id": np.repeat(self.now.cohort.sites.index.to_numpy()[rows], count),
            "year": year,
            **{
                name: getattr(self.flow, name)[rows].ravel()
                for name in ("saving", "yearly_cost", "avoided", "upfront", "net")
            },
        }
        frame = pd.DataFrame(table)
        frame["discounted"] = frame["net"] / (1.0 + self.discount_rate) ** year
        return frame[frame["year"] <= np.repeat(self.years[rows], count)].reset_index(drop=True)


def _evaluate(now: Today, loaded: Loaded, company: Company, guard: Guard) -> _Offer | None:
    """Return what a retrofit is worth on these sites, or None if it failed."""
    cohort, retrofit = now.cohort, loaded.retrofit
    assume = assumed(retrofit, company.overrides(loaded.id), company.priors)
    change = guard.change(loaded, cohort, now.plant, assume)
    if change is None:
        return None
    try:
        once = prices.price_lines(change.costs, cohort.sites, company)
        yearly = prices.price_yearly(change.yearly, cohort.sites, company)
    except AftersunError as error:
        guard.fail(loaded, "price", f"{error} {error.hint}")
        return None
    after = simulate(cohort, change.plant)
    bill = yearly_bill(after, cohort.sites, cohort.weather.times)
    size, horizon = len(cohort), company.money.horizon_years
    years = study_years(horizon, assume.get("life_years", retrofit.about.life.mode), now.remaining_years)
    try:
        flow = owner_cash_flow(
            now.bill.electricity - bill.electricity,
            first_year_fuel_saving=now.bill.water_fuel_cost - bill.water_fuel_cost,
            fade=change.fade,
            ageing_per_year=now.plant.ageing_per_year,
            price_growth=company.money.electricity_price_growth,
            fuel_price_growth=company.money.fuel_price_growth,
            yearly_cost=prices.yearly_cost(yearly, size),
            avoided=prices.yearly_avoided(yearly, size),
            upfront=prices.owner_price(once, size),
            years=years,
            horizon_years=horizon,
        )
    except ValueError as error:
        guard.fail(loaded, "cash flow", str(error))
        return None
    rate = company.money.real_discount_rate
    upfront = flow.upfront[:, 0]
    return _Offer(
        now=now,
        change=change,
        gain_kwh={
            name: after.annual(name) - now.yearly_kwh[name] for name in ("generated", "to_water", "water_backup")
        },
        years=years,
        flow=flow,
        items=_items(once, yearly),
        npv=measures.npv(rate, flow.net),
        sir=measures.savings_to_investment_ratio(measures.npv(rate, flow.operating), upfront),
        simple_payback=measures.simple_payback(upfront, flow.operating[:, 1]),
        discounted_payback=measures.discounted_payback(rate, upfront, flow.operating[:, 1:]),
        discount_rate=rate,
    )


def _with_worth(ranking: pd.DataFrame, rows: Rows, offer: _Offer, company: Company) -> pd.DataFrame:
    """Fill in the measures of the evaluated sites, and say in words what they amount to."""
    first_year = offer.flow.operating[:, 1]
    upfront = offer.flow.upfront[:, 0]
    columns = {
        "npv": offer.npv,
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
        status[row] = words.status_of(offer.npv[place], SURVEY_FIRST if survey else status[row])
        reason[row] = words.sentences(
            words.verdict(
                offer.npv[place],
                upfront[place],
                first_year[place],
                int(offer.years[place]),
                offer.discounted_payback[place],
                company.identity.currency,
            ),
            f"survey first: {survey}" if survey and offer.npv[place] > 0 else "",
            "" if offer.change.remarks is None else str(offer.change.remarks[place]),
            *_assumptions_made(offer.now, place),
        )
    return filled.assign(status=status, reason=reason)


def _assumptions_made(now: Today, row: int) -> list[str]:
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
        }
    )


def _still_fitted(fitted: pd.DataFrame, loaded: Loaded, cohort: Cohort) -> Bools:
    mine = fitted[fitted["retrofit"] == loaded.id]
    latest = mine.groupby("site_id")["fitted_on"].max().reindex(cohort.sites.index)
    age = cohort.years_since(latest)
    return np.asarray(age < loaded.retrofit.about.life.mode)  # NaN = never fitted, compares false


def _items(once: pd.DataFrame, yearly: pd.DataFrame) -> pd.DataFrame:
    yearly = yearly.assign(note=[words.join(words.EVERY_YEAR, note) for note in yearly["note"]])
    both = pd.concat([once, yearly], ignore_index=True)
    return both[["site_id", "kind", "item", "quantity", "unit", "unit_cost", "cost", "price", "note"]]


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


def _site_energy(now: Today) -> pd.DataFrame:
    names = ("generated", "used", "to_water", "exported", "curtailed", "imported")
    frame = pd.DataFrame({"site_id": now.cohort.sites.index})
    for name in names:
        frame[f"{name}_kwh"] = now.yearly_kwh[name]
    rating = now.cohort.sum_by_site(now.plant.dc_rating_kw)
    frame["yield_kwh_per_kw"] = frame["generated_kwh"] / rating
    return frame


# Shares that are the same on every system unless the company says otherwise: shown as one step.
_FIXED_LOSSES = ("mismatch_kwh", "wiring_kwh", "connection_kwh", "light_induced_kwh", "nameplate_kwh")


def _site_loss(now: Today) -> pd.DataFrame:
    chain = loss_chain(now.cohort, now.plant)
    place = list(chain.columns).index(_FIXED_LOSSES[0])
    fixed = chain[list(_FIXED_LOSSES)].sum(axis=1)
    chain = chain.drop(columns=list(_FIXED_LOSSES))
    chain.insert(place, "modules_and_cables_kwh", fixed)
    long = chain.reset_index(names="site_id").melt(id_vars="site_id", var_name="step", value_name="kwh")
    order = {step: position for position, step in enumerate(chain.columns)}
    return long.assign(position=long["step"].map(order))
