"""A demo inventory, made and ranked once for the whole session."""

from __future__ import annotations

import pytest

from aftersun.scoring.demo import Demo, make_demo
from aftersun.scoring.rank import Settings, rank


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    made = make_demo(tmp_path_factory.mktemp("scoring") / "demo")
    rank(made.inventory, Settings(made.company, made.as_of))
    return made
