"""What is kept from one simulation to the next is never taken for something else."""

from __future__ import annotations

import pickle
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest

from aftersun import api
from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.generation import DECIDE_ON_GENERATION
from aftersun.energy.soiling import annual_soiling_loss
from aftersun.model import cohort as cohorts
from aftersun.model.cohort import Cohort
from aftersun.model.energy import Energy
from aftersun.model.plant import Plant

ROOFS = (
    {"annual_demand_kwh": 4000.0, "water_store_litres": 200.0, "water_heat": "gas boiler", "occupants": 3},
    {"annual_demand_kwh": 2500.0, "battery_kwh": 5.0, "arrays": [{"azimuth_deg": 90.0}, {"azimuth_deg": 270.0}]},
    {"measured_excess_loss": 0.1, "cell_type": "p-type crystalline"},
)
# Of every kind one column or more: the arrays', the inverter's, load, store, diverter.
CHANGES: dict[str, Any] = {
    "transmittance": 0.97,
    "tilt_deg": 15.0,
    "soiling_rate_per_day": 0.004,
    "inverter_rating_kw": 2.0,
    "availability": 0.9,
    "calibration": 1.1,
    "demand_kwh": 7000.0,
    "standby_kwh": 20.0,
    "diverter_kw": 3.0,
    "store_max_c": 75.0,
}


@pytest.fixture
def cohort(make_cohort: Any) -> Cohort:
    found: Cohort = make_cohort(*ROOFS)
    return found


def unaware(cohort: Cohort) -> Cohort:
    """The same cohort and weather, on which nothing was simulated yet."""
    return replace(cohort, weather=replace(cohort.weather))


def same(first: Energy, second: Energy) -> bool:
    return all(np.array_equal(getattr(first, one.name), getattr(second, one.name)) for one in fields(Energy))


@pytest.mark.parametrize("column", CHANGES)
@pytest.mark.few_quick
def test_a_change_after_another_plant_is_that_of_the_change_alone(cohort: Cohort, column: str) -> None:
    today = baseline(cohort)
    other = today.replace(**{column: np.full_like(getattr(today, column), CHANGES[column])})
    before = simulate(cohort, today)
    after = simulate(cohort, other)
    assert same(after, simulate(unaware(cohort), other))
    assert same(simulate(cohort, today), before)
    moved = not np.array_equal(after.generated, before.generated)
    assert moved == (column in (*DECIDE_ON_GENERATION, "availability"))  # which is taken off what was kept


def test_other_assumptions_of_systems_are_simulated_anew(cohort: Cohort) -> None:
    today = baseline(cohort)
    simulate(cohort, today)
    other = replace(cohort, overrides={"battery_round_trip_efficiency": 0.8, "excess_loss_size": 0.3})
    assert same(simulate(other, today), simulate(unaware(other), today))
    assert not same(simulate(other, today), simulate(cohort, today))


@pytest.mark.parametrize("fact", ["birds_seen", "open_string"])
def test_other_answers_share_what_a_plant_does_and_not_what_the_plant_is(cohort: Cohort, fact: str) -> None:
    today = baseline(cohort)
    known = api.annual_generation(cohort, today)
    sites = cohort.sites.assign(**{fact: True}).astype({fact: cohort.sites[fact].dtype})
    told = cohort.answering(sites)
    assert api.annual_generation(told, today) is known
    plant = baseline(told)
    fresh = baseline(unaware(replace(cohort, sites=sites)))
    for column in fields(Plant):
        assert np.array_equal(getattr(plant, column.name), getattr(fresh, column.name)), column.name
    assert (api.annual_generation(told, plant) < known)[:2].all()


def test_the_loss_in_full_sun_is_that_of_the_array_whatever_was_asked_before(make_cohort: Any) -> None:
    shares = (0.02, 0.1, 0.3)
    rows = [{"measured_excess_loss": share, "cell_type": "p-type crystalline"} for share in shares]
    rows += [{**rows[1], "arrays": [{"tilt_deg": 5.0}]}, {**rows[1], "arrays": [{"dc_rating_kw": 9.0}]}]
    together = baseline(make_cohort(*rows)).excess_loss
    alone = [baseline(unaware(make_cohort(row))).excess_loss[0] for row in rows]
    assert together.tolist() == alone
    assert len(set(alone[:4])) == 4  # each loss, and each plane, has its own


def test_facts_are_worked_out_once_for_a_cohort_and_anew_for_another_answer(cohort: Cohort) -> None:
    asked: list[int] = []

    def work(of: Cohort) -> Any:
        asked.append(1)
        return np.array([len(of.sites), int(of.sites["birds_seen"].eq(True).sum())])

    first = cohort.once("test", lambda: work(cohort))
    assert cohort.once("test", lambda: work(cohort)) is first
    assert not first.flags.writeable
    told = cohort.answering(cohort.sites.assign(birds_seen=True))
    assert told.once("test", lambda: work(told)).tolist() == [3, 3]
    assert first.tolist() == [3, 0]
    assert len(asked) == 2


def test_a_year_with_other_hours_begins_without_what_was_worked_out_of_the_first(cohort: Cohort) -> None:
    today = baseline(cohort)
    sunny = api.annual_generation(cohort, today)
    year = cohort.weather
    dull = replace(cohort, weather=replace(year, ghi=year.ghi / 2, dni=year.dni / 2, dhi=year.dhi / 2))
    assert api.annual_generation(dull, today) == pytest.approx(sunny / 2, rel=0.1)  # cooler, inverter less loaded


def test_a_year_without_rain_is_not_cleaned_by_the_rain_of_the_year_it_was_made_of(cohort: Cohort) -> None:
    assert (annual_soiling_loss(cohort, baseline(cohort)) < 0.02).all()  # kept: light dirt that rain washes off
    dry = replace(cohort, weather=replace(cohort.weather, rain_mm=None))
    assert annual_soiling_loss(dry, baseline(dry)) == pytest.approx(0.02)  # default_soiling_loss of system.csv


def test_no_constructor_takes_what_was_kept(cohort: Cohort) -> None:
    for record, name in ((cohort.weather, "memo"), (cohort, "memo"), (cohort, "of_plants")):
        with pytest.raises((TypeError, ValueError)):
            replace(record, **{name: getattr(record, name)})


def test_what_is_kept_is_not_sent_to_another_process(cohort: Cohort) -> None:
    simulate(cohort, baseline(cohort))
    assert all((cohort.weather.memo, cohort.memo, cohort.of_plants))
    sent = pickle.loads(pickle.dumps(cohort))
    assert not any((sent.weather.memo, sent.memo, sent.of_plants))
    assert same(simulate(sent, baseline(sent)), simulate(cohort, baseline(cohort)))


def test_a_lent_cohort_keeps_results_with_its_owner_and_a_replaced_one_has_none(cohort: Cohort) -> None:
    today = baseline(cohort)
    known = api.annual_generation(cohort, today)
    assert api.annual_generation(cohorts.lent(cohort), today) is known
    fresh = api.annual_generation(replace(cohort), today)
    assert fresh is not known
    assert fresh.tolist() == known.tolist()
