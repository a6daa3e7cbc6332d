"""Records of arrays taken as one, by hand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from aftersun.model.records import choose, each_array, put, take


@dataclass(frozen=True, eq=False)
class Energy:
    kwh: Mapping[str, np.ndarray]
    months: np.ndarray


def energy(*kwh: float) -> Energy:
    return Energy({"used": np.array(kwh)}, np.outer(kwh, [1.0, 2.0]))


def test_a_record_is_taken_and_put_with_all_that_is_in_it() -> None:
    some = take(np.array([2, 0]), energy(1, 2, 3))
    assert some.kwh["used"].tolist() == [3, 1]
    assert some.months.tolist() == [[3, 6], [1, 2]]
    assert take(np.array([False, True, False]), energy(1, 2, 3)).kwh["used"].tolist() == [2]
    before = energy(1, 2, 3)
    after = put(np.array([2, 0]), before, energy(30, 10))
    assert after.kwh["used"].tolist() == [10, 2, 30]
    assert after.months.tolist() == [[10, 20], [2, 4], [30, 60]]
    assert before.kwh["used"].tolist() == [1, 2, 3]


def test_each_site_has_the_option_chosen() -> None:
    chosen = choose(
        np.array([0, 1, 0]), (energy(1, 2, 3), np.array(["a", "b", "c"])), (energy(4, 5, 6), np.array(["d", "e", "f"]))
    )
    assert chosen[0].kwh["used"].tolist() == [1, 5, 3]
    assert chosen[0].months.tolist() == [[1, 2], [5, 10], [3, 6]]
    assert chosen[1].tolist() == ["a", "e", "c"]


def test_several_records_are_one_by_a_function() -> None:
    total = each_array(lambda *values: np.sum(values, axis=0), energy(1, 2), energy(10, 20), energy(100, 200))
    assert total.kwh["used"].tolist() == [111, 222]
    assert isinstance(total, Energy)
