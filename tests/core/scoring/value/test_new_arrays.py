"""Arrays that a retrofit adds, takes away and moves: simulated as if they had always stood so."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests_support import empty_frame

from aftersun import api
from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.host.guard import Guard
from aftersun.host.registry import Loaded, Registry
from aftersun.model.new_arrays import Places, as_changed, widened_cohort, widened_plant
from aftersun.scoring.offers.chunk import plant_texts, score
from aftersun.scoring.value.nearby import NearbySimulations, Slopes
from aftersun.scoring.value.simulations import Simulations, baseline_of
from aftersun.scoring.value.valuation import Case, evaluate
from aftersun.testing import sample_cohort, sample_company

WEST = {"tilt_deg": 20.0, "azimuth_deg": 270.0, "dc_rating_kw": 2.0, "mounting": "flush roof"}
KNOWN = {"remaining_life_years": 20.0, "open_string": False, "measured_excess_loss": 0.0, "birds_seen": False}
HOMES = (KNOWN, {**KNOWN, "arrays": [{}, {"azimuth_deg": 90.0}]})
LIFE = api.Range(12, 12, 12, "a", "assumption")
COLUMNS = ("generated", "used", "exported", "imported")


def western(kw: np.ndarray, **others: np.ndarray) -> api.NewArray:
    """Modules to the west on roofs of these ratings (S,)."""
    size = len(kw)
    columns = {
        name: np.full(size, value, dtype=object if name == "mounting" else float) for name, value in WEST.items()
    }
    return api.NewArray({**columns, "dc_rating_kw": kw, **others})


class MoreModules:
    """Adds a face; seen by the next is what it looks at in its own change."""

    assumptions = {"life_years": LIFE}
    facts: dict[str, api.Fact] = {}
    claims = ()

    def __init__(self, name: str = "more", kw: tuple[float, ...] = (2.0, 0.0)) -> None:
        self.about = api.About(name, name, name, "1", LIFE, (), ("none",), ("mesh_clip",))
        self.kw, self.seen = np.array(kw), list[api.Cohort]()

    def screen(self, cohort: api.Cohort) -> api.Screening:
        return api.Screening.of(cohort)

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        self.seen.append(cohort)
        of_site = np.array([self.kw[int(site.removeprefix("S"))] for site in cohort.sites.index])
        clip = api.CostLine(api.MATERIAL, "mesh_clip", np.ones(len(cohort)), "piece")
        return api.Change(plant, (clip,), added=(western(of_site),))

    def safety(self, cohort: api.Cohort) -> api.Notes:
        return api.Notes.of(cohort).add(api.Note("n", api.CAUTION, "Mind.", "crew", "assumption"))


def standing() -> api.Cohort:
    """The same homes, with the array to the west from the start."""
    first, second = HOMES
    return sample_cohort({**first, "arrays": [{}, WEST]}, second)


def test_an_added_array_is_the_array_that_always_stood_there() -> None:
    cohort, there = sample_cohort(*HOMES), standing()
    new = western(np.array([2.0, 0.0]), ageing=baseline(there).ageing[[1, 2]])
    added = api.simulate(cohort, baseline(cohort), (new,))
    plain = simulate(there, baseline(there).replace(inverter_rating_kw=baseline(cohort).inverter_rating_kw))
    for name in COLUMNS:
        assert getattr(added, name) == pytest.approx(getattr(plain, name), rel=1e-5, abs=1e-5), name
    fresh = api.annual_generation(cohort, baseline(cohort), (western(np.array([2.0, 0.0])),))
    assert fresh[0] > added.annual("generated")[0]  # as new, where the others have aged
    assert fresh[1] == api.annual_generation(cohort, baseline(cohort))[1]


def test_room_for_an_array_changes_no_bit() -> None:
    cohort = sample_cohort(*HOMES)
    places = Places((np.array([True, True]), np.array([False, True])))
    plant = baseline(cohort)
    wide, wider = widened_cohort(cohort, places), widened_plant(cohort, plant, places)
    assert wide.arrays["site"].tolist() == [0, 0, 1, 1, 1, 1]
    assert wide.arrays.index.is_unique
    assert wide.arrays.dtypes.to_dict() == cohort.arrays.dtypes.to_dict()
    before, after = simulate(cohort, plant), simulate(wide, wider)
    for name in COLUMNS:
        assert np.array_equal(getattr(before, name), getattr(after, name)), name


def test_an_array_of_no_power_is_an_array_taken_away() -> None:
    both, one = sample_cohort({**KNOWN, "arrays": [{}, WEST]}), sample_cohort(KNOWN)
    rating = {"inverter_rating_kw": np.array([4.0])}
    gone = baseline(both).replace(dc_rating_kw=np.array([4.0, 0.0]), **rating)
    kept = baseline(one).replace(**rating)
    assert np.array_equal(simulate(both, gone).generated, simulate(one, kept).generated)
    cohort, left = as_changed(both, baseline(both), gone)
    assert left.tolist() == [0]
    assert len(cohort.arrays) == 1


def test_what_is_valued_is_what_is_simulated() -> None:
    """One row a site with and one without; the saving is the bill's, exactly and by a nearby year alike."""
    cohort, retrofit = sample_cohort(*HOMES), MoreModules()
    company = sample_company((api.CostLine(api.MATERIAL, "mesh_clip", np.ones(2), "piece"),))
    base = baseline_of(cohort, company, empty_frame("reading", 0))[0]
    guard = Guard(plant_texts())
    loaded, exact = Loaded(retrofit, "more", "test"), Simulations(base)
    plain = evaluate(Case(loaded, base, exact, company, guard))
    assert plain is not None, guard.failures
    by_hand = api.electricity_bill(cohort, base.plant) - api.electricity_bill(
        cohort, base.plant, (western(np.array([2.0, 0.0])),)
    )
    assert plain.flow.saving[:, 1] == pytest.approx(by_hand, rel=1e-6)
    assert plain.flow.saving[0, 1] > 50.0
    assert plain.gain_kwh["generated"][1] == 0.0
    near = NearbySimulations(exact, Slopes(base), np.arange(2))
    again = evaluate(Case(loaded, base, near, company, guard))
    assert again is not None
    assert again.npv == pytest.approx(plain.npv, rel=1e-6)


