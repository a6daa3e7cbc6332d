"""What stands on a site puts its safety note on everybody's work there, whatever is offered and whoever does it."""

from __future__ import annotations

import pandas as pd
import pytest

from aftersun import api
from aftersun.documents.run_view import RunView
from aftersun.inventory.store.file import Inventory
from aftersun.model.change import Notes
from aftersun.scoring.offers.standing_devices import with_standing_devices
from aftersun.scoring.run.demo import Demo
from aftersun.testing import sample_cohort

FITTED = pd.DataFrame(
    [("S2", "hot_water_diverter", "1999-01-01"), ("S3", "degradation_mitigation", "2025-01-01")],
    columns=["site_id", "retrofit", "fitted_on"],
)


def test_each_device_that_stands_brings_its_note_however_old_it_is() -> None:
    sites = [{"battery_kwh": kwh} for kwh in (5.0, 0.0, None)]
    cohort = sample_cohort(*sites)
    ids = list(cohort.sites.index)
    fitted = FITTED.assign(site_id=ids[1:])
    own = Notes.of(cohort).add(api.Note("height", api.DANGER, "A fall kills.", "people trained", "assumption"))
    notes = with_standing_devices(own, cohort, fitted)
    assert [{note.id for note in notes.for_site(row)} for row in range(3)] == [
        {"height", "standing_battery"},
        {"height", "standing_diverter"},
        {"height", "standing_night_voltage"},
    ]
    assert all(note.severity == api.DANGER and note.source for row in range(3) for note in notes.for_site(row))


@pytest.fixture(scope="module")
def stored(demo: Demo) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        view = RunView(inventory)
        fitted = inventory.connection.execute("SELECT site_id, retrofit FROM fitted").df()
        return view.sites(), fitted, view.table("safety_note"), view.table("offer_member")


def test_every_offer_on_such_a_site_carries_the_note(stored: tuple[pd.DataFrame, ...]) -> None:
    sites, fitted, notes, members = stored
    battery = set(sites.loc[sites["battery_kwh"].fillna(0) > 0, "site_id"])
    fitted_at = fitted.groupby("retrofit")["site_id"].agg(set).to_dict()
    devices = {"battery": battery, "night_voltage": fitted_at.get("degradation_mitigation", set())}
    devices["diverter"] = fitted_at.get("hot_water_diverter", set())
    offered = set(zip(members["site_id"], members["retrofit"], strict=True))
    carrying = set()
    for device, stands in devices.items():
        having = notes[notes["note_id"] == f"standing_{device}"]
        work = notes.loc[notes["site_id"].isin(stands), ["site_id", "retrofit"]].drop_duplicates()
        assert len(having) == len(work)  # of every retrofit, mesh and coating too
        pairs = set(zip(having["site_id"], having["retrofit"], strict=True))
        assert pairs == set(zip(work["site_id"], work["retrofit"], strict=True))
        assert {pair for pair in offered if pair[0] in stands} <= pairs
        carrying |= {pair for pair in offered if pair in pairs}
    assert battery
    assert carrying
