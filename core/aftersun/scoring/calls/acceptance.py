"""Chances from the call log: that a customer answers, and that one who answers says yes to a retrofit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import pandas as pd
from scipy.special import betaincinv

from aftersun.inventory.log.call_log import DONE, UNREACHED, YES

INTERVAL = 0.8  # from the value exceeded with 90 % to that exceeded with 10 %, as for net present values


@dataclass(frozen=True)
class Beta:
    """A beta distribution: what is believed of a chance, worth ``a`` times yes and ``b`` times no."""

    a: float
    b: float

    @property
    def mean(self) -> float:
        """The expected chance."""
        return self.a / (self.a + self.b)

    def after(self, yes: float, of: float) -> Beta:
        """Return what is believed after ``yes`` times yes in ``of`` tries."""
        return Beta(self.a + yes, self.b + of - yes)

    def interval(self, share: float = INTERVAL) -> tuple[float, float]:
        """Return the limits between which the chance lies with this probability, the rest equally on both sides."""
        tail = (1.0 - share) / 2.0
        return float(betaincinv(self.a, self.b, tail)), float(betaincinv(self.a, self.b, 1.0 - tail))


YES_PRIOR = Beta(3.0, 17.0)  # common practice, no source: mean 0.15; no acceptance rate of such calls is published
CONTACT_PRIOR = Beta(2.0, 2.0)  # assumption: every second call is answered, known no better than from four calls
_NO_PRIORS: Mapping[str, Beta] = MappingProxyType({})


def chance_of_yes(
    log: pd.DataFrame,
    retrofits: Iterable[str] = (),
    prior: Beta = YES_PRIOR,
    priors: Mapping[str, Beta] = _NO_PRIORS,
    share: float = INTERVAL,
) -> pd.DataFrame:
    """Return the chance of a yes per retrofit, given that the customer answers.

    Parameters
    ----------
    log
        Columns site_id, outcome, retrofit: the call log. An unanswered call tells nothing. Work done without a
        recorded yes counts as one; after a yes it is no further answer.
    retrofits
        Those wanted besides the ones in the log.
    priors
        By retrofit, where one has its own.

    Returns
    -------
    Columns yes, answered (counts), chance, low, high (0..1), indexed by retrofit in alphabetical order. chance is the
    posterior mean (a + yes) / (a + b + answered), low to high holds it with probability ``share``.
    """
    about = log[log["retrofit"] != ""]
    agreed = set(map(tuple, about.loc[about["outcome"] == YES, ["site_id", "retrofit"]].to_numpy()))
    pairs = pd.Series(list(map(tuple, about[["site_id", "retrofit"]].to_numpy())), index=about.index, dtype=object)
    done = about["outcome"] == DONE
    # Work may take several visits: it was agreed to once.
    silent = done & ~pairs.isin(agreed) & ~pairs[done].duplicated().reindex(about.index, fill_value=False)
    yes = (about["outcome"] == YES) | silent
    answered = yes | ~(done | (about["outcome"] == UNREACHED))
    names = pd.Index(sorted({*retrofits, *about["retrofit"]}), name="retrofit", dtype="object")
    counts = pd.DataFrame(
        {
            "yes": yes.astype(int).groupby(about["retrofit"]).sum().reindex(names, fill_value=0),
            "answered": answered.astype(int).groupby(about["retrofit"]).sum().reindex(names, fill_value=0),
        },
        index=names,
    )
    believed = [
        priors.get(str(row.Index), prior).after(int(str(row.yes)), int(str(row.answered)))
        for row in counts.itertuples()
    ]
    limits = np.array([belief.interval(share) for belief in believed]).reshape(-1, 2)
    return counts.assign(chance=[belief.mean for belief in believed], low=limits[:, 0], high=limits[:, 1])


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
