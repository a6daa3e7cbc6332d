"""What plugins/aftersun_retrofits/README.md says of the retrofits: each is there, and the tests that it names exist."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from aftersun.host.registry import find_plugins

TOP = Path(__file__).parents[2]
TEXT = (TOP / "plugins" / "aftersun_retrofits" / "README.md").read_text(encoding="utf-8")
SECTIONS = dict(re.findall(r"^## `(\w+)`\n(.*?)(?=^## |\Z)", TEXT, flags=re.MULTILINE | re.DOTALL))


def test_every_retrofit_of_the_program_has_its_section() -> None:
    files = {path.stem for path in (TOP / "plugins" / "aftersun_retrofits").glob("[a-z]*.py")}
    assert set(SECTIONS) == files
    assert set(SECTIONS) <= {loaded.id for loaded in find_plugins().retrofits}


@pytest.mark.parametrize("retrofit", SECTIONS)
def test_a_section_says_all_and_names_tests_that_exist(retrofit: str) -> None:
    section = SECTIONS[retrofit]
    for part in ("**Changes**", "**Model:**", "**Sources:**", "**Limits:**"):
        assert part in section
    tests = (TOP / "tests" / "plugins" / f"test_{retrofit}.py").read_text(encoding="utf-8")
    named = re.findall(r"`(test_\w+)`", section)
    assert [name for name in named if f"def {name}(" not in tests] == []
    assert all((TOP / file).is_file() for file in re.findall(r"`((?:tests|core)/[\w/.]+)`", section))
    assert named
