"""The company's own values replace assumptions, within what can be true."""

from __future__ import annotations

import pytest

from aftersun.host.assumed import assumed
from aftersun.host.registry import find_plugins
from aftersun.model.errors import AftersunError

MESH = next(loaded.retrofit for loaded in find_plugins().retrofits if loaded.id == "bird_mesh")


def test_an_override_is_in_force_and_the_rest_stays():
    values = assumed(MESH, {"mesh_extra_temp_k": 2.0}, {"birds_seen": 0.3})
    assert values["mesh_extra_temp_k"] == 2.0
    assert values["droppings_left"] == MESH.assumptions["droppings_left"].mode


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("life_years", 0.0, "less than a year"),
        ("life_years", -5.0, "less than a year"),
        ("life_years", 1e9, "times what is usual"),
        ("droppings_left", -0.1, "below 0"),
        ("droppings_left", 30.0, "more than the whole"),
        ("mesh_min_per_m", 1e6, "times what is usual"),
        ("mesh_min_per_m", float("nan"), "not a number"),
    ],
)
def test_what_cannot_be_true_is_refused_with_the_usual_range(name, value, says):
    with pytest.raises(AftersunError, match=says) as caught:
        assumed(MESH, {name: value}, {})
    assert MESH.assumptions[name].unit in caught.value.hint


def test_an_override_of_nothing_names_what_there_is():
    with pytest.raises(AftersunError, match="assumes no such thing") as caught:
        assumed(MESH, {"life_yeers": 5.0}, {})
    assert "life_years" in caught.value.hint
