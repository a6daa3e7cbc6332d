"""What the meters say that work delivered, at every site with work and readings before and after it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import groupby
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.delivered.baseline_model import BaselineFit, fit_baseline, half_width, months_to_see
from aftersun.delivered.events import Event, events_of
from aftersun.delivered.months import Months, month_numbers, month_of, site_months
from aftersun.delivered.pooling import robust_sd
from aftersun.energy.balance import simulated
from aftersun.energy.baseline import baseline
from aftersun.energy.readings.checks import limits
from aftersun.energy.readings.clock import TypicalTime
from aftersun.energy.readings.quality import check_readings
from aftersun.inventory.log.jobs import EXPORT, PRODUCTION, jobs
from aftersun.inventory.store import read
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.tables import OTHER_TABLES, insert_frame, read_table
from aftersun.model.codes import Basis, Unmeasured
from aftersun.model.cohort import Cohort
from aftersun.model.ranges import Floats
from aftersun.model.sphere import great_circle_km, unit_vectors
from aftersun.money.company import Company
from aftersun.scoring.value.cohorts import Chunk, Weather, cohort_of, read_portfolio, year_of

DELIVERED = OTHER_TABLES["delivered"]
CHUNK_SITES = 500
LEAST_BEFORE, LEAST_AFTER = 9, 6  # months; assumption: most of a year before, two seasons after
MOST_MONTHS = 36  # on either side; assumption: what is older tells more of the system's past than of the work
LEAST_NEIGHBOURS = 3  # assumption: the middle one of fewer is one site
MOST_NEIGHBOURS = 300  # assumption: the nearest so many tell all that more would, and are quickly asked
PLACEBO_NEIGHBOURS = 8  # assumption: from so many on their own changes tell how much a site changes without work
COVERED = 0.8  # assumption: of the months compared a neighbour has this share
WEATHER_KM = 50.0  # assumption: monthly light is alike within it
_MOST_MONTHS_TO_SEE = 60

Progress = Callable[[int, int], None]


@dataclass(frozen=True, eq=False)
class _Scene:
    """What the events of one weather year and meter are judged by."""

    months: Months
    where: Floats  # (S, 3) of each site on the unit sphere
    work_of: npt.NDArray[np.intp]  # (E,) site of each event, and the months in which it begins and ends
    first: npt.NDArray[np.datetime64]
    last: npt.NDArray[np.datetime64]
    light: Floats  # (S, M) of each month over that of the typical year; NaN = none is loaded
    replaced: frozenset[str]


def measure(
    inventory: Inventory, company: Company, as_of: date, progress: Progress = lambda _done, _total: None
) -> pd.DataFrame:
    """Return what was delivered, one row an event, with the columns of table ``delivered``.

    Work is what is on record as jobs and as fitted. ``as_of`` is the day from which ages are counted.
    """
    work = work_on_record(inventory)
    events = events_of(work[work["done_on"] <= pd.Timestamp(as_of)])
    portfolio = read_portfolio(inventory, as_of, CHUNK_SITES)
    light = read.past_weather(inventory)
    rows: list[dict[str, Any]] = []
    done, valued = 0, set()
    # Neighbours are all sites under one weather, however many chunks they fill.
    for weather_id, of_weather in groupby(portfolio.chunks, key=lambda chunk: chunk.weather_id):
        chunks = list(of_weather)
        ids = [str(site) for chunk in chunks for site in chunk.sites.index]
        here = {site: events[site] for site in ids if site in events}
        rows += _of_weather(chunks, portfolio.weather[weather_id], here, company, as_of, light) if here else []
        valued |= set(ids)
        done += len(chunks)
        progress(done, len(portfolio.chunks))
    rows += [
        _row(event) | {"obstacle": Unmeasured.NOT_VALUED}
        for site, of_site in events.items()
        if site not in valued
        for event in of_site
    ]
    frame = pd.DataFrame(rows, columns=list(DELIVERED.columns))
    frame["measured_at"] = datetime.now(UTC).replace(tzinfo=None)
    return frame.astype(DELIVERED.dtypes).sort_values(["site_id", "done_on", "retrofit"], ignore_index=True)


def store(inventory: Inventory, delivered: pd.DataFrame) -> None:
    """Put what was measured in the place of what was measured before."""
    with inventory.transaction() as connection:
        connection.execute("DELETE FROM delivered")
        insert_frame(connection, DELIVERED, delivered)


def stored(inventory: Inventory) -> pd.DataFrame:
    """Return what was measured last."""
    return read_table(inventory.connection, DELIVERED)


def work_on_record(inventory: Inventory) -> pd.DataFrame:
    """Return jobs, and what is fitted without a record of the job, one row each."""
    done = jobs(inventory)
    fitted = read.fitted(inventory).rename(columns={"fitted_on": "done_on"})[["site_id", "retrofit", "done_on"]]
    both = pd.concat([done, fitted], ignore_index=True)
    return both.drop_duplicates(["site_id", "retrofit", "done_on"], keep="first", ignore_index=True)


def _row(event: Event) -> dict[str, Any]:
    """Return what is known of an event without a meter."""
    names = ("promised_kwh", "promised_p90_kwh", "promised_p10_kwh")
    said = [[job.get(name) for name in names] for job in event.jobs]
    known = not any(pd.isna(promise) for promise, *_ in said)
    meters = {job.get("meter") for job in event.jobs if not pd.isna(job.get("meter"))}
    return {
        "site_id": event.site_id,
        "retrofit": event.name,
        "done_on": event.last_on,
        "jobs": len(event.jobs),
        "shared": len(event.retrofits) > 1,
        "meter": EXPORT if meters == {EXPORT} else PRODUCTION,
        "promised_kwh": sum(promise for promise, *_ in said) if known else pd.NA,
        # ranges of several are not added up
        "promised_p90_kwh": said[0][1] if len(said) == 1 else pd.NA,
        "promised_p10_kwh": said[0][2] if len(said) == 1 else pd.NA,
        "meter_replaced": False,
    }


def _of_weather(
    chunks: list[Chunk],
    weather: Weather,
    events: dict[str, list[Event]],
    company: Company,
    as_of: date,
    light: pd.DataFrame,
) -> Iterator[dict[str, Any]]:
    sites = pd.concat([chunk.sites[["roof_kind", "latitude", "longitude"]] for chunk in chunks])
    known = {event: _row(event) for of_site in events.values() for event in of_site}
    for event, row in known.items():
        row["roof_kind"] = sites.at[event.site_id, "roof_kind"]
    meters = sorted({str(row["meter"]) for row in known.values()})
    read_: dict[str, list[Months]] = {meter: [] for meter in meters}
    replaced: set[str] = set()
    for chunk in chunks:
        cohort = cohort_of(chunk, year_of(weather), as_of, company)
        checked = check_readings(cohort, chunk.readings)
        replaced |= set(checked.set_aside.loc[checked.set_aside["finding"] == "counter", "site_id"])
        for meter in meters:
            readings = checked.of(meter)
            if not readings.empty:
                read_[meter].append(_months_of(cohort, readings, meter, events, as_of))
    typical_light = _typical_light(cohort.weather.ghi)
    for meter in meters:
        mine = [event for event, row in known.items() if row["meter"] == meter]
        if not read_[meter]:
            yield from (known[event] | {"obstacle": Unmeasured.NO_READINGS} for event in mine)
            continue
        months = Months.together(read_[meter])
        those = sites.loc[months.site_ids]
        here = [(site, event) for site, name in enumerate(months.site_ids) for event in events.get(name, ())]
        scene = _Scene(
            months,
            unit_vectors(those["latitude"], those["longitude"]),
            np.array([site for site, _ in here], dtype=np.intp),
            np.array([month_of(event.first_on) for _, event in here], dtype="datetime64[M]"),
            np.array([month_of(event.last_on) for _, event in here], dtype="datetime64[M]"),
            _light(those, months, light, typical_light),
            frozenset(replaced),
        )
        for event in mine:
            yield known[event] | _judged(event, known[event], scene)


def _months_of(
    cohort: Cohort, readings: pd.DataFrame, meter: str, events: dict[str, list[Event]], as_of: date
) -> Months:
    """Return the months of those sites of a cohort that have good intervals of a meter, ``readings``."""
    first, count = month_numbers(readings)
    by_site = dict(iter(readings.groupby("site_id")))
    time = TypicalTime.spanning(readings["starts_at"], readings["ends_at"])
    part = cohort.take(np.flatnonzero(cohort.sites.index.isin(list(by_site))))
    plant = baseline(part)
    measured, expected = np.full((2, len(part), count), np.nan)
    year_kwh = np.zeros(len(part))
    for sites, _, energy in simulated(part, plant):
        shown = energy.exported if meter == EXPORT else energy.generated - energy.curtailed
        for position, site in enumerate(sites):
            site_id = str(part.sites.index[site])
            output = shown[position].astype(np.float64)
            work = [(event.first_on, event.last_on) for event in events.get(site_id, ())]
            ageing = float(plant.ageing_per_year[site])
            measured[site], expected[site] = site_months(
                by_site[site_id], time, output, ageing, pd.Timestamp(as_of), work, first, count
            )
            year_kwh[site] = output.sum()
    return Months(part.sites.index, first, measured, expected, year_kwh)


def _judged(event: Event, row: dict[str, Any], scene: _Scene) -> dict[str, Any]:
    """Return what the meter says of one event."""
    months = scene.months
    if event.site_id not in months.site_ids:
        return {"obstacle": Unmeasured.NO_READINGS}
    site = int(months.site_ids.get_indexer(pd.Index([event.site_id]))[0])
    read_, count = ~np.isnan(months.measured[site]), months.measured.shape[1]
    at = np.arange(count)
    work = months.starting(event.first_on), months.starting(event.last_on)
    from_ = 0 if event.from_ is None else months.starting(event.from_) + 1
    until = count if event.until is None else months.starting(event.until)
    before = read_ & (at < work[0]) & (at >= max(from_, work[0] - MOST_MONTHS))
    after = read_ & (at > work[1]) & (at < min(until, work[1] + 1 + MOST_MONTHS))
    found: dict[str, Any] = {"months_before": int(before.sum()), "months_after": int(after.sum())}
    found["meter_replaced"] = event.site_id in scene.replaced
    if before.sum() < LEAST_BEFORE:
        return found | {"obstacle": Unmeasured.SHORT_BEFORE}
    if not after.any():
        return found | {"obstacle": Unmeasured.STOPPED}
    if after.sum() < LEAST_AFTER:
        return found | {"obstacle": Unmeasured.SHORT_AFTER}
    measured, expected = months.measured[site], months.expected[site]
    neighbours = _neighbours(site, before, after, scene)
    level, placebo = np.ones(count), None
    both = before | after
    if not np.isnan(scene.light[site, both]).any():
        basis = Basis.WEATHER
        regressors = np.stack([expected, expected * (scene.light[site] - 1.0)], axis=1)
    else:
        basis = Basis.NEIGHBOURS if len(neighbours) >= LEAST_NEIGHBOURS else Basis.TYPICAL
        if basis == Basis.NEIGHBOURS:
            level, changes = _level(months, neighbours, before, after)
            if len(changes) >= PLACEBO_NEIGHBOURS:
                placebo = robust_sd(changes) * float(np.sqrt(1.0 + np.pi / 2.0 / len(changes)))
            both &= ~np.isnan(level)
            before, after = before & both, after & both
            # 1 on the whole in the last whole years before the work: a season may be another than the computed one
            years_before = np.flatnonzero(before)[-12 * max(int(before.sum()) // 12, 1) :]
            level = level * expected[years_before].sum() / (expected * level)[years_before].sum()
        regressors = (expected * level)[:, np.newaxis]
    if before.sum() < LEAST_BEFORE or after.sum() < LEAST_AFTER:
        return found | {"obstacle": Unmeasured.SHORT_AFTER if before.sum() >= LEAST_BEFORE else Unmeasured.SHORT_BEFORE}
    fit = fit_baseline(measured[before], regressors[before], expected[before])
    whole, beyond, error = fit.delivered(measured[after], regressors[after], expected[after])
    drift_sd = limits()["drift_sd"]
    years = float(at[after].mean() - at[before].mean()) / 12.0
    # What the fit cannot see: a level that wanders. The neighbours' own changes tell how much; else it is assumed. They
    # are shares of what there is, so of what is measured after the work.
    freedom = fit.freedom
    if placebo is None:
        error = float(np.hypot(error, drift_sd * np.sqrt(years) * whole))
    else:
        of_neighbours = placebo * float(measured[after].sum()), len(neighbours) - 1.0
        error, freedom = max((error, freedom), of_neighbours, key=lambda either: half_width(*either))
    year = float(fit.coefficients[0]) * float(months.year_kwh[site])
    sign = -1.0 if row["meter"] == EXPORT else 1.0
    gain, se = sign * beyond / whole * year, error / whole * year
    reach = half_width(se, freedom)
    return found | {
        "basis": basis,
        "neighbours": len(neighbours) if basis == Basis.NEIGHBOURS else 0,
        "measured_kwh": float(measured[after].sum()),
        "baseline_kwh": whole,
        "year_kwh": year,
        "gain_kwh": gain,
        "gain_se_kwh": se,
        "gain_low_kwh": gain - reach,
        "gain_high_kwh": gain + reach,
        "freedom": freedom,
        "autocorrelation": fit.autocorrelation,
        "seen": abs(gain) > reach,
        "months_before": int(before.sum()),
        "months_after": int(after.sum()),
        "months_to_see": _to_see(row, fit, whole, beyond, before, expected, months.year_kwh[site], drift_sd),
    }


def _to_see(
    row: dict[str, Any],
    fit: BaselineFit,
    whole: float,
    beyond: float,
    before: np.ndarray,
    expected: Floats,
    year_kwh: float,
    drift_sd: float,
) -> Any:
    promised, year = row["promised_kwh"], float(fit.coefficients[0]) * year_kwh
    effect: float = beyond / whole if pd.isna(promised) else float(promised) / year
    r = fit.autocorrelation
    month = float(np.mean(expected[before]))
    period_sd = fit.residual_sd * np.sqrt((1.0 + r) / (1.0 - r) * month) / (float(fit.coefficients[0]) * month)
    months = months_to_see(effect, period_sd, int(before.sum()), fit.freedom, drift_sd, _MOST_MONTHS_TO_SEE)
    return pd.NA if months is None else months


def _neighbours(site: int, before: np.ndarray, after: np.ndarray, scene: _Scene) -> np.ndarray:
    """Return the nearest sites without work in the time compared that have most of its months read, as positions."""
    span = np.flatnonzero(before | after)
    first = scene.months.first + span.min()
    last = scene.months.first + span.max() + 1
    free = np.ones(len(scene.where), dtype=bool)
    free[site] = False
    free[scene.work_of[(scene.last >= first) & (scene.first < last)]] = False
    there = np.flatnonzero(free)
    read_ = ~np.isnan(scene.months.measured[there])
    whole = (read_[:, before].mean(axis=1) >= COVERED) & (read_[:, after].mean(axis=1) >= COVERED)
    there = there[whole]
    if len(there) > MOST_NEIGHBOURS:
        near = scene.where[there] @ scene.where[site]
        there = np.sort(there[np.argsort(-near, kind="stable")[:MOST_NEIGHBOURS]])
    return there


def _level(months: Months, neighbours: np.ndarray, before: np.ndarray, after: np.ndarray) -> tuple[Floats, Floats]:
    """Return the neighbours' common level by month, (M,), and by which share each of them changed from it."""
    ratio = np.log(months.ratio[neighbours])
    ratio = ratio - np.nanmean(ratio[:, before], axis=1, keepdims=True)
    filled = np.where(np.isnan(ratio).all(axis=0), 0.0, ratio)
    level = np.where(np.isnan(ratio).all(axis=0), np.nan, np.nanmedian(filled, axis=0))
    weight = np.where(np.isnan(ratio), 0.0, months.expected[neighbours])
    apart = np.where(np.isnan(ratio), 0.0, ratio - np.where(np.isnan(level), 0.0, level))

    def mean(which: np.ndarray) -> Floats:
        sums: Floats = (apart * weight)[:, which].sum(axis=1) / weight[:, which].sum(axis=1)
        return sums

    return np.exp(level), np.expm1(mean(after) - mean(before))


