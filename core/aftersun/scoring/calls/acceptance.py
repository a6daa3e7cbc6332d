"""Chances from the call log: that a customer answers, and that one who answers says yes to an offer.

The odds of a yes are those of the retrofit, from a prior and the log, times the appeal of this offer to its owner::

    appeal = (payback / usual payback) ^ -payback_power x (1 + NPV / price) ^ gain_power

to the power of ``response``, which begins at 1 and is moved by the log between 0 (the retrofit alone counts) and 2.
Payback and gain are cut off where nothing is known of what people do, so the odds never leave a range.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import betaincinv, expit, log_expit, logit

from aftersun.inventory.log.call_log import DONE, UNREACHED, YES
from aftersun.model.ranges import Floats
from aftersun.money.company import Calls

TAIL = 0.1  # from the value exceeded with 90 % to that exceeded with 10 %, as for net present values


@dataclass(frozen=True)
class Beta:
    """A beta distribution, or one a row: what is believed of a chance, worth ``a`` times yes and ``b`` times no."""

    a: Any
    b: Any

    @property
    def mean(self) -> Any:
        """The expected chance."""
        return self.a / (self.a + self.b)

    def after(self, yes: Any, of: Any) -> Beta:
        """Return what is believed after ``yes`` times yes in ``of`` tries."""
        return Beta(self.a + yes, self.b + of - yes)

    def interval(self) -> tuple[Any, Any]:
        """Return the limits between which the chance lies with 80 % probability, the rest equally on both sides."""
        return betaincinv(self.a, self.b, TAIL), betaincinv(self.a, self.b, 1.0 - TAIL)


YES_PRIOR = Beta(3.0, 17.0)  # common practice, no source: mean 0.15; no acceptance rate of such calls is published
CONTACT_PRIOR = Beta(2.0, 2.0)  # assumption: every second call is answered, known no better than from four calls

# assumption: beyond these, more or less of it no longer changes what people say
PAYBACK_YEARS, WORTH_FOR_PRICE = (2.0, 20.0), (0.5, 3.0)
RESPONSE = np.linspace(0.0, 2.0, 41)  # what is thought possible of how strongly people respond to the appeal
RESPONSE_SD = 0.5  # assumption: about 1; some ten answers hardly move it, some hundreds do


def chance_of_yes(log: pd.DataFrame, prior: Beta = YES_PRIOR) -> pd.DataFrame:
    """Return the chance of a yes per retrofit, given that the customer answers.

    Parameters
    ----------
    log
        Columns site_id, outcome, retrofit: the call log. An unanswered call tells nothing. Work done without a
        recorded yes counts as one; after a yes it is no further answer.

    Returns
    -------
    Columns yes, answered (counts), chance, low, high (0..1), indexed by retrofit in alphabetical order. chance is the
    posterior mean (a + yes) / (a + b + answered), low to high holds it with a probability of 80 %.
    """
    answers = answers_to_offers(log)
    names = pd.Index(sorted(set(log["retrofit"]) - {""}), name="retrofit", dtype="object")
    yes = answers.loc[answers["outcome"] == YES, "retrofit"].value_counts().reindex(names, fill_value=0)
    answered = answers["retrofit"].value_counts().reindex(names, fill_value=0)
    belief = prior.after(yes, answered)
    low, high = belief.interval()
    columns = {"yes": yes, "answered": answered, "chance": belief.mean, "low": low, "high": high}
    return pd.DataFrame(columns, index=names)


def answers_to_offers(log: pd.DataFrame) -> pd.DataFrame:
    """Return the answers to offers of the log: site_id, retrofit, outcome."""
    about = log.loc[log["retrofit"] != "", ["site_id", "retrofit", "outcome"]]
    agreed = about[about["outcome"] == YES]
    # Work may take several visits: it was agreed to once.
    done = about[about["outcome"] == DONE].drop_duplicates().assign(outcome=YES)
    silent = done.merge(agreed.drop_duplicates(), how="left", indicator=True)
    silent = silent[silent["_merge"] == "left_only"]
    return pd.concat([about[~about["outcome"].isin([DONE, UNREACHED])], silent], ignore_index=True)


def appeal(offers: pd.DataFrame, calls: Calls) -> Floats:
    """Return the logarithm of the appeal of offers to their owners, (N,): columns upfront, first_year_saving, npv."""
    years, worth = appeal_parts(offers)
    return np.asarray(
        calls.gain_power * np.log(worth) - calls.payback_power * np.log(years / calls.usual_payback_years)
    )


def appeal_parts(offers: pd.DataFrame) -> tuple[Floats, Floats]:
    """Return years to pay back, and what an owner gets back for each unit of price, of offers, each (N,).

    What never pays back counts as what does so last, what costs nothing as what does so first.
    """
    price, saving, npv = (offers[name].to_numpy(dtype=np.float64) for name in ("upfront", "first_year_saving", "npv"))
    with np.errstate(divide="ignore", invalid="ignore"):
        years = np.where(price <= 0, 0.0, np.where(saving > 0, price / saving, np.inf))
        worth = np.where(price > 0, 1.0 + npv / price, np.where(npv > 0, np.inf, 1.0))
    return np.clip(years, *PAYBACK_YEARS), np.clip(worth, *WORTH_FOR_PRICE)


def chance_of_offers(offers: pd.DataFrame, members: pd.DataFrame, log: pd.DataFrame, calls: Calls) -> Floats:
    """Return the chance of a yes of each offer, (N,), given that the customer answers.

    An offer of several is taken as a whole: the least of its members counts, with the appeal of the whole. What ends a
    known danger has no appeal of its own: people do not weigh it by its payback.

    Parameters
    ----------
    offers
        Columns site_id, offer, upfront, first_year_saving, npv, must_call.
    members
        Columns offer and retrofit of table offer_member.
    log
        Columns site_id, outcome, retrofit: the call log. What was answered is judged by what the same offer is worth at
        that site in this run, of a site that has it no more by the mean of its retrofit.
    """
    prior = Beta(calls.yes_prior, calls.no_prior)
    found, of_offer = chance_of_yes(log, prior), appeal(offers, calls)
    names = pd.MultiIndex.from_arrays([offers["site_id"].astype("str"), offers["offer"].astype("str")])
    by_offer = pd.Series(of_offer, names)
    answers = answers_to_offers(log)
    asked = pd.MultiIndex.from_frame(answers[["site_id", "retrofit"]].astype("str"))
    typical = answers["retrofit"].map(by_offer.groupby(level=1).mean()).fillna(0.0)
    of_answer = by_offer[~by_offer.index.duplicated()].reindex(asked).fillna(typical.set_axis(asked)).to_numpy()
    # the prior holds at an appeal of 1, what was answered at the mean appeal of what was asked
    answered = found["answered"] / (found["answered"] + prior.a + prior.b)
    centre = (pd.Series(of_answer).groupby(answers["retrofit"].to_numpy()).mean() * answered).reindex(found.index)
    level = pd.DataFrame({"odds": logit(found["chance"].astype(float)), "centre": centre.fillna(0.0).astype(float)})
    own = level.reindex(answers["retrofit"])
    response = _response(answers["outcome"] == YES, own["odds"].to_numpy(), of_answer - own["centre"].to_numpy())
    pairs = members[["offer", "retrofit"]].drop_duplicates().astype("str")
    of_member = pairs["retrofit"].map(level["odds"] - response * level["centre"]).fillna(logit(prior.mean))
    least = offers["offer"].astype("str").map(of_member.groupby(pairs["offer"]).min()).to_numpy(dtype=np.float64)
    told = offers["must_call"].fillna(False).to_numpy(dtype=bool)
    return np.asarray(expit(least + np.where(told, 0.0, response * of_offer)))


def _response(yes: pd.Series, odds: Floats, beyond: Floats) -> float:
    """Return how strongly people respond to the appeal: the mean of what is believed after these answers.

    ``odds`` are the logarithms of their retrofits' odds, ``beyond`` how far the appeal of each lies from the mean.
    """
    sign = np.where(yes, 1.0, -1.0)[:, np.newaxis]
    fit = log_expit(sign * (odds[:, np.newaxis] + beyond[:, np.newaxis] * RESPONSE)).sum(axis=0)
    believed = fit - 0.5 * ((RESPONSE - 1.0) / RESPONSE_SD) ** 2
    weight = np.exp(believed - believed.max())
    return float(weight @ RESPONSE / weight.sum())


def chance_of_contact(log: pd.DataFrame, prior: Beta = CONTACT_PRIOR) -> tuple[Beta, int, int]:
    """Return what is believed of the chance that a call is answered, the answered calls and all attempts.

    ``log`` has the columns site_id, called_on, outcome. Several entries of one day's talk about a site are one answered
    call; every unanswered call is an attempt; a visit to do the work is none.
    """
    calls = log[log["outcome"] != DONE]
    unreached = int((calls["outcome"] == UNREACHED).sum())
    answered = len(calls[calls["outcome"] != UNREACHED].drop_duplicates(["site_id", "called_on"]))
    return prior.after(answered, answered + unreached), answered, answered + unreached
