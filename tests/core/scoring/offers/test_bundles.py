"""Sets of retrofits against enumeration by hand: every subset composed, simulated and priced anew."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations

import numpy as np
import numpy_financial
import pytest
from tests_support import empty_frame, make_cohort, make_weather

from aftersun import api
from aftersun.energy.balance import simulate
from aftersun.host.guard import Guard
from aftersun.host.registry import Loaded
from aftersun.money.company import Company
from aftersun.money.prices import Prices
from aftersun.money.tariffs import yearly_bill
from aftersun.scoring.offers.bundles import Bundle, Single, _paid_while, best_bundles
from aftersun.scoring.offers.chunk import plant_texts
from aftersun.scoring.offers.ledgers import offers
from aftersun.scoring.value.simulations import Baseline, Simulations, baseline_of
from aftersun.scoring.value.valuation import Case, evaluate

HOME = {
    "latitude": 36.3, "longitude": -79.98, "elevation_m": 0.0, "commissioned_on": "2016-05-01",
    "roof_kind": "pitched tile", "storeys": 1, "annual_demand_kwh": 6500.0, "export_rule": "net billing",
    "remaining_life_years": 14.0, "import_price": 0.34, "export_price": 0.10, "load_shape": 0, "birds_seen": True,
}  # fmt: skip
SITES = [
    {**HOME, "site_id": "A"},
    {**HOME, "site_id": "B", "annual_demand_kwh": 2000.0, "remaining_life_years": 4.0},
    {**HOME, "site_id": "C", "storeys": 3, "annual_demand_kwh": 20_000.0},
    {**HOME, "site_id": "D", "birds_seen": False},
]
KW = (9.0, 4.0, 16.0, 7.0)
NO_READINGS = empty_frame("reading", 0)
LIFE = api.Range(12, 12, 12, "a", "assumption")
NONE, ALL = np.zeros((len(KW), 1)), np.ones((len(KW), 1))  # of a year by today's export rule, with support


class Part:
    """A retrofit of one effect; all need the roof but the one that avoids work."""

    assumptions = {"life_years": LIFE}
    facts: dict[str, api.Fact] = {}
    claims = ()

    def __init__(self, name: str, clips: float, effect: str, **about: tuple[str, ...]) -> None:
        self.effect, self.clips = effect, clips
        self.about = api.About(name, name, name, "1", LIFE, (), ("none",), ("mesh_clip", "roof_cleaning"), **about)

    def screen(self, cohort: api.Cohort) -> api.Screening:
        return api.Screening.of(cohort)

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        ones = np.ones(len(cohort))
        changed, yearly = plant, []
        if self.effect == "dust":
            changed = plant.replace(soiling_rate_per_day=plant.soiling_rate_per_day * 0.1)
        if self.effect == "birds":
            changed = plant.replace(droppings_loss=plant.droppings_loss * 0.0)
        if self.effect == "glass":
            changed = plant.replace(transmittance=plant.transmittance * 1.03)
        if self.effect == "work":
            yearly = [api.CostLine(api.AVOIDED_WORK, "roof_cleaning", 0.7 * ones, "clean")]
        clip = api.CostLine(api.MATERIAL, "mesh_clip", self.clips * ones, "piece")
        return api.Change(changed, [clip, api.CostLine(api.ACCESS, "roof", ones, "visit")], yearly)

    def safety(self, cohort: api.Cohort) -> api.Notes:
        return api.Notes.of(cohort).add(api.Note("n", api.CAUTION, "Mind.", "crew", "assumption"))


@pytest.fixture(scope="module")
def baseline(company: Company) -> Baseline:
    return baseline_with(company)


def baseline_with(company: Company, **facts: object) -> Baseline:
    arrays = [
        {"site": site, "tilt_deg": 20.0, "azimuth_deg": 180.0, "dc_rating_kw": kw, "mounting": "flush roof"}
        for site, kw in enumerate(KW)
    ]
    rain = np.zeros(8760)
    rain[::960] = 30.0
    return baseline_of(
        make_cohort(make_weather(rain), [{**site, **facts} for site in SITES], arrays), company, NO_READINGS
    )[0]


def singles(parts: list[Part], baseline: Baseline, company: Company) -> list[Single]:
    found = []
    for part in parts:
        loaded = Loaded(part, part.about.id, "test")
        case = Case(loaded, baseline, Simulations(baseline), company, Guard(plant_texts()))
        valuation = evaluate(case, itemised=True)
        assert valuation is not None
        rows = np.arange(len(baseline.cohort))
        found.append(
            Single(
                loaded,
                rows,
                valuation.npv,
                valuation,
                valuation.npv,
                np.tile(valuation.npv, (5, 1)),
                valuation.npv > 0,
                danger=np.zeros(len(rows), dtype=bool),
                ask=np.zeros(len(rows), dtype=bool),
                chance_allowed=np.ones(len(rows)),
            )
        )
    return found


def by_hand(parts: tuple[Part, ...], baseline: Baseline, company: Company) -> np.ndarray:
    """Net present value of a set: one simulation with all changes, one price list, discounted by numpy-financial."""
    plant, lines, yearly = baseline.plant, [], []
    for part in parts:
        change = part.change(baseline.cohort, plant, api.Assumed({"life_years": 12.0}))
        plant = change.plant
        lines += change.costs
        yearly += change.yearly
    bill = yearly_bill(simulate(baseline.cohort, plant), baseline.cohort.sites, baseline.cohort.weather.times)
    size = len(baseline.cohort)
    prices = Prices(baseline.cohort.sites, company)
    price, (_, avoided) = prices.once(lines, 0)[:, 0], prices.yearly(yearly)
    saving = baseline.bill.electricity - bill.electricity
    afterwards = saving + (baseline.bill.lost_by_ends(NONE, ALL) - bill.lost_by_ends(NONE, ALL))[:, 0]
    years = np.minimum(12, baseline.remaining_years).astype(int)
    result = []
    for site in range(size):
        left = (1 - baseline.plant.ageing_per_year[site]) ** np.arange(years[site])
        today = np.clip(baseline.ends.rule_years[site] - np.arange(years[site]), 0.0, 1.0)
        by_year = saving[site] * today + afterwards[site] * (1.0 - today)
        flow = [-price[site], *(by_year * left + avoided[site])]
        result.append(float(numpy_financial.npv(company.money.real_discount_rate, flow)))
    return np.array(result)


PARTS = [Part("dust", 60, "dust"), Part("birds", 50, "birds"), Part("glass", 180, "glass"), Part("work", 90, "work")]


def subsets(parts: list[Part]) -> Iterator[tuple[Part, ...]]:
    for count in range(1, len(parts) + 1):
        yield from combinations(parts, count)


def found_bundles(parts: list[Part], baseline: Baseline, company: Company) -> dict[str, tuple[Bundle, int]]:
    guard = Guard(plant_texts())
    bundles = list(best_bundles(singles(parts, baseline, company), baseline, company, guard))
    assert not guard.failures
    return {
        str(baseline.cohort.sites.index[row]): (one, place) for one in bundles for place, row in enumerate(one.rows)
    }


@pytest.mark.parametrize("clip_price", [0.4, 2.0, 8.0])
@pytest.mark.slow
def test_the_best_set_is_that_of_enumeration(baseline: Baseline, company: Company, clip_price: float) -> None:
    priced = company.model_copy(update={"materials": {**company.materials, "mesh_clip": clip_price}})
    found = found_bundles(PARTS, baseline, priced)
    table = {tuple(part.about.id for part in parts): by_hand(parts, baseline, priced) for parts in subsets(PARTS)}
    for row, site in enumerate(baseline.cohort.sites.index):
        best = max(table, key=lambda names: table[names][row])
        if len(best) == 1 or table[best][row] <= 0:
            assert site not in found
            continue
        bundle, place = found[str(site)]
        assert bundle.members == best
        assert bundle.npv[place] == pytest.approx(table[best][row], abs=0.5)
        for name in best:
            rest = tuple(other for other in best if other != name)
            assert bundle.marginal[name][place] == pytest.approx(table[best][row] - table[rest][row], abs=1.0)


def test_what_does_not_interact_adds_up_but_for_the_shared_visit(baseline: Baseline, company: Company) -> None:
    parts = [Part("glass", 10, "glass"), Part("work", 10, "work")]
    found = found_bundles(parts, baseline, company)
    alone = [one.valuation for one in singles(parts, baseline, company)]
    access = api.CostLine(api.ACCESS, "roof", np.ones(len(baseline.cohort)), "visit")
    visit = Prices(baseline.cohort.sites, company).once([access], 0)[:, 0]
    bundle, place = found["A"]
    assert bundle.members == ("glass", "work")
    assert bundle.npv[place] == pytest.approx(alone[0].npv[0] + alone[1].npv[0] + visit[0])


@pytest.mark.slow
def test_a_set_under_net_metering_that_ends_by_hand(company: Company) -> None:
    metered = baseline_with(company, export_rule="net metering", export_rule_until="2031-12-01")
    parts = [Part("glass", 10, "glass"), Part("work", 10, "work")]
    bundle, place = found_bundles(parts, metered, company)["A"]
    assert bundle.npv[place] == pytest.approx(by_hand(tuple(parts), metered, company)[0])
    endless = replace(metered, ends=replace(metered.ends, rule_years=np.full(len(KW), np.inf)))
    stays = found_bundles(parts, endless, company)["A"][0].npv[place]
    lost = numpy_financial.npv(company.money.real_discount_rate, bundle.flow.ended[place])
    assert lost < -1  # what is used on site is worth more then: under net metering more is exported than bought
    assert bundle.npv[place] + lost == pytest.approx(stays)


def test_overlapping_gains_are_counted_once(baseline: Baseline, company: Company) -> None:
    parts = [Part("dust", 1, "dust"), Part("more_dust", 1, "dust")]
    free = company.model_copy(
        update={
            "travel": company.travel.model_copy(update={"cost_per_km": 0.0, "people": 0.0}),
            "access": company.access.model_copy(
                update={"cost_per_visit": dict.fromkeys(company.access.cost_per_visit, 0.0)}
            ),
        }
    )
    one, other = (single.valuation.npv[2] for single in singles(parts, baseline, free))
    both = by_hand((parts[0], parts[1]), baseline, free)[2]
    assert max(one, other) < both < one + other


@pytest.mark.parametrize(("of_glass", "of_work"), [(("work",), ()), ((), ("glass",))])
def test_what_excludes_another_is_never_beside_it(
    baseline: Baseline, company: Company, of_glass: tuple[str, ...], of_work: tuple[str, ...]
) -> None:
    """Whichever of the two says so."""
    parts = [Part("glass", 10, "glass", excludes=of_glass), Part("work", 10, "work", excludes=of_work)]
    assert found_bundles(parts, baseline, company) == {}


def test_what_needs_another_comes_only_with_it(baseline: Baseline, company: Company) -> None:
    def sets(*needs: str) -> set[tuple[str, ...]]:
        # glass costs more than it brings, but not so much that it is no candidate beside others
        parts = [Part("work", 10, "work", needs=needs), Part("glass", 900, "glass"), Part("dust", 10, "dust")]
        return {bundle.members for bundle, _ in found_bundles(parts, baseline, company).values()}

    assert ("work", "dust") in sets()
    assert ("work", "dust") not in sets("glass")


def test_a_later_visit_is_paid_where_a_year_of_benefit_is_left_after_it() -> None:
    lines = [api.CostLine(api.LABOUR, "electrician", np.full(3, 2.0), "h", in_year=year) for year in (0, 5)]
    paid = _paid_while(api.Change(None, lines), np.array([4.0, 5.0, 6.0]))
    assert [list(line.quantity) for line in paid.costs] == [[2.0, 2.0, 2.0], [0.0, 0.0, 2.0]]


def test_nothing_is_bundled_where_doing_nothing_is_better(baseline: Baseline, company: Company) -> None:
    dear = company.model_copy(update={"materials": {**company.materials, "mesh_clip": 900.0}})
    assert found_bundles(PARTS, baseline, dear) == {}


def test_the_company_ledger_is_price_before_tax_less_cost_and_reserves(baseline: Baseline, company: Company) -> None:
    parts = [Part("glass", 10, "glass"), Part("work", 10, "work")]
    found = singles(parts, baseline, company)
    bundles = list(best_bundles(found, baseline, company, Guard(plant_texts())))
    tables = offers(found, bundles, baseline.cohort, company)
    table = tables["offer"].set_index(["site_id", "offer"])
    row = table.loc[("A", "glass+work")]
    lines = [line for part in parts for line in part.change(baseline.cohort, baseline.plant, api.Assumed({})).costs]
    priced = Prices(baseline.cohort.sites, company).rows(lines)
    mine = priced[priced["site_id"] == "A"]
    trip = mine.loc[mine["kind"] == "travel", "cost"].sum()
    work = mine[mine["kind"] != "travel"]  # the way is paid by the owner and earns nothing
    before_tax = work["price_before_tax"].sum()
    reserve = company.calls.callback_chance * trip + company.calls.warranty_reserve_share * before_tax
    assert row["contribution"] == pytest.approx(before_tax - work["cost"].sum() - reserve)
    assert row["upfront"] == pytest.approx(mine["price"].sum())
    members = tables["offer_member"]
    added = members[(members["site_id"] == "A") & (members["offer"] == "glass+work")].set_index("retrofit")
    assert set(added.index) == {"glass", "work"}
    # each shares the visit with the other, so each adds more than it is worth alone
    assert (added["npv_added"] > added["npv_alone"]).all()


@pytest.mark.parametrize(("gains", "offered"), [(3, False), (4, True)])
def test_a_set_is_offered_where_its_chance_of_a_gain_is_the_companys_least(
    baseline: Baseline, company: Company, gains: int, offered: bool
) -> None:
    assert company.calls.least_chance == 0.8
    found = singles([Part("glass", 10, "glass"), Part("work", 10, "work")], baseline, company)
    (bundle,) = best_bundles(found, baseline, company, Guard(plant_texts()))
    draws = np.where(np.arange(5) < gains, 1.0, -1.0)[:, np.newaxis] * np.ones_like(bundle.npv)
    tables = offers(found, [replace(bundle, draws=draws)], baseline.cohort, company)
    for table in ("offer", "offer_member"):
        assert ("glass+work" in set(tables[table]["offer"])) == offered


def test_a_set_is_to_be_told_where_one_of_its_members_ends_a_known_danger(baseline: Baseline, company: Company) -> None:
    glass, work = singles([Part("glass", 10, "glass"), Part("work", 10, "work")], baseline, company)
    known = replace(work, danger=np.array([True, False, False, False]))
    bundles = best_bundles([glass, known], baseline, company, Guard(plant_texts()))
    table = offers([glass, known], bundles, baseline.cohort, company)["offer"].set_index(["offer", "site_id"])
    told = table.loc["glass+work", "must_call"]
    assert len(told) > 1
    assert told.to_dict() == {site: site == "A" for site in told.index}
