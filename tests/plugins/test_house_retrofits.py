"""What the retrofits without work on the roof share beyond the rules of the kit."""

from __future__ import annotations

import pytest

from aftersun import api
from aftersun.testing import odd_sites, sample_cohort, unknown_site
from aftersun_retrofits.degradation_mitigation import DegradationMitigation
from aftersun_retrofits.hot_water_diverter import HotWaterDiverter
from aftersun_retrofits.monitoring_add_on import MonitoringAddOn

each_retrofit = pytest.mark.parametrize(
    "retrofit", [MonitoringAddOn(), HotWaterDiverter(), DegradationMitigation()], ids=lambda retrofit: retrofit.about.id
)


@each_retrofit
def test_where_nothing_is_known_somebody_asks_first(retrofit):
    assert retrofit.screen(sample_cohort(unknown_site())).status.tolist() == [api.SURVEY_FIRST]


@each_retrofit
def test_mains_work_is_for_licensed_people_and_local_rules_come_first(retrofit):
    cohort = sample_cohort(*odd_sites())
    notes = retrofit.safety(cohort)
    for row in range(len(cohort)):
        found = {note.id: note for note in notes.for_site(row)}
        assert "licensed" in found["mains_licensed"].who
        assert "local_rules" in found
