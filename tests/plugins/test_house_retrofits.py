"""Laws for the retrofits without work on the roof: a site's answer depends on that site alone."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pandas as pd
import pytest

import aftersun_datasets
from aftersun import api
from aftersun.host.assumed import assumed
from aftersun.host.guard import check_change, check_notes, check_screening
from aftersun.inventory.dictionary import columns
from aftersun.model.plant import column_names
from aftersun_retrofits.degradation_mitigation import DegradationMitigation
from aftersun_retrofits.hot_water_diverter import HotWaterDiverter
from aftersun_retrofits.monitoring_add_on import MonitoringAddOn

RETROFITS = [MonitoringAddOn(), HotWaterDiverter(), DegradationMitigation()]
NEEDED = ("site_id", "customer_id", "latitude", "longitude", "import_price", "valid_from", "tariff_id")

ODD = [
    {},
    {
        "water_heat": "combi boiler",
        "inverter_topology": "module level",
        "monitoring": "portal somebody reads",
    },
    {
        "water_heat": "immersion",
        "water_store_litres": 210.0,
        "element_kw": 3.0,
        "battery_kwh": 9.0,
        "occupants": 4,
    },
    {
        "water_heat": "gas boiler",
        "gas_price": 0.1,
        "water_store_litres": 120.0,
        "element_kw": 0.0,
        "roof_kind": "ground",
    },
    {"cell_type": "p-type crystalline", "measured_excess_loss": 0.3, "humid_or_coastal": True},
    {"cell_type": "thin film", "measured_excess_loss": 0.8, "inverter_topology": "isolated"},
    {"warranty_until": datetime(2040, 1, 1), "inverter_year": 2040, "monitoring": "portal nobody reads"},
    {"inverter_year": 1990, "owner_present": False, "internet_at_inverter": False, "monitoring": "none"},
    {"export_rule": "no export", "water_heat": "heat pump", "water_store_litres": 5000.0, "element_kw": 12.0},
]

each_retrofit = pytest.mark.parametrize("retrofit", RETROFITS, ids=lambda retrofit: retrofit.about.id)


def nothing_known() -> dict[str, object]:
    names = [c.name for table in ("site", "tariff") for c in columns(table) if not c.personal]
    return {name: pd.NA for name in names if name not in NEEDED}


@pytest.fixture
def odd(build) -> api.Cohort:
    return build(*ODD, nothing_known())


def change_of(retrofit: api.Retrofit, cohort: api.Cohort, plant: api.Plant) -> api.Change:
    return retrofit.change(cohort, plant, assumed(retrofit, {}, {}))


def per_site(retrofit: api.Retrofit, cohort: api.Cohort) -> pd.DataFrame:
    """All that a retrofit says of one-array sites, one row a site."""
    screening, notes = retrofit.screen(cohort), retrofit.safety(cohort)
    change = change_of(retrofit, cohort, api.baseline(cohort))
    table = {name: getattr(change.plant, name) for level in ("array", "site") for name in column_names(level)}
    table |= {f"{line.kind} {line.item}": line.quantity for line in (*change.costs, *change.yearly)}
    table |= {"status": screening.status, "reason": screening.reason, "remark": change.remarks}
    table["notes"] = [",".join(note.id for note in notes.for_site(row)) for row in range(len(cohort))]
    return pd.DataFrame(table, index=cohort.sites.index)


@each_retrofit
def test_answers_are_complete_for_odd_sites(retrofit, odd):
    check_screening(retrofit.screen(odd), len(odd))
    check_notes(retrofit.safety(odd), len(odd))
    change = change_of(retrofit, odd, api.baseline(odd))
    check_change(change, len(odd), len(odd.arrays), retrofit.about.price_items)


@each_retrofit
def test_a_site_alone_answers_as_in_the_batch(retrofit, odd):
    batch = per_site(retrofit, odd)
    for row in range(len(odd)):
        alone = per_site(retrofit, odd.take(np.array([row])))
        pd.testing.assert_frame_equal(alone, batch.iloc[[row]], check_exact=True)


@each_retrofit
def test_the_order_of_sites_does_not_matter(retrofit, odd):
    backwards = odd.take(np.arange(len(odd))[::-1])
    pd.testing.assert_frame_equal(per_site(retrofit, backwards).iloc[::-1], per_site(retrofit, odd), check_exact=True)


@each_retrofit
def test_what_is_handed_in_stays_as_it_was(retrofit, odd):
    sites, arrays, plant = odd.sites.copy(deep=True), odd.arrays.copy(deep=True), api.baseline(odd)
    before = {name: getattr(plant, name).copy() for level in ("array", "site") for name in column_names(level)}
    retrofit.screen(odd), retrofit.safety(odd), change_of(retrofit, odd, plant)
    pd.testing.assert_frame_equal(odd.sites, sites)
    pd.testing.assert_frame_equal(odd.arrays, arrays)
    for name, values in before.items():
        np.testing.assert_array_equal(getattr(plant, name), values)


@each_retrofit
def test_no_sites_give_no_answers(retrofit, odd):
    nobody = odd.take(np.array([], dtype=np.intp))
    assert len(retrofit.screen(nobody).status) == 0
    assert retrofit.safety(nobody).size == 0
    assert len(change_of(retrofit, nobody, api.baseline(nobody)).plant.standby_kwh) == 0


@each_retrofit
def test_where_nothing_is_known_somebody_asks_first(retrofit, odd):
    assert retrofit.screen(odd).status[-1] == api.SURVEY_FIRST


@each_retrofit
def test_mains_work_is_for_licensed_people_and_local_rules_come_first(retrofit, odd):
    notes = retrofit.safety(odd)
    for row in range(len(odd)):
        found = {note.id: note for note in notes.for_site(row)}
        assert "licensed" in found["mains_licensed"].who
        assert "local_rules" in found


@each_retrofit
def test_the_price_book_has_what_it_needs(retrofit, odd):
    kinds = {row["key"]: row["kind"] for row in aftersun_datasets.rows("price_items.csv")}
    change = change_of(retrofit, odd, api.baseline(odd))
    for line in (*change.costs, *change.yearly):
        assert kinds[line.item] == line.kind


@each_retrofit
def test_the_columns_it_says_it_reads_exist(retrofit):
    known = {c.name for table in ("site", "array", "tariff") for c in columns(table)}
    assert set(retrofit.about.reads) <= known
    assert retrofit.claims
