"""A plugin that misbehaves is named and isolated, and nobody else's answer is lost."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from aftersun import api
from aftersun.host.guard import Guard
from aftersun.host.registry import Loaded
from aftersun.scoring.offers.chunk import plant_texts

NOTE = api.Note("n", api.DANGER, "DC stays live in daylight.", "licensed electrician", "test")
RANGE = api.Range(1.0, 0.5, 2.0, "share", "assumption")
UNDECLARED = api.Fact("birds_seen", api.Range(0.1, 0.0, 0.2, "chance", "assumption"), "Are there birds?")


class Good:
    about = api.About(
        "good",
        "Good",
        "Does nothing, correctly.",
        "1.0",
        api.Range(10, 5, 15, "a", "assumption"),
        (),
        ("test",),
    )
    assumptions = {"effect": RANGE}
    facts: dict[str, api.Fact] = {}
    claims: tuple[api.Claim, ...] = ()

    def screen(self, cohort):
        return api.Screening.of(cohort)

    def change(self, cohort, plant, assume):
        return api.Change(plant, [api.CostLine(api.LABOUR, "electrician", np.ones(len(cohort)), "h")])

    def safety(self, cohort):
        return api.Notes.of(cohort).add(NOTE)


def loaded(**methods) -> Loaded:
    retrofit = Good()
    for name, method in methods.items():
        setattr(retrofit, name, method)
    return Loaded(retrofit, "plugin", "test")


def assume() -> api.Assumed:
    return api.Assumed({"effect": 1.0})


def test_good_answers_pass(cohort):
    guard, plugin, plant = Guard(), loaded(), api.baseline(cohort)
    assert guard.screen(plugin, cohort) is not None
    assert guard.safety(plugin, cohort) is not None
    assert guard.change(plugin, cohort, plant, assume()) is not None
    assert guard.failures == []


class Changing(api.Change):
    """A change that may be another one when it is looked at again."""


def hours(quantity, **more) -> api.CostLine:
    return api.CostLine(api.LABOUR, "electrician", quantity, "h", **more)


def raising(*_):
    raise RuntimeError("no such luck")


@pytest.mark.parametrize(
    ("method", "answer", "words"),
    [
        ("screen", raising, "RuntimeError: no such luck"),
        ("screen", lambda c: None, "returned NoneType"),
        (
            "screen",
            lambda c: api.Screening(np.array(["fits"], dtype=object), np.array([""], dtype=object)),
            "shape",
        ),
        (
            "screen",
            lambda c: api.Screening(np.full(len(c), "maybe", dtype=object), np.full(len(c), "", dtype=object)),
            "maybe",
        ),
        (
            "screen",
            lambda c: api.Screening(np.full(len(c), api.DOES_NOT_FIT, dtype=object), np.full(len(c), "", dtype=object)),
            "no reason",
        ),
        ("safety", raising, "RuntimeError"),
        ("safety", lambda c: api.Notes.of(c), "no note for 2 sites"),
        ("safety", lambda c: api.Notes.of(c).add(NOTE, np.array([True, False])), "no note for 1 sites"),
        (
            "safety",
            lambda c: api.Notes.of(c).add(api.Note("n", api.DANGER, " ", "electrician", "x")),
            "lacks its text",
        ),
        ("change", raising, "RuntimeError"),
        (
            "change",
            lambda c, p, a: api.Change(p.replace(tilt_deg=p.tilt_deg[:1].copy()), []),
            "plant.tilt_deg has the shape",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p.replace(transmittance=p.transmittance * np.nan), []),
            "plant.transmittance",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p.replace(droppings_loss=p.droppings_loss - 0.5), []),
            "plant.droppings_loss",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p, [api.CostLine(api.LABOUR, "electrician", np.array([1.0, np.nan]), "h")]),
            "electrician",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p, [api.CostLine(api.LABOUR, "electrician", np.array([1.0, -1.0]), "h")]),
            "below 0",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p, [api.CostLine(api.MATERIAL, "gold", np.ones(2), "kg")]),
            "declared price items",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p, [api.CostLine(api.ACCESS, "moon", np.ones(2), "visit")]),
            "access is to 'roof', 'roof edge', 'ground', not to 'moon'",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p, [api.CostLine("bribe", "gold", np.ones(2), "kg")]),
            "not one of",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p, [hours(np.array([1.0, 1e308]))]),
            "'electrician' has 1 quantities below 0, above 1e+07 or not a number",
        ),
        ("change", lambda c, p, a: api.Change(p, [hours(np.full(len(c), np.inf))]), "'electrician' has 2 quantities"),
        ("change", lambda c, p, a: api.Change(p, [], [hours(np.full(len(c), 1e308))]), "yearly: 'electrician' has 2"),
        (
            "change",
            lambda c, p, a: api.Change(p, [hours(pd.Series(1.0, c.sites.index))]),
            "costs 'electrician' has to be a numpy array, found Series",
        ),
        ("change", lambda c, p, a: api.Change(p, [hours(np.ones(len(c), dtype=">f8"))]), "array of numbers"),
        ("change", lambda c, p, a: api.Change(p, iter([hours(np.ones(len(c)))])), "costs has to be a list or tuple"),
        ("change", lambda c, p, a: api.Change(p, [hours(np.ones(len(c)), in_year=10**30)]), "is for year 1000"),
        ("change", lambda c, p, a: api.Change(p, (), [hours(np.ones(len(c)), if_found=True)]), "depend on a finding"),
        ("change", lambda c, p, a: api.Change(p, [hours(np.ones(len(c)), note=None)]), "costs has to hold texts"),
        ("change", lambda c, p, a: api.Change(p, [], label=["a"]), "label has to hold texts, found list"),
        ("change", lambda c, p, a: api.Change(p, [], alternatives=(p,)), "an alternative is Plant, not a Change"),
        ("change", lambda c, p, a: Changing(p, []), "change returned Changing, not a Change"),
        (
            "change",
            lambda c, p, a: api.Change(p.replace(battery_kwh=np.full(len(c), 1e308)), []),
            "plant.battery_kwh leaves 0..1e+07",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p.replace(export_limit_kw=np.full(len(c), 1e308)), []),
            "plant.export_limit_kw leaves 0..inf",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p.replace(water_efficiency=np.full(len(c), 1e-300)), []),
            "plant.water_efficiency leaves 0.1..10",
        ),
        ("change", lambda c, p, a: api.Change(p, [], fade=np.full(30, 1e308)), "fade leaves -1000..1000"),
        ("change", lambda c, p, a: api.Change(p, [], fade=np.array([1.0, np.nan])), "fade"),
        (
            "safety",
            lambda c: api.Notes.of(c).add(api.Note("n", api.DANGER, "half a \ud800", "electrician", "x")),
            "UnicodeEncodeError",
        ),
        (
            "safety",
            lambda c: api.Notes.of(c).add(api.Note(None, api.DANGER, "A fall kills.", "electrician", "x")),
            "a note has to hold texts, found NoneType",
        ),
        (
            "safety",
            lambda c: api.Notes.of(c).add(api.Note("n", api.DANGER, "A fall kills.", "electrician", "x", "no")),
            "note 'n' has to say in tell_owner True or False",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p, [], fade=np.array(["all", "half"])),
            "fade has to be an array of numbers",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p, [], fade=[1.0, 0.5]),
            "fade has to be an array of numbers, found list",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p.replace(tilt_deg=np.array(["steep"] * len(p.tilt_deg), dtype=object)), []),
            "plant.tilt_deg has to be an array of numbers, found an array of object",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p.replace(battery_kwh=np.array(["big"] * len(c))), []),
            "plant.battery_kwh has to be an array of numbers",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p.replace(dc_rating_kw=p.dc_rating_kw * np.inf), []),
            "plant.dc_rating_kw",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p.replace(mounting=np.full(len(p.tilt_deg), "kite", dtype=object)), []),
            "plant.mounting holds ['kite'], which is none of its choices",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p.replace(water_heat=np.full(len(c), np.nan, dtype=object)), []),
            "plant.water_heat has to hold texts, found float",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p, [api.CostLine(api.LABOUR, "electrician", np.array(["1", "2"]), "h")]),
            "'electrician' has to be an array of numbers",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p, [], remarks=np.array([None, np.nan], dtype=object)),
            "remarks has to hold texts, found NoneType, float",
        ),
        (
            "screen",
            lambda c: api.Screening(
                np.full(len(c), api.SURVEY_FIRST, dtype=object), np.full(len(c), np.nan, dtype=object)
            ),
            "reason has to hold texts, found float",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p, [], remarks=a.chance(c.sites, UNDECLARED)),
            "'birds_seen' is not among",
        ),
        (
            "change",
            lambda c, p, a: api.Change(p, [], fade=np.ones(3) * a["luck"]),
            "'luck' is not among the assumptions",
        ),
    ],
)
@pytest.mark.few_quick
@pytest.mark.few_quick
def test_bad_answers_are_named_and_isolated(cohort, method, answer, words):
    guard, bad, good = Guard(plant_texts()), loaded(**{method: answer}), loaded()
    ask = {
        "screen": lambda plugin: guard.screen(plugin, cohort),
        "safety": lambda plugin: guard.safety(plugin, cohort),
        "change": lambda plugin: guard.change(plugin, cohort, api.baseline(cohort), assume()),
    }[method]
    assert ask(bad) is None
    (failure,) = guard.failures
    assert failure.during == method
    assert words in failure.reason
    assert ask(bad) is None
    assert len(guard.failures) == 1  # told once, not once a call
    fresh = Guard()
    assert fresh.screen(good, cohort) is not None


def test_what_a_plugin_writes_into_the_cohort_stays_with_it(cohort):
    def spoil(lent):
        lent.sites["roof_kind"] = "fragile sheet"
        lent.sites.loc[lent.sites.index[0], "storeys"] = 9
        lent.arrays["tilt_deg"] = 0.0
        return api.Screening.of(lent)

    sites, arrays = cohort.sites.copy(), cohort.arrays.copy()
    assert Guard().screen(loaded(screen=spoil), cohort) is not None
    assert cohort.sites.equals(sites)
    assert cohort.arrays.equals(arrays)


def test_a_plugin_that_ends_the_program_only_fails(cohort):
    def leave(_):
        raise SystemExit(5)

    guard = Guard()
    assert guard.screen(loaded(screen=leave), cohort) is None
    assert "SystemExit" in guard.failures[0].reason
    assert "test_guard.py, line" in guard.failures[0].reason


def test_plant_is_read_only(cohort):
    with pytest.raises(ValueError, match="read-only"):
        api.baseline(cohort).tilt_deg[0] = 5


def test_simple_namespace_is_no_change(cohort):
    guard = Guard()
    assert guard.change(loaded(change=lambda *_: SimpleNamespace()), cohort, api.baseline(cohort), assume()) is None
    assert "not a Change" in guard.failures[0].reason


def test_a_chance_counts_with_the_prior_in_force():
    sites = pd.DataFrame({"birds_seen": pd.array([True, False, None], dtype="boolean")})
    assert api.Assumed({}, {"birds_seen": 0.3}).chance(sites, UNDECLARED).tolist() == [1.0, 0.0, 0.3]


def test_only_an_export_limit_may_be_infinite(cohort):
    plant = api.baseline(cohort)
    assert np.isinf(plant.export_limit_kw).all()
    assert Guard(plant_texts()).change(loaded(), cohort, plant, assume()) is not None


def test_a_column_that_was_unlocked_and_overwritten_in_place_is_named(cohort):
    def spoil(_cohort, plant, _assume):
        plant.availability.flags.writeable = True
        plant.availability[:] = np.nan
        return api.Change(plant, [])

    guard, plant = Guard(plant_texts()), api.baseline(cohort)
    own = plant.replace(availability=plant.availability.copy())
    assert guard.change(loaded(change=spoil), cohort, own, assume()) is None
    assert "plant.availability" in guard.failures[0].reason


def test_severities_sort_from_the_worst_and_an_unknown_one_is_taken_for_it():
    # ANSI Z535.6: danger, warning, caution
    assert sorted(["caution", "grave", "danger", "warning"], key=api.severity_order) == [
        "grave", "danger", "warning", "caution",
    ]  # fmt: skip


@pytest.mark.parametrize("told", [False, True])
def test_a_screen_hears_what_the_company_sets_in_either_interface(cohort, told):
    def of_ranges(self, cohort):
        return api.Screening.of(cohort).reject(np.full(len(cohort), self.assumptions["effect"].mode > 2), "too much")

    def of_values(self, cohort, assume):
        return api.Screening.of(cohort).reject(np.full(len(cohort), assume["effect"] > 2), "too much")

    plugin = loaded()
    kind = type("Told", (type(plugin.retrofit),), {"screen": of_values if told else of_ranges})
    kind.assumptions = {"effect": api.Range(1.0, 0.5, 2.0, "1", "assumption")}
    plugin = Loaded(kind(), "told", "test")
    for value, status in ((1.0, api.FITS), (3.0, api.DOES_NOT_FIT)):
        guard = Guard(values=lambda _, value=value: api.Assumed({"effect": value}))
        assert set(guard.screen(plugin, cohort).status) == {status}, guard.failures
    assert kind.assumptions["effect"].mode == 1.0
