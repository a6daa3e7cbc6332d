"""A run with plugins that do all that a plugin should not: each is named, and all else is as without it, to the bit."""

from __future__ import annotations

from pathlib import Path

import pytest
from run_support import Small, assert_same, copied, plugin, small, stored, without

from aftersun.host import workers as pool
from aftersun.inventory.runs.stored_runs import stored_run
from aftersun.inventory.store.file import Inventory
from aftersun.scoring.run.rank import rank
from aftersun.scoring.run.site_detail import look_closer
from aftersun.scoring.value.cohorts import read_portfolio

SITES = 4

# What each does wrong, by its name: in which method, and what is said of it.
WRONG = {
    "raising": ({"change": "raise RuntimeError('no such luck')"}, "change", "RuntimeError: no such luck"),
    "interrupting": ({"change": "raise KeyboardInterrupt"}, "change", "KeyboardInterrupt"),
    "hanging": ({"change": "time.sleep(600)"}, "change", "has not answered for 10 s"),
    "leaving": ({"screen": "os._exit(3)"}, "screen", "ended the process that it ran in (exit code 3)"),
    "crashing": ({"change": "os.kill(os.getpid(), 11)"}, "change", "ended the process that it ran in"),
    "garbage": ({"change": "return 42"}, "change", "change returned int, not a Change"),
    "not_a_number": (
        {"change": "plant = plant.replace(transmittance=plant.transmittance * np.nan)"},
        "change",
        "plant",
    ),
    "silent": ({"safety": "return api.Notes.of(cohort)"}, "safety", "safety gave no note"),
    "late": (
        {"change": "assert 'S0014' not in cohort.sites.index"},  # fails in the last chunk only
        "change",
        "AssertionError",
    ),
}

ACTS = {
    "raising": "raise RuntimeError('no')",
    "leaving": "sys.exit(1)",
    "interrupting": "raise KeyboardInterrupt",
    "stopping": "raise GeneratorExit",
    "short": "raise MemoryError",
    "deep": "f = lambda: f(); f()",
    "patching": "np.maximum = np.minimum",
    "forking": "os.fork()",
    "hanging": "time.sleep(600)",
    "ending": "os._exit(3)",
    "killing": "os.kill(os.getpid(), signal.SIGKILL)",
    "aborting": "os.abort()",
    "crashing": "ctypes.string_at(0)",
}
"""What a hostile plugin may do anywhere."""
PLACES = {"load": "NOTE =", "register": "return [Odd()]", "screen": "", "safety": "", "change": ""}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Small:
    return small(tmp_path_factory.mktemp("isolation") / "made", SITES, keep=["bird_mesh", "connector_replacement"])


@pytest.fixture(scope="module")
def alone(made: Small, tmp_path_factory: pytest.TempPathFactory):
    """All that is stored where no plugin is added."""
    path = copied(made, tmp_path_factory.mktemp("alone"))
    rank(path.inventory, path.settings())
    return stored(path.inventory)


@pytest.fixture
def portfolio(made: Small, tmp_path: Path) -> Small:
    return copied(made, tmp_path)


def assert_alone(portfolio: Small, alone, names: list[str]) -> None:
    """Hold that all results but the rows of these retrofits are as if they were not there."""
    tables = stored(portfolio.inventory)
    for name in names:
        tables = without(tables, name)
    assert_same(tables, alone)


@pytest.mark.parametrize(
    ("workers", "chunk_sites", "names"),
    [
        (1, SITES, ["raising", "crashing", "silent"]),
        pytest.param(2, 2, list(WRONG), marks=pytest.mark.slow),
    ],
)
@pytest.mark.slow
def test_all_that_can_go_wrong_at_once(portfolio, alone, tmp_path, monkeypatch, workers, chunk_sites, names):
    monkeypatch.setattr(pool, "_ATTEMPTS", 1)  # a dead process costs seconds
    wrong = {name: WRONG[name] for name in names}
    folder = tmp_path / "plugins"
    for name, (methods, *_) in wrong.items():
        plugin(folder, name, **methods)
    plugin(folder, "z_twin")
    (folder / "z_twin.py").write_text((folder / "z_twin.py").read_text().replace('"z_twin"', '"raising"'))
    (folder / "z_no_import.py").write_text("import no_such_module\n")
    (folder / "z_leaving.py").write_text("import os\nos._exit(3)\n")
    text = (folder / "raising.py").read_text().replace('"raising"', '"future"')
    (folder / "z_future.py").write_text(text.replace('("test",))', '("test",), api_version=99)'))
    settings = portfolio.settings(plugin_folder=folder, workers=workers, chunk_sites=chunk_sites, plugin_seconds=10.0)
    record = rank(portfolio.inventory, settings)
    told = {failure["plugin"]: (failure["during"], failure["reason"]) for failure in record.failures}
    for name, (_, during, reason) in wrong.items():
        assert told[name][0] == during
        assert reason in told[name][1]
    assert "already brought by the plugin 'raising'" in told["z_twin"][1]
    assert "no_such_module" in told["z_no_import"][1]
    assert "API version 99" in told["z_future"][1]
    assert told["z_leaving"] == ("load", "ended the process that it ran in (exit code 3)")
    assert len(told) == len(record.failures) == len(wrong) + 4
    assert_alone(portfolio, alone, names)
    mine = stored(portfolio.inventory)["ranking"].query("retrofit in @names")
    assert set(mine["status"]) == {"failed"}
    assert len(mine) == SITES * len(wrong)
    # safety notes are never lost: all who could give them did, on every site
    notes = stored(portfolio.inventory)["safety_note"]
    counts = notes[notes["note_id"] == "odd_note"].groupby("retrofit")["site_id"].nunique().to_dict()
    assert counts == dict.fromkeys(wrong.keys() - {"silent"}, SITES)


