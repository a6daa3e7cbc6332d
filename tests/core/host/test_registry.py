"""Plugins come through one door, and one that cannot be loaded stops nobody else."""

from __future__ import annotations

import tomllib
from importlib.metadata import entry_points
from pathlib import Path

import pytest

from aftersun.host import registry as registry_module
from aftersun.host.asking import Failure
from aftersun.host.registry import find_plugins
from aftersun.model.errors import AftersunError

ROOT = Path(__file__).parents[3]

PLUGIN = """
from aftersun import api

class Tiny:
    about = api.About(
        "{id}", "Tiny", "Tiny.", "1", api.Range(1, 1, 1, "a", "assumption"), (), ("test",), api_version={version}
    )
    assumptions = {{}}
    facts = {{}}
    claims = ()
    def screen(self, cohort): return api.Screening.of(cohort)
    def change(self, cohort, plant, assume): return api.Change(plant, [])
    def safety(self, cohort): return api.Notes.of(cohort)

@api.hookimpl
def {hook}():
    return [Tiny()]
"""


def write(folder: Path, name: str, *, id: str = "tiny", version: int = 1, hook: str = "aftersun_retrofits") -> None:
    (folder / f"{name}.py").write_text(PLUGIN.format(id=id, version=version, hook=hook))


def test_installed_entry_points_are_those_of_pyproject():
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["entry-points"]["aftersun.plugins"]
    installed = {
        e.name: e.value for e in entry_points(group="aftersun.plugins") if e.dist and e.dist.name == "aftersun"
    }
    assert installed == declared


def test_all_seven_built_ins_are_found():
    registry = find_plugins()
    assert registry.failures == ()
    assert {loaded.id for loaded in registry.retrofits} >= {
        "monitoring_add_on",
        "anti_soiling_coating",
        "bird_mesh",
        "tilt_mount",
        "hot_water_diverter",
        "degradation_mitigation",
        "connector_replacement",
    }


def test_off_by_name():
    registry = find_plugins(off=["bird_mesh"])
    assert "bird_mesh" not in registry.versions()
    assert registry.off == ("bird_mesh",)


def test_one_file_plugin_and_its_broken_neighbours(tmp_path):
    write(tmp_path, "a_tiny")
    write(tmp_path, "b_twin")
    write(tmp_path, "c_future", id="future", version=99)
    write(tmp_path, "d_misspelt", id="misspelt", hook="aftersun_retrofit")
    (tmp_path / "e_broken.py").write_text("import no_such_module")
    (tmp_path / "f_empty.py").write_text("")
    registry = find_plugins(folder=tmp_path)
    assert "tiny" in registry.versions()
    reasons = {failure.plugin: failure.reason for failure in registry.failures}
    assert "already brought by the plugin 'a_tiny'" in reasons["b_twin"]
    assert "API version 99" in reasons["c_future"]
    assert "version 2" in reasons["c_future"]
    assert "aftersun_retrofit" in reasons["d_misspelt"]
    assert "no_such_module" in reasons["e_broken"]
    assert "brings no retrofit" in reasons["f_empty"]
    assert "bird_mesh" in registry.versions()


def test_missing_folder_is_one_sentence(tmp_path):
    with pytest.raises(AftersunError, match="no folder"):
        find_plugins(folder=tmp_path / "nowhere")


def test_one_file_is_loaded_without_its_neighbours(tmp_path):
    write(tmp_path, "a_tiny")
    (tmp_path / "setup.py").write_text("raise RuntimeError('not to be run')")
    registry = find_plugins(folder=tmp_path / "a_tiny.py")
    assert "tiny" in registry.versions()
    assert registry.failures == ()


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("    about = api.About(", "    rumour = api.About(", "Tiny has no 'about' that is an About"),
        ('(), ("test",)', '"roof_kind", ("test",)', "about.reads of 'tiny' has to be a tuple of texts"),
        ('(), ("test",)', '(), "test"', "about.sources of 'tiny' has to be a tuple of texts"),
        ("assumptions = {}", "assumptions = {'gain': 0.1}", "no 'assumptions' that maps names to a Range each"),
        ("facts = {}", "", "no 'facts' that maps names to a Fact each"),
        ("claims = ()", "claims = ('twice as much',)", "no 'claims' that is a sequence of Claim"),
        ("claims = ()", "", "no 'claims' that is a sequence of Claim"),
        ("def safety", "def safely", "'tiny' has no method 'safety'"),
        ("facts = {}", "facts = property(lambda self: 1 / 0)", "ZeroDivisionError"),
    ],
)
@pytest.mark.few_quick
def test_what_is_no_retrofit_is_told_at_once_and_stops_nobody(tmp_path, old, new, words):
    write(tmp_path, "tiny")
    text = (tmp_path / "tiny.py").read_text()
    assert old in text
    (tmp_path / "tiny.py").write_text(text.replace(old, new))
    registry = find_plugins(folder=tmp_path)
    (failure,) = registry.failures
    assert (failure.plugin, failure.during) == ("tiny", "register")
    assert words in failure.reason
    assert "tiny" not in registry.versions()
    assert "bird_mesh" in registry.versions()


def test_what_is_no_output_is_told_at_once(tmp_path):
    (tmp_path / "odd.py").write_text(
        "from aftersun import api\n\n@api.hookimpl\ndef aftersun_outputs(): return [object()]\n"
    )
    (failure,) = find_plugins(folder=tmp_path).failures
    assert "object has no 'id'" in failure.reason


ENDING = {
    "import": ("import os, signal\nos._exit(0)\n", "load", "exit code 0"),
    "hook": ("return [Tiny()]", "register", "exit code 3"),
    "killed": ("import os, signal\nos.kill(os.getpid(), signal.SIGKILL)\n", "load", "SIGKILL"),
}


@pytest.mark.parametrize("when", ENDING)
@pytest.mark.slow
def test_one_that_ends_its_process_while_it_is_loaded_is_named_and_stops_nobody(tmp_path, when):
    text, during, how = ENDING[when]
    for name in ("a_tiny", "z_odd"):
        write(tmp_path, name, id=name)
    whole = (tmp_path / "z_odd.py").read_text()
    leaving = whole.replace(text, "import os; os._exit(3)") if when == "hook" else text + whole
    assert leaving != whole
    (tmp_path / "z_odd.py").write_text(leaving)
    registry = find_plugins(folder=tmp_path)
    assert registry.failures == (Failure("z_odd", during, f"ended the process that it ran in ({how})"),)
    assert {"a_tiny", "bird_mesh"} <= registry.versions().keys()


def test_what_came_with_the_program_is_loaded_without_another_process(monkeypatch):
    monkeypatch.undo()  # tried as in use
    monkeypatch.setattr(registry_module, "Workers", None)
    assert find_plugins().failures == ()
