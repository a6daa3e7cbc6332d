"""The conformance kit: the rules that every retrofit keeps, one test each, and without pytest as :func:`verdicts`."""

from __future__ import annotations

import math
import re
import time
import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property
from itertools import chain
from pathlib import Path

import numpy as np
import pandas as pd

from aftersun.energy.baseline import baseline
from aftersun.host.answer_checks import PluginError
from aftersun.host.asking import CtrlC, Failure, TookTooLong, asking, limit_s, plugin_limit
from aftersun.host.assumed import assumed, screened
from aftersun.host.registry import Loaded, Registry, find_plugins, load_plugins
from aftersun.host.sources import Source
from aftersun.host.workers import Workers
from aftersun.inventory.store.dictionary import BOOLEAN, columns
from aftersun.model.change import ACCESS, API_VERSION, LABOUR, YEARLY_KINDS, Retrofit
from aftersun.model.cohort import Cohort
from aftersun.model.plant import PER_ARRAY, PER_SITE
from aftersun.model.ranges import Assumed, Range
from aftersun.model.records import each_array
from aftersun.money.company import Company
from aftersun.scoring.offers.chunk import score
from aftersun.testing.answers import Answers, Declared, ask, difference, per_site, unread_assumptions
from aftersun.testing.builders import (
    Facts,
    sample_cohort,
    sample_company,
    sample_weather,
    shipped_prices,
    unknown_frame,
)
from aftersun.testing.sites import legal_sites, odd_sites, unknown_site

LONGEST_REASON = 200  # characters; it is read out of a list
_TIMED_SITES = 100
_ONLY_TOLD = "test_time_per_1000_sites_is_told"
_EVERY = 3  # of the sites is tried alone, which takes most of the time


