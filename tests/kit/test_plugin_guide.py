"""What plugins/README.md shows works, and its reference is complete and up to date."""

from __future__ import annotations

import importlib.util
import re
import sys
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from types import ModuleType

import api_reference
import pytest

from aftersun import api
from aftersun.host import specs
from aftersun.host.registry import Loaded, find_plugins
from aftersun.model.errors import AftersunError
from aftersun.testing import RetrofitConformance
from aftersun.testing.conformance import verdicts

PLUGINS = Path(__file__).parents[2] / "plugins"
TEXT = (PLUGINS / "README.md").read_text(encoding="utf-8")
EXAMPLE = PLUGINS / "examples" / "scheduled_cleaning.py"
RENEW = "renew it: python tests/api_reference.py plugins/README.md"


def section(heading: str) -> str:
    return re.split(r"^## ", TEXT.partition(f"\n## {heading}\n")[2], flags=re.MULTILINE)[0]


def blocks(heading: str) -> list[str]:
    return re.findall(r"```python\n(.*?)```", section(heading), re.DOTALL)


TUTORIAL = blocks("Tutorial: scheduled cleaning")


def one_file_plugin(path: Path, name: str) -> Loaded:
    registry = find_plugins(folder=path)
    assert registry.failures == ()
    return next(loaded for loaded in registry.retrofits if loaded.id == name)


@pytest.fixture
def example() -> Iterator[ModuleType]:
    """The example, importable by the name that the tutorial's test module uses."""
    spec = importlib.util.spec_from_file_location("scheduled_cleaning", EXAMPLE)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


@pytest.mark.slow
def test_the_first_example_works_and_keeps_every_rule(tmp_path):
    (code,) = blocks("Write one")
    (tmp_path / "roof_wash.py").write_text(code, encoding="utf-8")
    wash = one_file_plugin(tmp_path, "roof_wash")
    assert [(verdict.rule, verdict.problem) for verdict in verdicts(wash.retrofit) if verdict.problem] == []


def test_the_tutorial_is_the_example_piece_by_piece():
    written = [line for block in TUTORIAL[:-1] for line in block.splitlines() if line.strip()]
    shipped = [line for line in EXAMPLE.read_text(encoding="utf-8").splitlines() if line.strip()]
    assert written == shipped, "the tutorial in plugins/README.md and the example have to be changed together"


@pytest.mark.slow
def test_the_example_keeps_every_rule():
    cleaning = one_file_plugin(PLUGINS / "examples", "scheduled_cleaning")
    assert [(verdict.rule, verdict.problem) for verdict in verdicts(cleaning.retrofit) if verdict.problem] == []


@pytest.mark.slow
def test_the_tutorials_own_tests_pass(example):
    space: dict[str, object] = {}
    exec(compile(TUTORIAL[-1], "tutorial", "exec"), space)
    ran = 0
    for name, thing in space.items():
        if name.startswith("test_"):
            thing()
            ran += 1
        elif isinstance(thing, type) and issubclass(thing, RetrofitConformance) and name.startswith("Test"):
            thing().test_price_items_are_those_declared()
            ran += 1
    assert ran == 3


def test_the_words_of_the_tutorial_state_the_worked_cases(example):
    # Worked by hand: sqrt(2 x 20 / (0.0005 x 2.7 x 0.25)) = 344.3 and sqrt(2 x 5 / (0.003 x 4.9 x 0.10)) = 82.5
    assert float(example.best_interval_days(20, 0.0005, 2.7, 0.25)) == pytest.approx(344.3, abs=0.05)
    assert float(example.best_interval_days(5, 0.003, 4.9, 0.10)) == pytest.approx(82.5, abs=0.05)
    assert "344 days" in section("Tutorial: scheduled cleaning")
    assert "82 days" in section("Tutorial: scheduled cleaning")


def test_every_built_in_retrofit_is_in_the_table():
    for loaded in find_plugins().retrofits:
        if loaded.origin.startswith("aftersun "):
            assert f"`{loaded.id}`" in section("The seven that come with the program")


def test_the_reference_is_up_to_date():
    assert api_reference.renewed(TEXT) == TEXT, RENEW


@pytest.mark.parametrize("name", api.__all__)
@pytest.mark.few_quick
@pytest.mark.few_quick
def test_every_name_and_field_is_in_the_reference(name):
    text = api_reference.reference_markdown()
    thing = getattr(api, name)
    assert re.search(rf"(#### |`){name}\b", text)
    if isinstance(thing, type) and is_dataclass(thing):
        part = text.partition(f"#### {name}\n")[2].partition("\n#### ")[0]
        for field in fields(thing):
            row = re.search(rf"^\| `{field.name}` \|.*\| (.*) \|$", part, re.MULTILINE)
            assert row, f"{name}.{field.name} is missing"
            assert row[1].strip(), f"{name}.{field.name} has no meaning: write a remark beside the field"


def test_every_hook_is_in_the_reference_with_its_signature():
    hooks = [name for name, thing in vars(specs).items() if hasattr(thing, f"{specs.PROJECT}_spec")]
    assert len(hooks) == 2
    for name in hooks:
        assert f"`{name}() -> list[" in api_reference.reference_markdown()


def test_everything_public_has_a_docstring():
    for name in api.__all__:
        thing = getattr(api, name)
        members = vars(thing).items() if isinstance(thing, type) else ()
        for member, value in members:
            if not member.startswith("_") and (callable(value) or isinstance(value, classmethod | property)):
                assert getattr(value, "__doc__", None), f"{name}.{member} has no docstring"


def test_a_document_without_markers_is_told_so():
    with pytest.raises(AftersunError, match="each marker once"):
        api_reference.renewed("# a page")
