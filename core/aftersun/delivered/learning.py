"""What done work and answers teach of today's assumptions, by Bayes from today's ranges: proposals, never changes.

All evidence there is counts each time, from the ranges as they were without any lesson: a promise that a run made
under an accepted lesson is brought back to what it would have been, so that nothing counts twice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import expit, logit

from aftersun.delivered.pooling import Belief, factor_taken, share_delivered
from aftersun.delivered.report import (
    Delivered,
    Usual,
    delivered_by_retrofit,
    hours_taken,
    shared_error,
    spread_of,
    usual_of,
    usual_promises,
)
from aftersun.inventory.log import call_log
from aftersun.inventory.runs.stored_runs import read_run_table, stored_run
from aftersun.inventory.store.file import Inventory
from aftersun.model import tables
from aftersun.model.change import Retrofit
from aftersun.model.ranges import Floats, Range
from aftersun.money.company import Company
from aftersun.scoring.calls.acceptance import answers_to_offers, appeal_parts

GAIN, HOURS, ANSWERS = "gain", "hours", "answers"
LEAST_ANSWERS = 20  # assumption: fewer hardly move how people weigh payback and gain
_ENDS = 0.005  # of what is believed, beyond the ends of a new range on either side
_EDGE = 0.2  # of what was believed, beyond which the end of a range holds the result back
_POWER_SD = 0.5  # assumption, as in aftersun.scoring.calls.acceptance: some ten answers hardly move a power


@dataclass(frozen=True)
class Lesson:
    """One assumption that evidence would change: where it stands, what it is and would be, and by how much evidence.

    ``section`` and ``name`` are its place in the company file; ``ranged`` says whether low and high are replaced too:
    those of what differs from roof to roof are not what a mean tells of. ``factor`` is what was observed over what was
    reckoned with, ``factor_low`` to ``factor_high`` its 90 % interval. ``at_edge``: the evidence lies beyond the range.
    """

    retrofit: str
    of: str
    section: tuple[str, ...]
    name: str
    unit: str
    count: int
    old: float
    old_low: float
    old_high: float
    new: float
    new_low: float
    new_high: float
    ranged: bool
    factor: float
    factor_low: float
    factor_high: float
    at_edge: bool = False

    @property
    def place(self) -> str:
        """Its place as what-if takes it."""
        return f"{self.retrofit}.{self.name}" if self.section[0] == "assumptions" else f"{self.section[0]}.{self.name}"


class _Scaled(Belief):
    """A triangle over a number, as what is believed of (number / value used) to a power."""

    def __init__(self, given: Range, used: float, power: float) -> None:
        width = max(given.high - given.low, 1e-12)
        mode = float(np.clip(given.mode, given.low, given.high))
        self._triangle = stats.triang((mode - given.low) / width, given.low, width)
        self._used, self._power = used, power

    def ppf(self, chance: float) -> float:
        """Return the value below which it is with this chance."""
        return float((self._triangle.ppf(chance) / self._used) ** self._power)

    def number(self, values: Floats) -> Floats:
        """Return the number that goes with each factor."""
        return np.asarray(self._used * values ** (1.0 / self._power))

    def logpdf(self, values: Floats) -> Floats:
        """Return the logarithm of the density of factors, (K,)."""
        slope = self._used / self._power * values ** (1.0 / self._power - 1.0)
        return np.asarray(self._triangle.logpdf(self.number(values)) + np.log(slope))


def lessons(inventory: Inventory, company: Company, retrofits: Mapping[str, Retrofit]) -> list[Lesson]:
    """Return what the evidence of an inventory would change.

    ``company`` has to be without lessons; ``retrofits`` are the installed ones by id. What has no evidence, or whose
    value is 0, has no lesson.
    """
    by_retrofit = {one.retrofit: one for one in delivered_by_retrofit(inventory)}
    usual, hours = usual_promises(inventory), hours_taken(inventory)
    newest = stored_run(inventory)
    then = _Then(inventory)
    found: list[Lesson] = []
    for told in tables.learnt_assumptions():
        retrofit = retrofits.get(told.retrofit)
        given = _range(told, retrofit, company)
        if given is None:
            continue
        known, used = given
        if used <= 0.0 or known.low >= known.high:
            continue
        belief = _Scaled(known, used, told.power)
        if told.of == GAIN and told.retrofit in by_retrofit:
            now = 1.0 if newest is None else then.factor(told, newest.run_id, used, known.mode)
            work = by_retrofit[told.retrofit]
            known_usual = usual.get(told.retrofit)
            mean = None if known_usual is None else known_usual._replace(share=known_usual.share * now)
            values, weights, count = _of_gain(told, work, mean, belief, then, used, known.mode)
        elif told.of == HOURS and (hours["retrofit"] == told.retrofit).any():
            mine = hours[hours["retrofit"] == told.retrofit]
            ratios = (mine["hours"] / mine["promised_hours"]).to_numpy(np.float64)
            back = [then.factor(told, run_id, used, known.mode) for run_id in mine["run_id"]]
            values, weights = factor_taken(ratios / np.array(back), belief)
            count = len(mine)
        else:
            continue
        found.append(_lesson(told, known, used, belief, values, weights, count))
    return found + _of_answers(inventory, company)


def _range(told: tables.LearntFrom, retrofit: Retrofit | None, company: Company) -> tuple[Range, float] | None:
    """Return the range of an assumption without lessons, and the value in force."""
    if retrofit is None:
        return None
    if told.section == "system":
        known = tables.ranges("system.csv")[told.name]
        return known, company.system_overrides.get(told.name, known.mode)
    if told.name not in retrofit.assumptions:
        return None
    known = company.range_of(told.retrofit, told.name, retrofit.assumptions[told.name])
    return known, company.overrides(told.retrofit).get(told.name, known.mode)


class _Then:
    """What runs had used, of which a promise tells."""

    def __init__(self, inventory: Inventory) -> None:
        self._inventory = inventory
        self._companies: dict[str, Mapping[str, Any]] = {}

    def factor(self, told: tables.LearntFrom, run_id: object, used: float, mode: float) -> float:
        """Return by what a promise of this run has to be multiplied to be that of the value in force."""
        if run_id is None or pd.isna(run_id):  # type: ignore[call-overload]
            return 1.0
        name = str(run_id)
        if name not in self._companies:
            run = stored_run(self._inventory, name)
            self._companies[name] = {} if run is None else run.settings.get("company", {})
        section = self._companies[name].get(told.section, {})
        section = section.get(told.retrofit, {}) if told.section == "assumptions" else section
        then = float(section.get(told.name, {}).get("value", mode))
        return 1.0 if then <= 0.0 else float((used / then) ** told.power)


def _of_gain(
    told: tables.LearntFrom, work: Delivered, usual: Usual | None, belief: Belief, then: _Then, used: float, mode: float
) -> tuple[Floats, Floats, int]:
    rows = work.works
    back = np.array([then.factor(told, run_id, used, mode) for run_id in rows["run_id"]])
    promised, gain, error = (rows[c].to_numpy(np.float64) for c in ("promised_kwh", "gain_kwh", "gain_se_kwh"))
    promised = promised * back
    known = usual_of(rows, promised, usual)
    share = share_delivered(promised, gain, error, known, belief, spread_of(usual), shared_error(rows))
    return share.values, share.weights, len(rows)


def _lesson(
    told: tables.LearntFrom, known: Range, used: float, belief: _Scaled, values: Floats, weights: Floats, count: int
) -> Lesson:
    numbers, below = belief.number(values), np.cumsum(weights) - weights / 2.0
    mean = float(numbers @ weights)
    low, high = (float(np.interp(chance, below, numbers)) for chance in (_ENDS, 1.0 - _ENDS))
    # The mode with which the mean of the new triangle is what is expected: what ranks is a mean.
    new = float(np.clip(3.0 * mean - low - high, low, high))
    section = ("assumptions", told.retrofit) if told.section == "assumptions" else ("system",)
    ranged = told.section == "assumptions"
    edge_low, edge_high = belief.ppf(0.02), belief.ppf(0.98)
    at_edge = float(weights[(values < edge_low) | (values > edge_high)].sum()) > _EDGE
    return Lesson(
        retrofit=told.retrofit,
        of=told.of,
        section=section,
        name=told.name,
        unit=known.unit,
        count=count,
        old=used,
        old_low=known.low,
        old_high=known.high,
        new=new if ranged else mean,
        new_low=low if ranged else known.low,
        new_high=high if ranged else known.high,
        ranged=ranged,
        factor=float(values @ weights),
        factor_low=float(np.interp(0.05, below, values)),
        factor_high=float(np.interp(0.95, below, values)),
        at_edge=at_edge,
    )


def _of_answers(inventory: Inventory, company: Company) -> list[Lesson]:
    """Return how strongly owners weigh payback and gain, as far as their answers tell."""
    run = stored_run(inventory)
    answers = answers_to_offers(call_log.entries(inventory))
    if run is None or len(answers) < LEAST_ANSWERS:
        return []
    offers = read_run_table(inventory, "offer", run.run_id)
    days = call_log.entries(inventory)[["site_id", "retrofit", "outcome", "called_on"]].drop_duplicates(
        ["site_id", "retrofit", "outcome"]
    )
    asked = answers.merge(days, how="left", on=["site_id", "retrofit", "outcome"]).merge(
        offers[["site_id", "offer", "upfront", "first_year_saving", "npv"]],
        left_on=["site_id", "retrofit"],
        right_on=["site_id", "offer"],
    )
    asked = asked.dropna(subset=["upfront", "first_year_saving", "npv"])
    if len(asked) < LEAST_ANSWERS:
        return []
    fit = weigh_answers(asked, company)
    names, before = ("gain_power", "payback_power"), (company.calls.gain_power, company.calls.payback_power)
    reach = stats.norm.ppf(0.95)
    return [
        Lesson(
            retrofit="",
            of=ANSWERS,
            section=("calls",),
            name=name,
            unit="1",
            count=len(asked),
            old=old,
            old_low=max(old - reach * _POWER_SD, 0.0),
            old_high=min(old + reach * _POWER_SD, 3.0),
            new=float(np.clip(mean, 0.0, 3.0)),
            new_low=float(np.clip(mean - reach * sd, 0.0, 3.0)),
            new_high=float(np.clip(mean + reach * sd, 0.0, 3.0)),
            ranged=False,
            factor=float(mean / old) if old else np.nan,
            factor_low=float((mean - reach * sd) / old) if old else np.nan,
            factor_high=float((mean + reach * sd) / old) if old else np.nan,
        )
        for name, old, (mean, sd) in zip(names, before, fit, strict=True)
    ]


def weigh_answers(asked: pd.DataFrame, company: Company) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return mean and standard deviation of the powers of gain and of payback after these answers.

    A logistic regression on the logarithms of what comes back for the price and of payback, on the season, and on
    levels of the retrofits that are drawn together; normal priors, those of the powers about today's, and the normal
    approximation at the likeliest values. ``asked`` has retrofit, outcome, called_on, upfront, first_year_saving, npv.
    """
    calls = company.calls
    years, worth = appeal_parts(asked)
    names = sorted(set(asked["retrofit"].astype(str)))
    level = (asked["retrofit"].astype(str).to_numpy()[:, np.newaxis] == np.array(names)).astype(np.float64)
    season = np.cos(2.0 * np.pi * pd.to_datetime(asked["called_on"]).dt.day_of_year.to_numpy() / 365.25)
    columns = [np.log(worth), -np.log(years / calls.usual_payback_years), np.ones(len(asked)), np.nan_to_num(season)]
    design = np.column_stack([*columns, level])
    middle = np.array(
        [calls.gain_power, calls.payback_power, logit(calls.yes_prior / (calls.yes_prior + calls.no_prior))]
    )
    mean = np.concatenate([middle, [0.0], np.zeros(len(names))])
    precision = np.concatenate([[_POWER_SD] * 2, [1.0], [0.3], np.full(len(names), 0.5)]) ** -2.0
    yes = (asked["outcome"] == call_log.YES).to_numpy(np.float64)
    beta = mean.copy()
    for _ in range(50):
        chance = expit(design @ beta)
        curve = (design * (chance * (1.0 - chance))[:, np.newaxis]).T @ design + np.diag(precision)
        step = np.linalg.solve(curve, design.T @ (yes - chance) - precision * (beta - mean))
        beta = beta + np.clip(step, -1.0, 1.0)
        if np.abs(step).max() < 1e-9:
            break
    sd = np.sqrt(np.diag(np.linalg.inv(curve)))
    return (float(beta[0]), float(sd[0])), (float(beta[1]), float(sd[1]))


