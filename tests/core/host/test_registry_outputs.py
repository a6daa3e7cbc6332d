"""Outputs are checked when they are found: one that cannot be written is named and stops nobody else."""

from __future__ import annotations

import pytest

from aftersun.host.registry import find_plugins

PLUGIN = """
from aftersun import api

class Page:
    id = "page"
    writes = "A page."
    of = api.OF_RUN
    personal = False
    def write(self, run, folder, settings):
        return []

{change}

@api.hookimpl
def aftersun_outputs():
    return [{outputs}]
"""


def registry_of(tmp_path, change="", outputs="Page()", off=()):
    (tmp_path / "pages.py").write_text(PLUGIN.format(change=change, outputs=outputs), encoding="utf-8")
    return find_plugins(off, tmp_path)


def test_an_output_is_found_with_where_it_is_from(tmp_path):
    registry = registry_of(tmp_path)
    assert "page" in [output.id for output in registry.outputs]
    assert registry.output_origins["page"] == "file"
    assert registry.failures == ()


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ("Page.id = 'My page'", "no 'id' of lower-case letters"),
        ("Page.id = '../up'", "no 'id' of lower-case letters"),
        ("del Page.id", "no 'id' of lower-case letters"),
        ("Page.writes = ' '", "does not say in 'writes'"),
        ("Page.of = 'site'", "has to be 'of' a run or a letter"),
        ("Page.personal = 'no'", "'personal' whether it needs names"),
        ("Page.of = api.OF_LETTER", "writes letters, which need names"),
        ("Page.write = None", "no method 'write'"),
        ("Page.id = property(lambda self: 1 / 0)", "ZeroDivisionError"),
    ],
)
def test_one_that_cannot_be_written_is_named(tmp_path, change, reason):
    registry = registry_of(tmp_path, change)
    assert "page" not in [output.id for output in registry.outputs]
    (failure,) = registry.failures
    assert (failure.plugin, failure.during) == ("pages", "register")
    assert reason in failure.reason


def test_two_of_one_name_are_told(tmp_path):
    (failure,) = registry_of(tmp_path, outputs="Page(), Page()").failures
    assert "already brings the output 'page'" in failure.reason


def test_an_output_can_be_switched_off(tmp_path):
    registry = registry_of(tmp_path, off=("page",))
    assert "page" not in [output.id for output in registry.outputs]
    assert registry.off == ("page",)
