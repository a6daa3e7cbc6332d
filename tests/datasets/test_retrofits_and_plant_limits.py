"""Who the retrofits are and what a plant may hold: each row belongs to something that there is."""

from __future__ import annotations

import tomllib
from pathlib import Path

import aftersun_datasets
from aftersun.energy.baseline import baseline
from aftersun.model.plant import PER_ARRAY, PER_SITE
from aftersun.testing import sample_cohort

TOP = Path(__file__).parents[2]


def test_each_retrofit_of_the_program_has_its_section_and_no_other() -> None:
    known = tomllib.loads(aftersun_datasets.path("retrofits.toml").read_text(encoding="utf-8"))
    sections = {name for name, entry in known.items() if isinstance(entry, dict)}
    assert sections == {path.stem for path in (TOP / "plugins" / "aftersun_retrofits").glob("[a-z]*.py")}


def test_limits_are_of_plant_columns_and_hold_what_an_ordinary_home_has() -> None:
    plant = baseline(sample_cohort())
    rows = aftersun_datasets.rows("plant_limits.csv")
    assert {row["column"] for row in rows} <= {*PER_ARRAY, *PER_SITE}
    for row in rows:
        values = getattr(plant, row["column"])
        assert row["source"]
        assert (float(row["low"]) <= values).all()
        assert (values <= float(row["high"])).all()