def as_toml(found: list[Lesson], on: date, effect: Mapping[str, str]) -> str:
    """Return proposals as a file to accept; ``effect`` says by place what each would change in the ranking."""
    lines = [
        "# What done work and answers teach of the assumptions. Nothing here is in force until it is accepted:",
        "# take out what you do not believe, then 'aftersun lessons accept'. 'aftersun lessons withdraw' undoes it.",
        "",
        "[lessons]",
        f"proposed_on = {on.isoformat()}",
        "",
        "[lessons.evidence]",
        *(f'"{lesson.place}" = "{_evidence(lesson)}"' for lesson in found),
    ]
    sections: dict[tuple[str, ...], list[Lesson]] = {}
    for lesson in found:
        sections.setdefault(lesson.section, []).append(lesson)
    for section, of_section in sections.items():
        lines += ["", f"[{'.'.join(section)}]"]
        for lesson in of_section:
            old, new = _range_text(lesson.old_low, lesson.old_high), _range_text(lesson.new_low, lesson.new_high)
            was, would_be = f"{_figure(lesson.old)} ({old})", f"{_figure(lesson.new)} ({new})"
            lines.append(f"# {lesson.name}: {was} would be {would_be} {lesson.unit}")
            if lesson.at_edge:
                lines.append("# The evidence lies at the end of the range: look for another cause before accepting it.")
            if lesson.place in effect:
                lines.append(f"# {effect[lesson.place]}")
            if lesson.section[0] == "calls":
                lines.append(f"{lesson.name} = {_figure(lesson.new)}")
                continue
            reach = f", low = {_figure(lesson.new_low)}, high = {_figure(lesson.new_high)}" if lesson.ranged else ""
            value = _figure(min(max(lesson.new, lesson.new_low), lesson.new_high))
            lines.append(f'{lesson.name} = {{value = {value}{reach}, who = "", why = "{_evidence(lesson)}"}}')
    return "\n".join(lines) + "\n"


def _evidence(lesson: Lesson) -> str:
    what = {GAIN: "works measured", HOURS: "jobs with hours", ANSWERS: "answers"}[lesson.of]
    reach = f"{lesson.factor:.2f} ({lesson.factor_low:.2f} to {lesson.factor_high:.2f})"
    return f"{lesson.count} {what}: {reach} of what was reckoned with"


def _figure(value: float) -> str:
    return f"{value:.4g}" if "e" not in f"{value:.4g}" else f"{value:.12f}".rstrip("0")


def _range_text(low: float, high: float) -> str:
    return f"{_figure(low)} to {_figure(high)}"
