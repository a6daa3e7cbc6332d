"""The example in plugins/README.md is a working plugin."""

from __future__ import annotations

import re
from pathlib import Path

from aftersun import api
from aftersun.host.assumed import assumed
from aftersun.host.guard import Guard
from aftersun.host.registry import find_plugins

GUIDE = Path(__file__).parents[2] / "plugins" / "README.md"


def test_the_example_of_the_guide_works(tmp_path, cohort):
    (example,) = re.findall(r"```python\n(.*?)```", GUIDE.read_text(encoding="utf-8"), re.S)
    (tmp_path / "roof_wash.py").write_text(example, encoding="utf-8")
    registry = find_plugins(folder=tmp_path)
    assert registry.failures == ()
    (wash,) = (loaded for loaded in registry.retrofits if loaded.id == "roof_wash")
    guard, plant = Guard(), api.baseline(cohort)
    assert guard.screen(wash, cohort) is not None
    assert guard.safety(wash, cohort) is not None
    change = guard.change(wash, cohort, plant, assumed(wash.retrofit, {}, {}))
    assert guard.failures == []
    assert change is not None
    before, after = (api.simulate(cohort, state).annual("generated") for state in (plant, change.plant))
    assert (after > before).all()


def test_every_built_in_retrofit_is_in_the_table():
    text = GUIDE.read_text(encoding="utf-8")
    for loaded in find_plugins().retrofits:
        assert f"`{loaded.id}`" in text
