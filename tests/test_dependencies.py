"""What the program requires: bounded, and each with its purpose in DEVELOPERS.md. The rules are in .ci/audit."""

from __future__ import annotations

import tomllib
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path
from types import ModuleType

import pytest

TOP = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def audit() -> ModuleType:
    loader = SourceFileLoader("audit", str(TOP / ".ci" / "audit"))
    spec = spec_from_loader("audit", loader)
    assert spec is not None
    module = module_from_spec(spec)
    loader.exec_module(module)
    return module


PYPROJECT = """
[project]
dependencies = ["numpy>=2.0,<3", "rich>=13", "Typer~=0.20"]
[project.optional-dependencies]
more = ["dask_ml>=1"]
test = ["pytest"]
"""
DEVELOPERS = """
| library | for |
|---|---|
| numpy, rich | arrays |
| `dask-ml` | |
| gone | old |

x | y
"""


def test_requirements_keep_the_rules(audit: ModuleType) -> None:
    required = audit.requirements(tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8")))
    listed = audit.purposes((TOP / "DEVELOPERS.md").read_text(encoding="utf-8"))
    assert audit.complaints(required, listed) == []


def test_breaches_are_found(audit: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(audit, "UNBOUNDED", {"rich": "", "numpy": ""})
    required = audit.requirements(tomllib.loads(PYPROJECT))
    assert audit.complaints(required, audit.purposes(DEVELOPERS)) == [
        "dask-ml has no upper bound in pyproject.toml",
        "numpy is excused from an upper bound, but has one or is not required",
        "typer is not in the table of DEVELOPERS.md",
        "dask-ml has no purpose in the table of DEVELOPERS.md",
        "gone is in the table of DEVELOPERS.md, but not required",
    ]


def test_what_is_installed_is_followed_to_the_end(audit: ModuleType) -> None:
    found = audit.installed(["pandas", "no-such-library"])
    assert {"pandas", "numpy", "python-dateutil"} <= found.keys()
    assert "pandas" in found["python-dateutil"][1]
    assert "pytest" not in found  # an extra of pandas


def test_without_the_tool_it_says_that_nothing_was_looked_up(
    audit: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(audit, "find_spec", lambda _name: None)
    assert audit.advisories({"numpy": "2.0"}) == ("advisories not checked: pip-audit is not installed", False)
