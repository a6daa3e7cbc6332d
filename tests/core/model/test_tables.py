"""One reader for each kind of data table."""

from __future__ import annotations

import csv

import pytest

import aftersun_datasets
from aftersun import api
from aftersun.model import tables


def test_ranges_are_those_of_the_file_and_cannot_be_written() -> None:
    with aftersun_datasets.path("system.csv").open(encoding="utf-8", newline="") as handle:
        rows = {row["name"]: row for row in csv.DictReader(handle)}
    known = tables.ranges("system.csv")
    assert list(known) == list(rows)
    for name, row in rows.items():
        assert [known[name].low, known[name].mode, known[name].high] == [
            float(row[end]) for end in ("low", "mode", "high")
        ]
        assert tables.mode("system.csv", name) == float(row["mode"])
    with pytest.raises(TypeError):
        known["ageing_per_year"] = known["inverter_efficiency"]  # type: ignore[index]


def test_settings_are_read_by_section_and_tests_by_fact_and_way() -> None:
    assert tables.settings("money")["real_discount_rate"].mode == 0.05
    assert "real_discount_rate" not in tables.settings("month")
    assert tables.fact_tests()["birds_seen", "visit"] == (0.95, 0.98, "survey_visit")


def test_what_a_plugin_reads_is_its_own_to_change() -> None:
    own = api.read_ranges("aftersun_datasets", "system.csv")
    own.clear()
    assert api.read_ranges("aftersun_datasets", "system.csv")
