"""Every installed retrofit keeps the rules of the kit, whoever wrote it."""

from __future__ import annotations

from aftersun.host.registry import find_plugins
from aftersun.testing import RetrofitConformance

REGISTRY = find_plugins()

for loaded in REGISTRY.retrofits:
    name = f"Test_{loaded.id}"
    globals()[name] = type(name, (RetrofitConformance,), {"retrofit": loaded.retrofit})


def test_all_plugins_load():
    assert REGISTRY.failures == ()
    assert len(REGISTRY.retrofits) >= 7
