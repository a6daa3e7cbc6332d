"""Fixtures that tests share."""

from __future__ import annotations

import gc
import lzma
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from demo_support import once_for_all, ranked_demo
from hypothesis import HealthCheck, settings
from tests_support import make_weather

import aftersun_datasets
from aftersun.host import registry
from aftersun.model.cohort import Cohort
from aftersun.model.weather import HOURS_PER_YEAR, WeatherYear
from aftersun.money.company import Company, load_company
from aftersun.scoring.run.demo import AS_OF, Demo
from aftersun.testing import sample_cohort

FEW = 3
# A busy machine fails no test: no deadline, no check of how long an example takes. The same few examples every time
# and nothing left behind; `--hypothesis-profile drawn` takes more, and others each time.
_ANY_MACHINE = {
    "deadline": None,
    "print_blob": True,
    "database": None,
    "suppress_health_check": [HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
}
settings.register_profile("drawn", **_ANY_MACHINE)
settings.register_profile("same", derandomize=True, max_examples=10, **_ANY_MACHINE)
settings.load_profile("same")


@pytest.hookimpl(tryfirst=True)  # before tests are chosen by their marks
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Of a test with many cases marked ``few_quick`` the first three are quick, the others slow; long ones are slow."""
    seen: Counter[str] = Counter()
    for item in items:
        if item.get_closest_marker("long"):
            item.add_marker(pytest.mark.slow)
        if item.get_closest_marker("few_quick"):
            test = item.nodeid.partition("[")[0]
            seen[test] += 1
            if seen[test] > FEW:
                item.add_marker(pytest.mark.slow)


def pytest_collection_finish() -> None:
    """Collect garbage seldom, and leave out what imports made: a tenth of the tests' time."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(100_000, 50, 100)


@pytest.fixture(autouse=True)
def _foreign_plugins_are_tried_in_slow_tests_alone(
    request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What did not come along is loaded in a process of its own first, which takes seconds each time."""
    if not request.node.get_closest_marker("slow"):
        monkeypatch.setattr(registry, "_tried", lambda *_: {})


@pytest.fixture(scope="session")
def samples(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of public weather years, unpacked from ``data/weather``; its README says where they come from."""
    folder = tmp_path_factory.mktemp("samples")
    for packed in (Path(__file__).parent / "data" / "weather").glob("*.xz"):
        (folder / packed.stem).write_bytes(lzma.decompress(packed.read_bytes()))
    return folder


@pytest.fixture
def weather() -> WeatherYear:
    rain = np.zeros(HOURS_PER_YEAR)
    rain[12 :: 24 * 30] = 12.0  # one good shower a month
    return make_weather(rain)


@pytest.fixture
def cohort(weather: WeatherYear) -> Cohort:
    """Two ordinary sites, the second with two arrays."""
    two_arrays = [{}, {"azimuth_deg": 90.0, "dc_rating_kw": 2.0}]
    return sample_cohort({}, {"birds_seen": True, "inverter_rating_kw": 6.0, "arrays": two_arrays}, weather=weather)


@pytest.fixture(scope="session")
def company() -> Company:
    """The demo's company."""
    return load_company(aftersun_datasets.path("demo/company.toml"))


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """The demo with 45 of its sites, ranked once for all processes; copy its folder before changing anything in it."""
    folder = once_for_all(tmp_path_factory, "ranked-demo", ranked_demo)
    return Demo(folder / "demo.duckdb", folder / "company.toml", folder / "tables", AS_OF, 0, 0)
