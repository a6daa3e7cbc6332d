"""All that a plugin needs: the records, the public physics, and the hook marker.

A plugin file starts with ``from aftersun import api`` and registers what it brings::

    @api.hookimpl
    def aftersun_retrofits() -> list[api.Retrofit]:
        return [MyRetrofit()]
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from aftersun.energy.balance import simulate as _simulate
from aftersun.energy.balance import simulated as _simulated
from aftersun.energy.baseline import baseline as _baseline
from aftersun.energy.generation import annual_generation as _annual_generation
from aftersun.energy.generation import hourly_generation as _hourly_generation
from aftersun.energy.soiling import annual_soiling_loss as _annual_soiling_loss
from aftersun.host.specs import hookimpl
from aftersun.model.change import (
    ACCESS,
    API_VERSION,
    AT_END,
    AVOIDED_NUISANCE,
    AVOIDED_RISK,
    AVOIDED_WORK,
    CAUTION,
    DANGER,
    DOES_NOT_FIT,
    FITS,
    INCOME,
    INSPECTION,
    LABOUR,
    MATERIAL,
    OWN_WORK,
    STANDING,
    SURVEY_FIRST,
    WARNING,
    About,
    Change,
    CostLine,
    NewArray,
    Note,
    Notes,
    PriceItem,
    Retrofit,
    Screening,
    severity_order,
)
from aftersun.model.codes import OFFERED, CallKind, ContactRule, CostKind, NotCalled, Obstacle, Status
from aftersun.model.cohort import Cohort
from aftersun.model.energy import Energy
from aftersun.model.errors import AftersunError
from aftersun.model.figures import ENGLISH, LETTER_LANGUAGES, Figures, for_reading
from aftersun.model.letter import (
    Letter,
    LetterAssumption,
    LetterClaim,
    LetterFact,
    LetterLoss,
    LetterMonth,
    LetterNote,
    LetterOption,
    LetterPart,
    LetterPrice,
    LetterQuestion,
    LetterYear,
)
from aftersun.model.new_arrays import Places, widened_cohort, widened_plant
from aftersun.model.output import OF_LETTER, OF_RUN, Letterhead, Output, Price, RunView, SafetyNotes
from aftersun.model.plant import ANY_HOUR, BOILER_HOURS, EVENING_HOUR, NIGHT_HOURS, ONE_BOOST, TWO_BOOSTS, Plant
from aftersun.model.ranges import Assumed, Bools, Claim, Fact, Floats, Range
from aftersun.model.tables import read_claims, read_facts, read_notes, read_ranges
from aftersun.model.weather import Station, WeatherYear
from aftersun.money.tariffs import yearly_bill as _yearly_bill
from aftersun.wording import (
    capacity_text,
    changed_text,
    finding_text,
    hazard_text,
    loss_text,
    not_called_text,
    plan_text,
    reason_text,
    replaced_text,
    say,
    shortage_text,
    standstill_text,
    station_text,
    status_text,
    survey_text,
    translated,
    untold_text,
)

__all__ = [
    "ACCESS",
    "ANY_HOUR",
    "API_VERSION",
    "AT_END",
    "AVOIDED_NUISANCE",
    "AVOIDED_RISK",
    "AVOIDED_WORK",
    "BOILER_HOURS",
    "CAUTION",
    "DANGER",
    "DOES_NOT_FIT",
    "ENGLISH",
    "EVENING_HOUR",
    "FITS",
    "INCOME",
    "INSPECTION",
    "LABOUR",
    "LETTER_LANGUAGES",
    "MATERIAL",
    "NIGHT_HOURS",
    "OFFERED",
    "OF_LETTER",
    "OF_RUN",
    "ONE_BOOST",
    "OWN_WORK",
    "STANDING",
    "SURVEY_FIRST",
    "TWO_BOOSTS",
    "WARNING",
    "About",
    "AftersunError",
    "Assumed",
    "Bools",
    "CallKind",
    "Change",
    "Claim",
    "Cohort",
    "ContactRule",
    "CostKind",
    "CostLine",
    "Energy",
    "Fact",
    "Figures",
    "Floats",
    "Letter",
    "LetterAssumption",
    "LetterClaim",
    "LetterFact",
    "LetterLoss",
    "LetterMonth",
    "LetterNote",
    "LetterOption",
    "LetterPart",
    "LetterPrice",
    "LetterQuestion",
    "LetterYear",
    "Letterhead",
    "NewArray",
    "NotCalled",
    "Note",
    "Notes",
    "Obstacle",
    "Output",
    "Plant",
    "Price",
    "PriceItem",
    "Range",
    "Retrofit",
    "RunView",
    "SafetyNotes",
    "Screening",
    "Station",
    "Status",
    "WeatherYear",
    "annual_generation",
    "annual_soiling_loss",
    "baseline",
    "capacity_text",
    "changed_text",
    "electricity_bill",
    "finding_text",
    "for_reading",
    "hazard_text",
    "hookimpl",
    "hourly_generation",
    "loss_text",
    "not_called_text",
    "plan_text",
    "read_claims",
    "read_facts",
    "read_notes",
    "read_ranges",
    "reason_text",
    "replaced_text",
    "say",
    "severity_order",
    "shortage_text",
    "simulate",
    "standstill_text",
    "station_text",
    "status_text",
    "survey_text",
    "translated",
    "untold_text",
]


# The physics works on cohort.whole: the conformance kit shows a plugin only the columns that it declares.


def baseline(cohort: Cohort) -> Plant:
    """Return the baseline plant: the facts of each site, and the value assumed of every system where one is unknown.

    ``change`` is handed this plant already, with what meter readings say of it; ``screen`` may ask for it.
    """
    return _baseline(cohort.whole)


def simulate(cohort: Cohort, plant: Plant, added: Sequence[NewArray] = ()) -> Energy:
    """Return the hourly energy balance of every site with this plant over the weather year, columns of (S, H) kWh.

    ``added`` are arrays that come to those in the plant; here and below.
    """
    return _simulate(*_with_added(cohort, plant, added))


def annual_generation(cohort: Cohort, plant: Plant, added: Sequence[NewArray] = ()) -> Floats:
    """Return what each site generates, kWh a year, shape (S,); less work than :func:`simulate`."""
    return _remembered(cohort, plant, "a year's generation", _annual_generation, added=added)


def hourly_generation(cohort: Cohort, plant: Plant, added: Sequence[NewArray] = ()) -> npt.NDArray[np.float32]:
    """Return what each site generates in each hour of the weather year, kWh, shape (S, H)."""
    return _remembered(cohort, plant, "hourly generation", _hourly_generation, kept=1, added=added)


def electricity_bill(cohort: Cohort, plant: Plant, added: Sequence[NewArray] = ()) -> Floats:
    """Return what the owner pays for electricity in a year less what export and support earn, shape (S,).

    In the currency of the tariffs; lower is better. It takes a whole simulation.
    """
    return _remembered(cohort, plant, "bill", _electricity, added=added)


def annual_soiling_loss(cohort: Cohort, plant: Plant | None = None) -> Floats:
    """Return the share of a year's in-plane irradiation lost to soiling, per array, shape (A,), 0..1.

    Without ``plant`` it is the baseline plant of the cohort.
    """
    return _annual_soiling_loss(cohort.whole, baseline(cohort) if plant is None else plant)


def _electricity(cohort: Cohort, plant: Plant) -> Floats:
    bills = [
        _yearly_bill(energy, part.sites.assign(water_heat=plant.water_heat[rows]), part.weather.times, part.calendars)
        for rows, part, energy in _simulated(cohort, plant)
    ]
    return np.concatenate([bill.electricity for bill in bills])


_Number = TypeVar("_Number", bound=np.generic)


def _with_added(cohort: Cohort, plant: Plant, added: Sequence[NewArray]) -> tuple[Cohort, Plant]:
    whole = cohort.whole
    places = Places.of([added], len(whole))
    if not places:
        return whole, plant
    wider = whole.of_plants.once(("wider", places.key), lambda: widened_cohort(whole, places))
    return wider, widened_plant(whole, plant, places, added)


def _remembered(
    cohort: Cohort,
    plant: Plant,
    what: str,
    compute: Callable[[Cohort, Plant], npt.NDArray[_Number]],
    kept: int = 64,
    added: Sequence[NewArray] = (),
) -> npt.NDArray[_Number]:
    """Compute a yearly result once for plants of the same content: retrofits are asked again and again for ranges."""
    whole, plant = _with_added(cohort, plant, added)
    (result,) = whole.of_plants.recall(what, [plant.digest()], lambda _: [compute(whole, plant)], kept)
    return result
