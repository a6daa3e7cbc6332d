"""A retrofit and what it answers: whether it fits, what it changes and needs, and what can hurt someone.

Quantities only, never prices: the company's own price book turns them into money.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from aftersun.model.codes import CostKind
from aftersun.model.cohort import Cohort
from aftersun.model.plant import Plant
from aftersun.model.ranges import Assumed, Bools, Claim, Fact, Floats, Range

API_VERSION = 2  # of this interface; a plugin written for a later one is skipped and told so, older ones go on working

FITS = "fits"  # nothing that is known speaks against it
SURVEY_FIRST = "survey first"  # somebody has to look or ask before it is offered for a fixed price
DOES_NOT_FIT = "does not fit"  # not offered, and not evaluated

MATERIAL = CostKind.MATERIAL  # item = key of a material in the price book
LABOUR = CostKind.LABOUR  # item = key of a skill; quantity in hours
ACCESS = CostKind.ACCESS  # item of ACCESS_TO; quantity 1; the company file says with which equipment
INSPECTION = CostKind.INSPECTION  # item = key of an inspection or survey in the price book
STANDING = CostKind.STANDING  # yearly: item = key of a yearly charge in the price book
AVOIDED_WORK = CostKind.AVOIDED_WORK  # yearly: work the owner pays for now and no longer needs
AVOIDED_RISK = CostKind.AVOIDED_RISK  # yearly: expected loss avoided, kept apart from energy
AVOIDED_NUISANCE = CostKind.AVOIDED_NUISANCE  # yearly: what owners pay against noise and mess, kept apart from energy
OWN_WORK = CostKind.OWN_WORK  # yearly: work of the owner's own; nobody adds markup or tax
INCOME = CostKind.INCOME  # once or yearly: what the owner is paid, such as a grant, or for parts taken down
COST_KINDS = (MATERIAL, LABOUR, ACCESS, INSPECTION)
AVOIDED_KINDS = (AVOIDED_WORK, AVOIDED_RISK, AVOIDED_NUISANCE)
GAIN_KINDS = (*AVOIDED_KINDS, INCOME)
CHARGE_KINDS = (STANDING, LABOUR)  # yearly: what the company is paid
YEARLY_KINDS = (*CHARGE_KINDS, OWN_WORK, *GAIN_KINDS)
AT_END = -1  # in_year of a gain that comes with the last year that is counted, such as what the parts are still worth
ACCESS_TO = ("roof", "roof edge", "ground")  # the edge: work of hours along the outline, not on the modules


@dataclass(frozen=True)
class PriceItem:
    """A key of the price book that a retrofit brings: what kind of line has it, and what a unit usually costs.

    ``usual`` has the unit of the lines after "per", such as "per visit", and says in ``source`` where and when.
    """

    key: str  # letters, digits and underscores
    kind: str  # of the lines, such as MATERIAL
    usual: Range  # money a unit, "per ..."


@dataclass(frozen=True)
class About:
    """Who a retrofit is. ``reads`` names every cohort column it looks at; ``excludes`` and ``needs`` name other ids.

    ``life`` in years. ``price_items`` names every price-book key its costs use (skills and access apart); those that
    the program does not ship may stand in ``prices`` instead, with unit and usual range.
    """

    id: str  # lower-case letters, digits, underscores; no other retrofit has it
    title: str  # a few words, for lists
    summary: str  # what is done, in one sentence without a full stop
    version: str  # of the retrofit; stored with every run
    life: Range  # how long it lasts, years
    reads: tuple[str, ...]  # every column of cohort.sites and cohort.arrays that it looks at
    sources: tuple[str, ...]  # what the method is founded on
    price_items: tuple[str, ...] = ()  # every key of the price book that its lines use; skills and access apart
    excludes: tuple[str, ...] = ()  # ids of retrofits that cannot stand beside it
    needs: tuple[str, ...] = ()  # ids of retrofits that have to be there before it
    api_version: int = API_VERSION  # left out, it follows the program
    claim_only: bool = False  # computed to stand beside what the trade claims of it, and never offered
    prices: tuple[PriceItem, ...] = ()  # price items of its own with kind, unit and usual range

    @property
    def priced_items(self) -> tuple[str, ...]:
        """Every key of the price book that its lines use."""
        return (*self.price_items, *(item.key for item in self.prices if item.key not in self.price_items))


@dataclass(frozen=True, eq=False)
class CostLine:
    """One typed cost or yearly item: ``quantity`` in ``unit`` per site, shape (S,). Negative quantities are refused."""

    kind: str  # once MATERIAL, LABOUR, ACCESS, INSPECTION; yearly STANDING, LABOUR, OWN_WORK; gains AVOIDED_*, INCOME
    item: str  # key of the price book, for LABOUR a skill, for ACCESS one of ACCESS_TO
    quantity: Floats  # of each site, shape (S,), 0 or more
    unit: str  # what is counted, for example "m"; the price book has the price per unit
    note: str = ""  # a few words, printed beside the line
    in_year: int = 0  # for costs: so many years after fitting, if another year of benefit follows; 0 = at once; AT_END
    shared_work: str = ""  # of labour that other retrofits of a visit need too, such as "wash": done once, the longest
    if_found: bool = False  # of costs: paid only where what the first visit finds is worth it; with it goes all gain


NEEDED = ("dc_rating_kw", "tilt_deg", "azimuth_deg", "mounting")  # that a new array has to say


@dataclass(frozen=True, eq=False)
class NewArray:
    """Modules that are added to each site as one array more; a site where its rating is 0 gets none.

    ``columns`` are columns of the plant, one value a site (S,): dc_rating_kw, tilt_deg, azimuth_deg and mounting, and
    any other of an array; what is left out is as at the site's first array, without wear.
    """

    columns: Mapping[str, npt.NDArray[Any]]  # of the plant's arrays, by name, each (S,)


@dataclass(frozen=True, eq=False)
class Change:
    """The plant after the retrofit (as new), what it takes, and how its effect runs over the years.

    ``fade`` has shape (Y,) or (S, Y), Y at least the life: the share of the first simulated effect that is left
    in year 1, 2, ...; None = it lasts undiminished. ``yearly`` lists standing charges and labour (costs) and avoided
    work, risk, nuisance and income (gains), each a quantity a year. Gains may stand in ``costs`` too: they come once,
    in their ``in_year``; one line a year tells what differs from year to year. ``plant_life_years`` (S,) is how long
    the PV system is kept with the retrofit where that is longer than without, as with a new inverter in an old system:
    beyond its old end all that it generates is gained. ``added`` are arrays that come to those in the plant; one of
    those is taken away by a rating of 0, and moved by another tilt and azimuth. ``today`` is what it is compared with,
    where the plant that was handed over lacks a load that stands there, such as a car that is charged by night; all
    alternatives have that of the first. ``remarks`` has shape (S,): one short sentence per site or "". ``alternatives``
    are other ways to do the same, such as re-applying a film or letting it go: all are valued over the same years, and
    of each site the one of the highest net present value counts, this one if they are equal. One whose plant is the
    same object as this one's, and adds as much, is not simulated again.
    """

    plant: Plant  # with the retrofit, as new
    costs: Sequence[CostLine]  # paid once
    yearly: Sequence[CostLine] = ()  # each year of its life
    fade: Floats | None = None  # share of the first effect left in year 1, 2, ...; (Y,) or (S, Y), Y at least the life
    remarks: npt.NDArray[np.object_] | None = None  # one short sentence a site or "", shape (S,)
    label: str = ""  # a few words that tell it from its alternatives
    available: Bools | None = None  # of an alternative: where it can be had, shape (S,); None = everywhere
    alternatives: Sequence[Change] = ()  # other ways to do it; they have none of their own
    plant_life_years: Floats | None = None  # years that the PV system is kept with it, (S,); None = as without
    added: Sequence[NewArray] = ()  # arrays that come to those in the plant
    today: Plant | None = None  # the plant it is compared with, where facts do not say all of it, such as a car


@dataclass(frozen=True, eq=False)
class Screening:
    """Per site: FITS, SURVEY_FIRST or DOES_NOT_FIT, with the reason. Both of shape (S,).

    Start with ``Screening.of(cohort)`` and chain ``reject`` and ``survey``. The first rejection is kept; survey reasons
    are joined.
    """

    status: npt.NDArray[np.object_]  # FITS, SURVEY_FIRST or DOES_NOT_FIT, shape (S,)
    reason: npt.NDArray[np.object_]  # why, "" where it simply fits, shape (S,)

    @classmethod
    def of(cls, cohort: Cohort) -> Screening:
        """Everything fits, no reason yet."""
        return cls(np.full(len(cohort), FITS, dtype=object), np.full(len(cohort), "", dtype=object))

    def reject(self, where: Bools, reason: str) -> Screening:
        """Mark the sites ``where`` as not fitting, unless they are already."""
        return self._mark(where, DOES_NOT_FIT, reason)

    def survey(self, where: Bools, reason: str) -> Screening:
        """Mark the sites ``where`` as to be surveyed first, unless they do not fit."""
        return self._mark(where, SURVEY_FIRST, np.where(self.reason == "", reason, self.reason + f"; {reason}"))

    def _mark(self, where: Bools, status: str, reason: npt.ArrayLike) -> Screening:
        hit = np.asarray(where, dtype=bool) & (self.status != DOES_NOT_FIT)
        return Screening(np.where(hit, status, self.status), np.where(hit, reason, self.reason))


CAUTION = "caution"  # may hurt or damage a little
WARNING = "warning"  # may kill or hurt badly
DANGER = "danger"  # will kill or hurt badly if it is not heeded
SEVERITIES = (CAUTION, WARNING, DANGER)  # ANSI Z535.6 signal words, least to most severe


def severity_order(severity: str) -> int:
    """Return a number to sort by, 0 = the worst; an unknown severity, of another program's file, is taken for it."""
    return len(SEVERITIES) - 1 - SEVERITIES.index(severity) if severity in SEVERITIES else 0


