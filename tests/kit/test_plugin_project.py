"""'aftersun plugin new' writes a project that installs, is found, and passes its own tests as written."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import tomllib
from collections.abc import Mapping
from pathlib import Path

import pytest

from aftersun.host.scaffold import _bounds, new_project
from aftersun.model.errors import AftersunError

ROOT = Path(__file__).parents[2]


@pytest.fixture
def project(tmp_path: Path) -> Path:
    new_project("gutter_guard", tmp_path / "made" / "gutter-guard")
    return tmp_path / "made" / "gutter-guard"


def run(*words: object, cwd: Path, path: Path) -> subprocess.CompletedProcess[str]:
    environment: Mapping[str, str] = {**os.environ, "PYTHONPATH": str(path), "PYTHONDONTWRITEBYTECODE": "1"}
    return subprocess.run(
        [sys.executable, *map(str, words)], cwd=cwd, env=environment, capture_output=True, text=True, check=False
    )


def fingerprint(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for part in ("core", "plugins", "datasets", "reports", "pyproject.toml")
        for path in ([folder / part] if (folder / part).is_file() else (folder / part).rglob("*"))
        if path.is_file() and "__pycache__" not in path.parts
    }


def test_the_project_has_what_a_plugin_needs(project):
    written = {str(path.relative_to(project)) for path in project.rglob("*") if path.is_file()}
    assert written == {
        "README.md",
        "pyproject.toml",
        "aftersun_gutter_guard/__init__.py",
        "aftersun_gutter_guard/assumptions.csv",
        "aftersun_gutter_guard/claims.csv",
        "aftersun_gutter_guard/retrofit.py",
        "aftersun_gutter_guard/safety_notes.csv",
        "tests/test_gutter_guard.py",
    }
    settings = tomllib.loads((project / "pyproject.toml").read_text())
    assert settings["project"]["name"] == "aftersun-gutter-guard"
    assert settings["project"]["entry-points"]["aftersun.plugins"] == {"gutter_guard": "aftersun_gutter_guard.retrofit"}
    (bound,) = (need for need in settings["project"]["dependencies"] if need.startswith("aftersun"))
    assert ">=" in bound
    assert ",<" in bound
    assert not [path for path in written if "$" in (project / path).read_text()]


@pytest.mark.parametrize(
    ("version", "bounds"), [("0.1.0", ("0.1", "0.2")), ("0.12.3", ("0.12", "0.13")), ("2.4.1", ("2.4", "3"))]
)
def test_the_bound_ends_where_the_interface_may_change(version, bounds):
    assert _bounds(version) == bounds


def test_an_existing_folder_is_refused_and_left_alone(tmp_path):
    (tmp_path / "mine").write_text("mine")
    with pytest.raises(AftersunError, match="exists already"):
        new_project("gutter_guard", tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["mine"]


@pytest.mark.parametrize("name", ["Gutter", "9lives", "gutter-guard", "gutter__guard", "../up", "", "a b", "_x", "x_"])
def test_a_name_that_cannot_be_one_is_refused(tmp_path, name):
    with pytest.raises(AftersunError, match="cannot be the name"):
        new_project(name, tmp_path / "new")
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("name", ["bird_mesh", "retrofits", "datasets"])
def test_a_name_that_is_taken_is_refused(tmp_path, name):
    with pytest.raises(AftersunError, match="is taken"):
        new_project(name, tmp_path / "new")


def test_a_folder_that_cannot_be_made_is_one_sentence(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(AftersunError, match="cannot be written"):
        new_project("gutter_guard", tmp_path / "file" / "new")


@pytest.mark.slow
def test_the_project_installs_is_found_and_passes_its_own_tests(project, tmp_path):
    before = fingerprint(ROOT)
    site = tmp_path / "site"
    built = run(
        *("-m", "pip", "install", "--quiet", "--no-deps", "--no-index", "--no-build-isolation", "--target", site),
        project,
        cwd=tmp_path,
        path=tmp_path,
    )
    assert built.returncode == 0, built.stderr
    program = "from aftersun.cli import main; main()"
    listed = run("-c", program, "retrofits", "--json", cwd=tmp_path, path=site)
    assert listed.returncode == 0, listed.stderr
    found = {row["id"]: row for row in json.loads(listed.stdout)["retrofits"]}
    assert found["gutter_guard"]["origin"] == "aftersun-gutter-guard 0.1.0"
    assert len(found) >= 8
    tested = run("-m", "pytest", "-q", "-p", "no:cacheprovider", cwd=project, path=site)
    assert tested.returncode == 0, tested.stdout
    assert " passed" in tested.stdout
    assert fingerprint(ROOT) == before