class RetrofitConformance:
    """Subclass it in a test module, name the class ``Test...``, and say which retrofit to test::

        class TestRoofWash(RetrofitConformance):
            retrofit = RoofWash()

    Each rule is one test; its message says what to do. The host's own retrofits are held to the same rules.

    Attributes
    ----------
    retrofit
        The retrofit to test. The one thing to give.
    price_items
        Prices of the price items that the retrofit brings and the program does not ship, by key, with the unit
        ``per ...``. What is missing here costs 1 a unit.
    sites
        Further sites to try, as :func:`sample_cohort` takes them: give some if the retrofit suits few homes.
    """

    retrofit: Retrofit
    price_items: Mapping[str, Range] = {}
    sites: Sequence[Facts] = ()

    # --- what it says of itself

    def test_it_says_who_it_is(self) -> None:
        """Identifier, version of the interface, texts and sources."""
        about = self.retrofit.about
        assert re.fullmatch(r"[a-z][a-z0-9_]*", about.id), (
            f"about.id is '{about.id}': use lower-case letters, digits and underscores, a letter first."
        )
        assert 1 <= about.api_version <= API_VERSION, (
            f"about.api_version is {about.api_version}, this program has 1 to {API_VERSION}: leave it out to follow "
            "the program, or use a version of the program that has it."
        )
        for name in ("title", "summary", "version"):
            assert str(getattr(about, name)).strip(), f"about.{name} is empty: fill it in."
        assert "".join(about.sources).strip(), (
            "about.sources is empty: name what the retrofit is founded on, or say 'assumption'."
        )
        life = self.retrofit.assumptions.get("life_years", about.life)
        assert life == about.life, "about.life and the assumption life_years differ: use one for both."

    def test_every_number_has_a_unit_and_a_source(self) -> None:
        """Ranges, priors of facts, claims and safety notes."""
        ranges = {"about.life": self.retrofit.about.life, **self.retrofit.assumptions}
        ranges |= {f"the prior of {name}": fact.prior for name, fact in self.retrofit.facts.items()}
        for name, given in ranges.items():
            assert given.unit.strip(), f"{name} has no unit: give one; '1' stands for none."
            assert given.source.strip(), f"{name} has no source: give one; 'assumption: ...' is honest, too."
        for claim in self.retrofit.claims:
            assert claim.text.strip(), "a claim is empty: say what the trade promises or leave it out."
            assert claim.source.strip(), f"the claim '{claim.text}' has no source: say who makes it."
        for note, _ in self._answers.notes.entries:
            assert note.source.strip(), f"the safety note '{note.id}' has no source: name the rule it comes from."

    def test_facts_are_questions_about_the_site(self) -> None:
        """Each fact is a yes/no column with a chance and a question for the customer."""
        known = {column.name for column in columns("site") if column.type == BOOLEAN}
        for name, fact in self.retrofit.facts.items():
            assert name == fact.id, f"facts['{name}'] holds the fact '{fact.id}': use one name."
            assert name in known, (
                f"the fact '{name}' is no yes/no column of a site; there are {', '.join(sorted(known))}."
            )
            assert name in self.retrofit.about.reads, f"the fact '{name}' is read: add it to about.reads."
            assert 0 <= fact.prior.low <= fact.prior.high <= 1, f"the prior of '{name}' is a chance: 0 to 1."
            assert fact.question.strip().endswith("?"), (
                f"the fact '{name}' needs a question that a customer can answer."
            )

    def test_exclusions_are_mutual(self) -> None:
        """Of two retrofits that one package brings, each names the other; nothing excludes what it needs."""
        about, others = self.retrofit.about, {loaded.id: loaded for loaded in find_plugins().retrofits}
        assert about.id not in (*about.excludes, *about.needs), f"'{about.id}' excludes or needs itself: take it out."
        both = sorted(set(about.excludes) & set(about.needs))
        assert not both, f"about.excludes and about.needs both name {', '.join(both)}: decide for one."
        for other in _of_the_same_package(about.id, others):
            excludes, excluded = other.id in about.excludes, about.id in other.retrofit.about.excludes
            says, lacks = (about.id, other.id) if excludes else (other.id, about.id)
            assert excludes == excluded, (
                f"'{says}' excludes '{lacks}', which does not exclude '{says}': name both in both."
            )

    # --- what it reads and touches

    def test_it_reads_only_what_it_declares(self) -> None:
        """Columns that about.reads does not name are hidden; the public physics still sees all."""
        retrofit, known = self.retrofit, {*self._cohort.sites.columns, *self._cohort.arrays.columns}
        strange = sorted(set(retrofit.about.reads) - known)
        assert not strange, f"about.reads names {', '.join(strange)}; there is no such column: correct or remove it."
        shown = Declared.of(self._cohort, retrofit.about.reads)
        try:
            answers = ask(retrofit, shown)
        except (KeyError, AttributeError) as error:
            name = error.args[0] if isinstance(error, KeyError) and error.args else getattr(error, "name", None)
            if shown.hides(name):
                raise AssertionError(f"it reads the column '{name}': add it to about.reads.") from error
            raise
        change = difference(per_site(answers), self._said)
        assert not change, f"its answers change when what about.reads does not name is hidden; add it. {change}"

    def test_it_leaves_its_input_as_it_was(self) -> None:
        """Frames and plant belong to the host."""
        cohort, retrofit = self._cohort, self.retrofit
        sites, arrays, plant = cohort.sites.copy(deep=True), cohort.arrays.copy(deep=True), baseline(cohort)
        before = each_array(np.copy, plant)
        screened(retrofit, cohort, assumed(retrofit, {}, {})), retrofit.safety(cohort)
        offered = cohort.take(self._answers.rows)
        lent = plant.take(self._answers.rows, cohort.array_rows(self._answers.rows))
        lent_before, kept = each_array(np.copy, lent), offered.sites.copy(deep=True)
        retrofit.change(offered, lent, assumed(retrofit, {}, {}))
        for frame, copy in ((cohort.sites, sites), (cohort.arrays, arrays), (offered.sites, kept)):
            assert frame.equals(copy), "it writes into the cohort's frames: work on a copy or on arrays of its own."
        for now, then in ((plant, before), (lent, lent_before)):
            same = {name: np.array_equal(getattr(now, name), getattr(then, name)) for name in (*PER_ARRAY, *PER_SITE)}
            changed = [name for name, equal in same.items() if not equal]
            assert not changed, f"it writes into plant.{changed[0]}: use plant.replace(...) with a new array."

    def test_it_leaves_what_meters_say_alone(self) -> None:
        """The factor that meter readings call for belongs to the system as it stands."""
        plant, answers = self._answers.plant, (self._answers.change, *self._answers.change.alternatives)
        same = all(np.array_equal(change.plant.calibration, plant.calibration) for change in answers)
        assert same, "it changes plant.calibration, which meter readings set: change the column that the work acts on."

    # --- a site's answer depends on that site alone

    def test_the_same_question_has_the_same_answer(self) -> None:
        """Nothing random, nothing kept from the call before."""
        change = difference(per_site(ask(self.retrofit, self._cohort)), self._said)
        assert not change, f"asked twice it answers differently: give random numbers a fixed seed. {change}"

    def test_the_order_of_sites_does_not_matter(self) -> None:
        """Backwards, and in a mixed order."""
        count = len(self._cohort)
        for order in (np.arange(count)[::-1], np.random.default_rng(1).permutation(count)):
            change = difference(per_site(ask(self.retrofit, self._cohort.take(order))), self._said)
            assert not change, f"its answer depends on the order of sites: use no positions or neighbours. {change}"

    def test_one_site_alone_answers_as_in_the_batch(self) -> None:
        """To the last bit."""
        batch = self._said
        for row in range(0, len(self._cohort), _EVERY):
            alone = per_site(ask(self.retrofit, self._cohort.take(np.array([row]))))
            change = difference(batch, alone)
            assert not change, (
                f"a site's answer depends on those around it: take no mean, extreme or product over sites. {change}"
            )

    def test_no_sites_give_no_answers(self) -> None:
        """An empty cohort."""
        answers = ask(self.retrofit, self._cohort.take(np.array([], dtype=np.intp)))
        assert len(answers.screening.status) == answers.notes.size == 0, "an empty cohort has no answers."

    # --- it copes with what there is

    def test_some_site_may_have_it(self) -> None:
        """Otherwise the other rules say little."""
        assert self._answers.rows.size, "it rejects every site of the kit: give `sites` that may have it."

    def test_it_copes_with_facts_that_nobody_knows(self) -> None:
        """A site of which only what is required is known, with and without a rain record."""
        for weather in (None, sample_weather(None)):
            answers = ask(self.retrofit, sample_cohort(unknown_site(), *self.sites, weather=weather))
            assert len(answers.screening.status) == 1 + len(self.sites)

    def test_it_copes_with_sites_at_the_limits(self) -> None:
        """Whatever the column dictionary allows, drawn at random."""
        ask(self.retrofit, sample_cohort(*legal_sites(20, seed=1), weather=self._cohort.weather))

    def test_it_holds_at_the_ends_of_its_ranges(self) -> None:
        """A company may set any assumption anywhere within its range."""
        for end in ("low", "high"):
            values = {name: getattr(given, end) for name, given in self.retrofit.assumptions.items()}
            priors = {name: getattr(fact.prior, end) for name, fact in self.retrofit.facts.items()}
            try:
                ask(self.retrofit, self._cohort, Assumed(values, priors))
            except Exception as error:
                raise AssertionError(
                    f"with every assumption at its {end} it fails: narrow the ranges or bound the result. {error}"
                ) from error

    def test_every_assumption_is_read(self) -> None:
        """Somewhere, by screen, change or safety: a company may set each, and nothing that it sets goes unheard."""
        unread = unread_assumptions(self.retrofit, self._cohort)
        assert not unread, (
            f"nothing reads the assumption {', '.join(unread)} of the values that it is given: take it from 'assume', "
            "or remove it."
        )

    # --- what people read

    def test_reasons_can_be_read(self) -> None:
        """One short sentence each; remarks, too."""
        texts = set(chain.from_iterable(str(reason).split("; ") for reason in self._answers.screening.reason))
        remarks = self._answers.change.remarks
        texts |= set() if remarks is None else set(chain.from_iterable(str(one).split("; ") for one in remarks))
        for text in texts - {""}:
            assert text == " ".join(text.split()), f"'{text}' has line breaks or stray spaces: make it one line."
            assert len(text) < LONGEST_REASON, f"'{text}' is longer than {LONGEST_REASON} characters: shorten it."

    def test_every_site_has_safety_notes(self) -> None:
        """Also one that is to be surveyed first or that is rejected: somebody may go there."""
        status, notes = self._answers.screening.status, self._answers.notes
        for row in range(len(status)):
            assert notes.for_site(row), f"a site that has the status '{status[row]}' has no safety note: add one."

    # --- what it costs and what it is worth

    def test_price_items_are_those_declared(self) -> None:
        """What about.price_items names is used, and in the unit that it is priced in."""
        lines = [line for line in self._answers.lines if line.kind != ACCESS]
        used = {line.item for line in lines if line.kind != LABOUR}
        unused = sorted(set(self.retrofit.about.priced_items) - used)
        assert not unused, f"about.price_items names {', '.join(unused)}, which no line uses: remove it."
        for line in lines:
            own = {item.key: item for item in self.retrofit.about.prices}
            shipped = shipped_prices().get(line.item, {"unit": f"per {line.unit}", "kind": line.kind})
            if line.item in own:
                shipped = {"unit": own[line.item].usual.unit, "kind": own[line.item].kind}
            priced = self.price_items[line.item].unit if line.item in self.price_items else shipped["unit"]
            assert priced == f"per {line.unit}", (
                f"'{line.item}' is counted in '{line.unit}' and priced '{priced}': use one unit."
            )
            assert shipped["kind"] == line.kind, (
                f"'{line.item}' is of the kind '{line.kind}' and priced as '{shipped['kind']}': use one."
            )

    def test_without_time_it_is_worth_what_it_costs_and_no_more(self) -> None:
        """On a system about to be taken down the net present value at usual values is minus the price."""
        company = sample_company(self._answers.lines, self._usual_prices)
        ranking = self._scored(self._with(remaining_life_years=0.0), company)
        wrong = ranking[ranking["npv_usual"] != -ranking["upfront"]]
        assert wrong.empty, "with no year left the NPV has to be minus the price paid."

    def test_worthless_energy_earns_nothing(self) -> None:
        """With all energy prices at 0 and nothing avoided, what is left is the cost."""
        prices = [column.name for column in columns("tariff") if column.unit.startswith("per kW")]
        company = sample_company(self._answers.lines, self._usual_prices, worth=0.0)
        ranking = self._scored(self._with(**dict.fromkeys(prices, 0.0)), company)
        changes = (self._answers.change, *self._answers.change.alternatives)
        standing = any(line.kind in YEARLY_KINDS for change in changes for line in change.yearly)
        standing |= any(line.in_year > 0 for line in self._answers.lines)
        earned = ranking[ranking["npv_usual"] > -ranking["upfront"] + 1e-6 * ranking["upfront"].abs()]
        assert earned.empty, "it is worth something where energy is worth nothing and nothing is avoided."
        if not standing:
            short = ranking[ranking["npv_usual"] < -ranking["upfront"] - 1e-6 * ranking["upfront"].abs()]
            assert short.empty, "it costs more than its price where energy is worth nothing."

    def test_time_per_1000_sites_is_told(self) -> None:
        """Printed, never judged: ``pytest -rP`` shows it."""
        print(f"{self.retrofit.about.id}: {seconds_per_1000_sites(self.retrofit):.2f} s per 1,000 sites")

    # --- made once a test

    @cached_property
    def _cohort(self) -> Cohort:
        return sample_cohort(*odd_sites(), *self.sites)

    @cached_property
    def _answers(self) -> Answers:
        return ask(self.retrofit, self._cohort)

    @property
    def _usual_prices(self) -> Mapping[str, Range]:
        return {**{item.key: item.usual for item in self.retrofit.about.prices}, **self.price_items}

    @property
    def _said(self) -> Mapping[str, Mapping[str, object]]:
        return per_site(self._answers)

    def _with(self, **facts: float) -> Cohort:
        """Return the cohort with some numbers of all sites replaced."""
        size = len(self._cohort)
        given = {name: pd.array([value] * size, dtype="Float64") for name, value in facts.items()}
        return replace(self._cohort, sites=self._cohort.sites.assign(**given))

    def _scored(self, cohort: Cohort, company: Company) -> pd.DataFrame:
        """Return the ranking rows of the sites that were evaluated, through the whole chain of a run."""
        only = Registry((Loaded(self.retrofit, self.retrofit.about.id, "test"),), (), (), ())
        few = cohort.take(np.arange(min(_DRAWN_SITES, len(cohort))))
        for part, ranges in ((few, True), (cohort, False)):
            result = score(part, unknown_frame("fitted"), only, company, unknown_frame("reading"), ranges=ranges)
            failures = [f"in a run it fails during {one.during}: {one.reason}" for one in result.failures]
            assert not failures, failures[0]
        ranking = result.frames["ranking"]
        return ranking[ranking["npv"].notna()] if "npv" in ranking else ranking.assign(npv=0.0, upfront=0.0)


