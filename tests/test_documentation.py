"""What the documentation names is there, and its tables can be read."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

TOP = Path(__file__).parents[1]
PAGES = (
    "README.md",
    "DEVELOPERS.md",
    *(f"{name}/README.md" for name in ("core", "plugins", "datasets", "reports", "tests")),
)
CODE = re.compile(r"`([^`\n]+)`")
FILE = re.compile(r"[\w./-]+\.(py|csv|toml|typ|md)")
TEST = re.compile(r"\btest_\w+")
LONGEST_CELL = 200  # two lines of a wide window


def _lines(page: str) -> list[str]:
    """Return the page's lines outside of fenced blocks, which show what a reader would write."""
    text = (TOP / page).read_text(encoding="utf-8")
    return re.sub(r"^```.*?^```$", "", text, flags=re.MULTILINE | re.DOTALL).splitlines()


@pytest.fixture(scope="module")
def files() -> list[str]:
    """All files of the project, hidden ones apart."""
    found = (path.relative_to(TOP) for path in TOP.rglob("*") if path.is_file())
    return [path.as_posix() for path in found if not any(part.startswith(".") for part in path.parts)]


@pytest.mark.parametrize("page", PAGES)
def test_a_file_that_is_named_is_there(page: str, files: list[str]) -> None:
    named = {match for line in _lines(page) for match in CODE.findall(line) if FILE.fullmatch(match)}
    there = {name for name in named if any(f"/{file}".endswith(f"/{name.removeprefix('./')}") for file in files)}
    assert named - there - EXAMPLES == set()


# what a reader makes by following the page
EXAMPLES = {"company.toml", "company.mapping.toml", "my-folder/roof_wash.py"}


@pytest.mark.parametrize("page", PAGES)
def test_a_test_that_is_named_is_there(page: str) -> None:
    named = {match for line in _lines(page) for code in CODE.findall(line) for match in TEST.findall(code)}
    tests = (TOP / "tests").rglob("*.py")
    there = {path.stem for path in (TOP / "tests").rglob("*.py")}
    there |= {name for path in tests for name in re.findall(r"def (test_\w+)", path.read_text(encoding="utf-8"))}
    assert {name for name in named if not any(known.startswith(name) for known in there)} == set()


@pytest.mark.parametrize("page", PAGES)
def test_no_cell_of_a_table_is_longer_than_two_lines(page: str) -> None:
    cells = [cell.strip() for line in _lines(page) if line.startswith("|") for cell in line.strip("|").split("|")]
    assert [cell for cell in cells if len(cell) > LONGEST_CELL] == []
