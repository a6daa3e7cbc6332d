"""Laws of the worth of a retrofit, tried on the demo's sites with every installed retrofit."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from aftersun.documents.run_view import RunView
from aftersun.host.registry import Registry, find_plugins
from aftersun.inventory.store.file import Inventory
from aftersun.model.codes import Obstacle, Status
from aftersun.money.company import Company
from aftersun.scoring.offers.chunk import score
from aftersun.scoring.run.demo import Demo
from aftersun.scoring.value.cohorts import Portfolio, cohort_of, read_portfolio, year_of
from aftersun.wording import reason_text

pytestmark = pytest.mark.slow  # their sites are scored with all ranges; the kit holds these laws for each retrofit

SAMPLE = 8


@pytest.fixture(scope="module")
def registry() -> Registry:
    return find_plugins()


@pytest.fixture(scope="module")
def portfolio(demo: Demo) -> Portfolio:
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        return read_portfolio(inventory, demo.as_of)


@pytest.fixture(scope="module")
def cohort(portfolio: Portfolio, demo: Demo, company: Company):
    chunk = portfolio.chunks[0]
    whole = cohort_of(chunk, year_of(portfolio.weather[chunk.weather_id]), demo.as_of, company)
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        called = whole.sites.index.get_indexer(RunView(inventory).calls()["site_id"].head(SAMPLE))
    spread = np.arange(0, len(whole), len(whole) // SAMPLE)
    return whole.take(np.unique(np.concatenate([spread, called])))


@pytest.fixture(scope="module")
def fitted(portfolio: Portfolio) -> pd.DataFrame:
    return portfolio.chunks[0].fitted


@pytest.fixture(scope="module")
def readings(portfolio: Portfolio) -> pd.DataFrame:
    return portfolio.chunks[0].readings


@pytest.fixture(scope="module")
def scored(cohort, fitted, registry, company, readings):
    result = score(cohort, fitted, registry, company, readings)
    assert result.failures == ()
    return result


def by_key(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.set_index(["site_id", "retrofit"]).sort_index()


def test_one_site_alone_equals_the_same_site_in_a_batch(scored, cohort, fitted, registry, company, readings):
    whole = by_key(scored.frames["ranking"])
    for row in (0, len(cohort) - 1):
        alone = by_key(score(cohort.take(np.array([row])), fitted, registry, company, readings).frames["ranking"])
        same = whole.loc[alone.index]
        pd.testing.assert_frame_equal(
            alone[same.columns.intersection(alone.columns)], same[alone.columns], check_exact=True
        )


def test_order_of_sites_changes_nothing(scored, cohort, fitted, registry, company, readings):
    turned = score(cohort.take(np.arange(len(cohort))[::-1].copy()), fitted, registry, company, readings)
    pd.testing.assert_frame_equal(by_key(turned.frames["ranking"]), by_key(scored.frames["ranking"]), check_exact=True)


def test_npv_falls_as_cost_rises(scored, cohort, fitted, registry, company, readings):
    dearer = company.model_copy(
        update={"money": company.money.model_copy(update={"markup_share": company.money.markup_share + 0.5})}
    )
    before = by_key(scored.frames["ranking"])["npv_usual"].dropna()
    after = by_key(score(cohort, fitted, registry, dearer, readings, ranges=False).frames["ranking"])["npv"].reindex(
        before.index
    )
    upfront = by_key(scored.frames["ranking"])["upfront"].reindex(before.index)
    assert (after[upfront > 0] < before[upfront > 0]).all()


def test_nothing_is_counted_beyond_the_horizon(cohort, fitted, registry, company, readings):
    short = company.model_copy(update={"money": company.money.model_copy(update={"horizon_years": 10})})
    flows = score(cohort, fitted, registry, short, readings, ranges=False).frames["cash_flow"]
    assert flows["year"].max() == 10


def test_npv_is_the_sum_of_the_stored_discounted_cash_flow(scored):
    sums = scored.frames["cash_flow"].groupby(["site_id", "retrofit"])["discounted"].sum()
    ranking = by_key(scored.frames["ranking"])[["npv", "chance_allowed"]]
    sums = sums[sums.index.isin(ranking.index)]  # sets of several have a cash flow too
    ranking = ranking.reindex(sums.index).astype(float)
    assert len(sums) > 0
    # what has to be asked first has the cash flow of those whom the answers allow it
    np.testing.assert_allclose(sums * ranking["chance_allowed"], ranking["npv"], rtol=1e-9)


def test_upfront_is_the_sum_of_the_cost_items(scored):
    items = scored.frames["cost_item"]
    once = items[~items["every_year"]].groupby(["site_id", "retrofit"])["price"].sum()
    upfront = by_key(scored.frames["ranking"])["upfront"].dropna()
    np.testing.assert_allclose(once.reindex(upfront.index).fillna(0.0), upfront, rtol=1e-9)


def test_every_site_and_retrofit_has_a_row_a_reason_and_safety_notes(scored, cohort, registry):
    ranking = by_key(scored.frames["ranking"])
    assert len(ranking) == len(cohort) * len(registry.retrofits)
    assert all(len(reason_text(row, "EUR")) > 1 for row in ranking.to_dict("records"))
    noted = scored.frames["safety_note"].groupby(["site_id", "retrofit"]).size()
    assert (noted.reindex(ranking.index).fillna(0) > 0).all()


def test_what_is_fitted_is_not_offered_within_its_life(cohort, registry, company, demo, readings):
    site = cohort.sites.index[0]
    rows = [(site, loaded.id, pd.Timestamp(demo.as_of) - pd.Timedelta(days=30), "") for loaded in registry.retrofits]
    fitted = pd.DataFrame(rows, columns=["site_id", "retrofit", "fitted_on", "remark"])
    ranking = score(cohort, fitted, registry, company, readings, ranges=False).frames["ranking"]
    assert set(ranking.loc[ranking["site_id"] == site, "status"]) == {Status.ALREADY_FITTED}
    others = ranking[ranking["site_id"] != site]
    assert Status.ALREADY_FITTED not in set(others["status"])


@pytest.mark.parametrize(("share_of_life", "fitted_still"), [(0.98, True), (1.02, False)])
def test_what_is_fitted_is_so_for_its_usual_life(
    cohort, registry, company, demo, readings, share_of_life, fitted_still
):
    rows = [
        (
            cohort.sites.index[0],
            loaded.id,
            pd.Timestamp(demo.as_of) - pd.Timedelta(days=365.25 * share_of_life * life),
            "",
        )
        for loaded in registry.retrofits
        if (life := loaded.retrofit.about.life.mode) > loaded.retrofit.about.life.low / 0.9
    ]
    assert len(rows) >= 3
    fitted = pd.DataFrame(rows, columns=["site_id", "retrofit", "fitted_on", "remark"])
    ranking = by_key(score(cohort, fitted, registry, company, readings, ranges=False).frames["ranking"])
    mine = ranking.loc[[(site, retrofit) for site, retrofit, *_ in rows], "status"]
    assert set(mine == Status.ALREADY_FITTED) == {fitted_still}


def test_what_is_fitted_and_dangerous_all_the_same_is_to_be_inspected(cohort, registry, company, demo, readings):
    connectors = Registry(tuple(one for one in registry.retrofits if one.id == "connector_replacement"), (), (), ())
    sites = cohort.sites.index
    fitted = pd.DataFrame({"site_id": sites, "retrofit": connectors.retrofits[0].id, "fitted_on": demo.as_of})
    fitted["fitted_on"] = pd.to_datetime(fitted["fitted_on"])
    tables = score(cohort, fitted, connectors, company, readings, ranges=False).frames
    notes = tables["safety_note"]
    danger = sites.isin(notes.loc[notes["tell_owner"], "site_id"])
    assert 0 < danger.sum() < len(sites)
    ranking = tables["ranking"].set_index("site_id").loc[sites]
    assert set(ranking["status"]) == {Status.ALREADY_FITTED}
    assert set(ranking.loc[danger, "obstacle"]) == {Obstacle.FITTED_WITH_DANGER}
    assert set(ranking.loc[~danger, "obstacle"]) == {Obstacle.FITTED}
    assert "inspect it" in reason_text(ranking[danger].iloc[0], "EUR")


def test_beyond_the_farthest_distance_nothing_is_offered(cohort, fitted, registry, company, readings):
    near = company.model_copy(update={"travel": company.travel.model_copy(update={"max_distance_km": 0.0})})
    ranking = score(cohort, fitted, registry, near, readings, ranges=False).frames["ranking"]
    assert set(ranking["status"]) <= {Status.NOT_APPLICABLE, Status.ALREADY_FITTED}


def test_a_missing_price_is_named_and_harms_nobody_else(scored, cohort, fitted, registry, company, readings):
    materials = {key: cost for key, cost in company.materials.items() if key != "bird_mesh"}
    result = score(cohort, fitted, registry, company.model_copy(update={"materials": materials}), readings)
    (failure,) = result.failures
    assert (failure.plugin, failure.during) == ("bird_mesh", "price")
    assert "bird_mesh = " in failure.reason
    kept = by_key(result.frames["ranking"]).drop(index="bird_mesh", level="retrofit")
    before = by_key(scored.frames["ranking"]).drop(index="bird_mesh", level="retrofit")
    pd.testing.assert_frame_equal(kept, before, check_exact=True)