_DRAWN_SITES = 3  # how sure it is takes a hundred times as long to tell as what it is worth


@dataclass(frozen=True)
class Verdict:
    """One rule in words, and what to do about it; ``problem`` is empty if it is kept.

    ``seconds_per_1000_sites`` is NaN but where the rule is that this is told.
    """

    rule: str
    problem: str
    seconds_per_1000_sites: float = math.nan

    @property
    def only_told(self) -> bool:
        """Whether this is a figure and no rule."""
        return self.rule == _words(_ONLY_TOLD)


RULES = tuple(name for name in vars(RetrofitConformance) if name.startswith("test_") and name != _ONLY_TOLD)


def verdicts(retrofit: Retrofit, only: str = "test_") -> Iterator[Verdict]:
    """Yield each rule that every retrofit keeps, in the order of the kit; of those only what begins with ``only``."""
    return (_verdict(retrofit, name) for name in RULES if name.startswith(only))


def examine(loaded: Loaded, plugins: tuple[Source, ...], unusable: tuple[Failure, ...]) -> Iterator[Verdict]:
    """Yield each rule, and last how long the retrofit takes.

    One that did not come with the program is loaded from ``plugins`` or where it is installed, in another process that
    it may end.
    """
    names = (*RULES, _ONLY_TOLD)
    if loaded.built_in:
        yield from (_verdict(loaded.retrofit, name) for name in names)
        return
    jobs = ((loaded.id, name, plugins, unusable, limit_s()) for name in names)
    with Workers(_verdict_elsewhere, 1, limit_s(), attempts=1) as workers:
        for (_, name, *_), answer in workers.run(jobs):
            yield Verdict(_words(name), f"it {answer.reason}") if isinstance(answer, Failure) else answer