def _typical_light(ghi: Floats) -> Floats:
    """Return the light of each month of the typical year, kWh/m2 (12,)."""
    days = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    return np.add.reduceat(np.asarray(ghi, dtype=np.float64), 24 * np.concatenate([[0], np.cumsum(days)[:-1]])) / 1000.0


def _light(sites: pd.DataFrame, months: Months, past: pd.DataFrame, typical: Floats) -> Floats:
    """Return the light of each month over the typical one at the nearest place that is loaded, (S, M)."""
    count = months.measured.shape[1]
    ratio = np.full((len(sites), count), np.nan)
    if past.empty:
        return ratio
    places = past.drop_duplicates("place").reset_index(drop=True)
    where = [places[name].to_numpy(np.float64) for name in ("latitude", "longitude")]
    number = (past["month"].to_numpy().astype("datetime64[M]") - months.first).astype(int)
    for row, (latitude, longitude) in enumerate(sites[["latitude", "longitude"]].to_numpy(np.float64)):
        apart = great_circle_km(latitude, longitude, *where)
        if apart.min() > WEATHER_KM:
            continue
        mine = (past["place"] == places["place"][int(apart.argmin())]).to_numpy() & (number >= 0) & (number < count)
        of_year = (months.first + number[mine]).astype(int) % 12
        ratio[row, number[mine]] = past["irradiation_kwh_m2"].to_numpy(np.float64)[mine] / typical[of_year]
    return ratio
