"""Chances from the call log: that a customer answers, and that one who answers says yes to a retrofit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd
from scipy.special import betaincinv

from aftersun.inventory.log.call_log import DONE, UNREACHED, YES

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
    about = log.loc[log["retrofit"] != "", ["site_id", "retrofit", "outcome"]]
    agreed = about[about["outcome"] == YES]
    # Work may take several visits: it was agreed to once.
    done = about[about["outcome"] == DONE].drop_duplicates().assign(outcome=YES)
    silent = done.merge(agreed.drop_duplicates(), how="left", indicator=True)
    silent = silent[silent["_merge"] == "left_only"]
    answers = pd.concat([about[~about["outcome"].isin([DONE, UNREACHED])], silent])
    names = pd.Index(sorted(set(about["retrofit"])), name="retrofit", dtype="object")
    yes = answers.loc[answers["outcome"] == YES, "retrofit"].value_counts().reindex(names, fill_value=0)
    answered = answers["retrofit"].value_counts().reindex(names, fill_value=0)
    belief = prior.after(yes, answered)
    low, high = belief.interval()
    columns = {"yes": yes, "answered": answered, "chance": belief.mean, "low": low, "high": high}
    return pd.DataFrame(columns, index=names)


def chance_by_offer(members: pd.DataFrame, chances: pd.Series, usual: float) -> dict[str, float]:
    """Return the chance of a yes by offer: it is taken as a whole, so the least of its members counts.

    ``members`` has the columns offer and retrofit of table offer_member; ``chances`` is by retrofit, ``usual`` that of
    a retrofit which it lacks.
    """
    pairs = members[["offer", "retrofit"]].drop_duplicates().astype("str")
    least = pairs.assign(chance=pairs["retrofit"].map(chances).fillna(usual)).groupby("offer")["chance"].min()
    return dict(zip(least.index, least.astype(float), strict=True))


def chance_of_contact(log: pd.DataFrame, prior: Beta = CONTACT_PRIOR) -> tuple[Beta, int, int]:
    """Return what is believed of the chance that a call is answered, the answered calls and all attempts.

    ``log`` has the columns site_id, called_on, outcome. Several entries of one day's talk about a site are one answered
    call; every unanswered call is an attempt; a visit to do the work is none.
    """
    calls = log[log["outcome"] != DONE]
    unreached = int((calls["outcome"] == UNREACHED).sum())
    answered = len(calls[calls["outcome"] != UNREACHED].drop_duplicates(["site_id", "called_on"]))
    return prior.after(answered, answered + unreached), answered, answered + unreached