@pytest.mark.slow
def test_one_that_crashes_at_its_safety_notes_too(portfolio, alone, tmp_path):
    folder = plugin(tmp_path / "plugins", change="os._exit(3)", safety="sys.exit(1)")
    record = rank(portfolio.inventory, portfolio.settings(plugin_folder=folder))
    assert [(failure["plugin"], failure["during"]) for failure in record.failures] == [("odd", "safety")]
    assert_alone(portfolio, alone, ["odd"])
    with Inventory.open(portfolio.inventory, read_only=True) as opened:
        run = stored_run(opened)
        one = read_portfolio(opened, run.as_of, site_id="S0014")
    look = look_closer(one, run)  # which works in this very process
    assert look is not None
    assert "odd" not in look.npv


@pytest.mark.slow
def test_a_fact_of_its_own_does_not_move_the_draws_of_others(tmp_path):
    """The draws of a site depend on which facts there are: after a failure those of the plugin are not among them."""
    made = small(tmp_path / "made", 2, keep=["connector_replacement"])
    alone, beside = copied(made, tmp_path / "alone"), copied(made, tmp_path / "beside")
    rank(alone.inventory, alone.settings(ranges=True))
    folder = plugin(tmp_path / "plugins", change="raise RuntimeError")
    path = folder / "odd.py"
    path.write_text(path.read_text().replace("facts = {}", "facts = {'odd_fact': FACT}"))
    rank(beside.inventory, beside.settings(ranges=True, plugin_folder=folder))
    assert_alone(beside, stored(alone.inventory), ["odd"])


@pytest.mark.slow
def test_one_that_prints_leaves_stdout_clean_and_its_results_count(portfolio, tmp_path, capfd):
    quiet = plugin(tmp_path / "quiet")
    loud = plugin(tmp_path / "loud", change="print('a word'); os.write(1, b'more'); np.seterr(all='raise')")
    other = copied(portfolio, tmp_path / "other")
    assert rank(other.inventory, other.settings(plugin_folder=quiet, chunk_sites=SITES)).failures == []
    assert rank(portfolio.inventory, portfolio.settings(plugin_folder=loud, chunk_sites=SITES)).failures == []
    printed = capfd.readouterr()
    assert printed.out == ""
    assert "a word" in printed.err
    assert_same(stored(portfolio.inventory), stored(other.inventory))


@pytest.mark.slow
def test_one_that_hangs_before_the_run_is_left_out(portfolio, alone, tmp_path):
    folder = plugin(tmp_path / "plugins")
    (folder / "odd.py").write_text("while True: pass\n")
    record = rank(portfolio.inventory, portfolio.settings(plugin_folder=folder, plugin_seconds=10.0))
    assert [(failure["plugin"], failure["during"]) for failure in record.failures] == [("odd", "load")]
    assert_alone(portfolio, alone, [])


@pytest.mark.long
@pytest.mark.slow
def test_sixty_hostile_plugins_at_once(portfolio, alone, tmp_path, monkeypatch):
    """Thirteen acts in each of five places."""
    monkeypatch.setattr(pool, "_ATTEMPTS", 1)
    folder, expected = tmp_path / "plugins", {}
    for act, code in ACTS.items():
        for place, before in PLACES.items():
            name = f"{act}_{place}"
            plugin(folder, name, **({} if before else {place: code}))
            text = (folder / f"{name}.py").read_text()
            own = f"\n    {code}\n    {before}" if place == "register" else f"{code}\n{before}"
            assert before in text
            (folder / f"{name}.py").write_text(text.replace(before, own, 1) if before else text)
            expected[name] = place
    # The first plugin of a process imports for all: on a busy machine that takes longer than the other tests allow.
    record = rank(portfolio.inventory, portfolio.settings(plugin_folder=folder, workers=2, plugin_seconds=20.0))
    print(len(expected), "plugins, named:", len(record.failures))
    assert {failure["plugin"]: failure["during"] for failure in record.failures} == expected
    assert len(record.failures) == len(expected)
    assert_alone(portfolio, alone, list(expected))
