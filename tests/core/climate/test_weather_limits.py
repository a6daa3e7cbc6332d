"""Every limit has a range, a unit and a source, and every one is used."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import aftersun.climate
import aftersun_datasets
from aftersun.climate.limits import limit
from aftersun.model.ranges import Range

ROWS = aftersun_datasets.rows("weather_limits.csv")


def test_rows_are_ranges_with_meaning() -> None:
    assert all(Range.from_row(row).meaning for row in ROWS)
    assert len({row["name"] for row in ROWS}) == len(ROWS)


def test_names_in_the_code_and_in_the_file_are_the_same() -> None:
    code = "".join(path.read_text(encoding="utf-8") for path in Path(aftersun.climate.__path__[0]).rglob("*.py"))
    assert set(re.findall(r'limit\("(\w+)"\)', code)) == {row["name"] for row in ROWS}


def test_unknown_limit() -> None:
    with pytest.raises(KeyError):
        limit("no such limit")