def _verdict_elsewhere(job: tuple[str, str, tuple[Source, ...], tuple[Failure, ...], float]) -> Verdict:
    retrofit, name, plugins, unusable, seconds = job
    with plugin_limit(seconds):
        found = _loaded(plugins, unusable).get(retrofit)
        return Verdict(_words(name), "it cannot be loaded again.") if found is None else _verdict(found, name)


@cache
def _loaded(plugins: tuple[Source, ...], unusable: tuple[Failure, ...]) -> dict[str, Retrofit]:
    return {loaded.id: loaded.retrofit for loaded in load_plugins((), plugins, unusable).retrofits}


def _verdict(retrofit: Retrofit, name: str) -> Verdict:
    took = [math.nan]
    case = RetrofitConformance()
    case.retrofit = retrofit
    ask = getattr(case, name) if name != _ONLY_TOLD else lambda: took.append(seconds_per_1000_sites(retrofit))
    return Verdict(_words(name), _problem(retrofit, _words(name), ask), took[-1])


def _words(name: str) -> str:
    return name.removeprefix("test_").replace("_", " ")


def _problem(retrofit: Retrofit, during: str, ask: Callable[[], object]) -> str:
    """Return what is wrong with a retrofit that is asked something, "" = nothing."""
    try:
        with asking(retrofit.about.id, during):
            ask()
    except CtrlC:
        raise
    except (AssertionError, PluginError, TookTooLong) as error:
        return str(error)
    except BaseException as error:  # a plugin may raise anything
        raised_at = traceback.extract_tb(error.__traceback__)[-1]
        return f"it raises {type(error).__name__}: {error} ({Path(raised_at.filename).name}, line {raised_at.lineno})"
    return ""


def seconds_per_1000_sites(retrofit: Retrofit) -> float:
    """Return how long screening, safety notes and change take for a thousand sites on this machine."""
    cohort = sample_cohort(*legal_sites(_TIMED_SITES, seed=2))
    plant, assume = baseline(cohort), assumed(retrofit, {}, {})
    started = time.perf_counter()
    screened(retrofit, cohort, assume), retrofit.safety(cohort)
    retrofit.change(cohort, plant, assume)
    return (time.perf_counter() - started) * 1000 / _TIMED_SITES


def _of_the_same_package(name: str, others: Mapping[str, Loaded]) -> list[Loaded]:
    """Return the other retrofits that whoever brings this one could correct."""
    origin = others[name].origin if name in others else None
    return [other for other in others.values() if other.origin == origin and other.id != name]