def test_a_later_member_of_a_bundle_sees_the_arrays_as_they_stand() -> None:
    first, last = MoreModules("first", (2.0, 0.0)), MoreModules("last", (1.0, 1.0))
    company = sample_company((api.CostLine(api.MATERIAL, "mesh_clip", np.ones(2), "piece"),))
    registry = Registry(tuple(Loaded(one, one.about.id, "test") for one in (first, last)), (), (), ())
    scored = score(sample_cohort(*HOMES), empty_frame("fitted", 0), registry, company, empty_frame("reading", 0), False)
    assert not scored.failures
    within = last.seen[-1]
    mine = within.arrays[within.arrays["site"] == list(within.sites.index).index("S0")]
    assert mine["azimuth_deg"].tolist() == [180.0, 270.0]
    assert mine["dc_rating_kw"].tolist() == [4.0, 2.0]
    assert mine["module_count"].isna().tolist() == [False, True]


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ({"dc_rating_kw": np.ones(2)}, "has to say its tilt_deg, azimuth_deg, mounting"),
        ({"demand_kwh": np.ones(2)}, "no column 'demand_kwh' of an array"),
        ({"tilt_deg": np.full(2, 95.0)}, "added tilt_deg leaves 0..90"),
        ({"backtracks": np.full(2, 0.5)}, "plant.backtracks has to be 0 or 1"),
    ],
)
def test_an_array_that_cannot_be_is_refused(columns: dict[str, np.ndarray], said: str) -> None:
    class Wrong(MoreModules):
        def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
            rest = {} if "dc_rating_kw" in columns else western(np.ones(2)).columns
            change = super().change(cohort, plant, assume)
            return replace(change, added=(api.NewArray({**rest, **columns}),))

    cohort, guard = sample_cohort(*HOMES), Guard(plant_texts())
    company = sample_company(())
    base = baseline_of(cohort, company, empty_frame("reading", 0))[0]
    assert evaluate(Case(Loaded(Wrong(), "more", "test"), base, Simulations(base), company, guard)) is None
    assert said in guard.failures[0].reason