@dataclass(frozen=True)
class Note:
    """One safety note: ``text`` for people, ``who`` may do the work, ``source`` of the rule.

    ``tell_owner`` marks a danger that is known to stand on the site now: its owner is told whether or not anything
    is bought.
    """

    id: str  # unique among the notes of a site
    severity: str  # CAUTION, WARNING or DANGER (ANSI Z535.6)
    text: str  # what can happen and what to do about it
    who: str  # who may do the work
    source: str  # the rule it comes from
    tell_owner: bool = False  # the danger is known to stand on the site now: the owner is told whatever is bought


@dataclass(frozen=True, eq=False)
class Notes:
    """Safety notes per site. ``entries`` pairs each note with the sites it holds for, mask of shape (S,)."""

    size: int  # S
    entries: tuple[tuple[Note, Bools], ...] = field(default=())  # each note with the sites it holds for, (S,)

    @classmethod
    def of(cls, cohort: Cohort) -> Notes:
        """No note yet."""
        return cls(len(cohort))

    def add(self, note: Note, where: Bools | None = None) -> Notes:
        """Add a note for all sites, or for those ``where`` is true."""
        mask = np.ones(self.size, dtype=bool) if where is None else np.asarray(where, dtype=bool)
        return Notes(self.size, (*self.entries, (note, mask)))

    def for_site(self, row: int) -> list[Note]:
        """Return the notes of one site, most severe first."""
        here = [note for note, mask in self.entries if mask[row]]
        return sorted(here, key=lambda note: severity_order(note.severity))


class Retrofit(Protocol):
    """One retrofit. All methods work on a whole cohort; one site alone gives the same as in a batch."""

    @property
    def about(self) -> About:
        """Who it is."""

    @property
    def assumptions(self) -> Mapping[str, Range]:
        """Every number it uses, by name, with range, unit and source; the company's book may override each."""

    @property
    def facts(self) -> Mapping[str, Fact]:
        """Yes/no facts of a site that matter and are often unknown."""

    @property
    def claims(self) -> Sequence[Claim]:
        """What the trade commonly promises."""

    @property
    def screen(self) -> Callable[..., Screening]:
        """``screen(cohort, assume)``: say per site whether it fits, needs a survey first, or does not fit, and why.

        ``assume`` may be left out: ``self.assumptions`` then holds the values in force.
        """

    def change(self, cohort: Cohort, plant: Plant, assume: Assumed) -> Change:
        """Return the plant with the retrofit and what it takes. ``cohort`` holds only sites that may have it."""

    def safety(self, cohort: Cohort) -> Notes:
        """Return what can hurt someone, per site; never empty for work on site."""
