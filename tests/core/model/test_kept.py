"""Results that are kept with a record."""

from __future__ import annotations

import pickle
from collections.abc import Iterator

import numpy as np
import pytest

from aftersun.model.records import Kept


def test_a_result_is_worked_out_once_and_cannot_be_written() -> None:
    kept, asked = Kept(), []

    def work() -> tuple[np.ndarray, str]:
        asked.append(1)
        return np.zeros(3), "text"

    first = kept.once("name", work)
    assert kept.once("name", work) is first
    assert asked == [1]
    with pytest.raises(ValueError, match="read-only"):
        first[0][0] = 1


def test_each_distinct_key_is_computed_once_and_only_the_newest_stay() -> None:
    kept, asked = Kept(), []

    def work(missing: list[int]) -> Iterator[np.ndarray]:
        asked.extend(missing)
        yield from (np.full(2, float(key)) for key in missing)

    rows = kept.recall("kind", [3, 1, 3, 2], work, 2)
    assert [row[0] for row in rows] == [3.0, 1.0, 3.0, 2.0]
    assert asked == [3, 1, 2]
    with pytest.raises(ValueError, match="read-only"):
        rows[0][0] = 1
    assert list(kept["kind"]) == [1, 2]
    kept.recall("kind", [1, 3], work, 2)
    assert asked == [3, 1, 2, 3]


def test_nothing_is_sent_along() -> None:
    kept = Kept(name=1)
    assert pickle.loads(pickle.dumps(kept)) == {}
