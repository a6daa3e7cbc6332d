"""Skylines: points by site and direction, loaded, mended and read back."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from aftersun.inventory.loading import rejects
from aftersun.inventory.loading.load import load_file
from aftersun.inventory.store import read
from aftersun.inventory.store.file import Inventory
from aftersun.model.cohort import Horizon

Write = Callable[[str, str], Path]
HEADER = "site_id,azimuth_deg,height_deg\n"


def test_points_become_skylines(loaded: Inventory, write: Write) -> None:
    path = write("horizon.csv", f"{HEADER}S1,270,4\nS1,7.5,2\nS2,180,12\nS1,360,3\n")
    assert load_file(loaded, "horizon", path).added == 4
    assert read.horizons(loaded) == {
        "S1": Horizon((0.0, 7.5, 270.0), (3.0, 2.0, 4.0)),
        "S2": Horizon((180.0,), (12.0,)),
    }


def test_a_point_given_again_changes_the_height(loaded: Inventory, write: Write) -> None:
    load_file(loaded, "horizon", write("horizon.csv", f"{HEADER}S1,7.5,2\n"))
    report = load_file(loaded, "horizon", write("again.csv", f"{HEADER}S1,7.50,5\n"))
    assert (report.added, report.changed) == (0, 1)
    assert read.horizons(loaded) == {"S1": Horizon((7.5,), (5.0,))}


def test_a_point_that_cannot_be_is_kept_until_it_is_mended(loaded: Inventory, write: Write) -> None:
    report = load_file(loaded, "horizon", write("horizon.csv", f"{HEADER}S1,90,120\nS9,90,5\n"))
    assert (report.added, report.rejected) == (0, 2)
    assert list(rejects.open_rejects(loaded)["column_name"]) == ["height_deg", "site_id"]
    load_file(loaded, "horizon", write("horizon.csv", f"{HEADER}S1,90,12\n"))
    assert list(rejects.open_rejects(loaded)["column_name"]) == ["site_id"]
    assert read.horizons(loaded) == {"S1": Horizon((90.0,), (12.0,))}


def test_no_skyline_is_none(loaded: Inventory) -> None:
    assert read.horizons(loaded) == {}
