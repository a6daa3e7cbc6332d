"""Every installed retrofit keeps the rules of the kit, whoever wrote it."""

from __future__ import annotations

import pytest

from aftersun.host.registry import find_plugins
from aftersun.testing import RetrofitConformance

REGISTRY = find_plugins()
QUICK = ("bird_mesh",)  # the whole kit for all takes a minute

for loaded in REGISTRY.retrofits:
    name = f"Test_{loaded.id}"
    marks = [] if loaded.id in QUICK else [pytest.mark.slow]
    globals()[name] = type(name, (RetrofitConformance,), {"retrofit": loaded.retrofit, "pytestmark": marks})


def test_all_plugins_load():
    assert REGISTRY.failures == ()
    assert len(REGISTRY.retrofits) >= 7
