"""The page of columns is the dictionary's."""

from __future__ import annotations

from pathlib import Path

from column_reference import reference_markdown

README = Path(__file__).parents[4] / "core" / "README.md"


def test_core_readme_lists_the_columns_of_the_dictionary():
    assert reference_markdown().strip() in README.read_text(encoding="utf-8")
