"""The same inputs give the same tables to the bit, whoever computes them and however they are cut into chunks."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest
from run_support import BUILT_IN, QUICK, Small, assert_same, small, stored

from aftersun.scoring.run.rank import rank
from aftersun.scoring.run.work import compute

# Named exceptions, which may differ in their last digit (none here does): sums over sites are rounded to 0.01
# (run_value), and the calls of the month (call, run_plan, run_capacity) hold as long as the programme ends within its
# time limit.


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Small:
    return small(tmp_path_factory.mktemp("same") / "made", 7)


def ranked(made: Small, folder: Path, **given: object) -> dict[str, pd.DataFrame]:
    shutil.copytree(made.inventory.parent, folder)
    path = folder / made.inventory.name
    rank(path, Small(path, folder / made.company.name).settings(**given))
    return stored(path)


@pytest.fixture(scope="module")
def reference(made: Small, tmp_path_factory: pytest.TempPathFactory) -> dict[str, pd.DataFrame]:
    return ranked(made, tmp_path_factory.mktemp("reference") / "run", chunk_sites=2000)


@pytest.mark.parametrize(("workers", "chunk_sites"), [pytest.param(1, 3, marks=pytest.mark.slow), (2, 2)])
@pytest.mark.slow
def test_workers_and_chunks_change_no_table(made, reference, tmp_path, workers, chunk_sites):
    assert_same(ranked(made, tmp_path / "run", workers=workers, chunk_sites=chunk_sites), reference)


@pytest.mark.slow
@pytest.mark.parametrize(("workers", "chunk_sites"), [(1, 7), (2, 7), (3, 7), (1, 2000)])
def test_forty_sites_with_all_retrofits_and_ranges(forty, tmp_path, workers, chunk_sites):
    made, reference = forty  # in one chunk of forty
    found = ranked(made, tmp_path / "run", workers=workers, chunk_sites=chunk_sites, ranges=True)
    assert_same(found, reference)
    assert len(found["driver"])
    assert len(found["question"])
    assert found["run_value"]["offers"].sum() > 0


@pytest.fixture(scope="module")
def forty(tmp_path_factory: pytest.TempPathFactory) -> tuple[Small, dict[str, pd.DataFrame]]:
    made = small(tmp_path_factory.mktemp("forty") / "made", 40, keep=BUILT_IN, last="S0170")
    return made, ranked(made, tmp_path_factory.mktemp("reference") / "run", chunk_sites=40, ranges=True)


@pytest.mark.slow
def test_the_record_tells_what_changes_no_result_apart(made, tmp_path):
    from aftersun.documents.compare import COMPUTED, compare
    from aftersun.inventory.runs.stored_runs import stored_run
    from aftersun.inventory.store.file import Inventory

    folder = tmp_path / "run"
    for chunk_sites in (7, 4):
        if folder.exists():
            path = folder / made.inventory.name
            rank(path, Small(path, folder / made.company.name).settings(chunk_sites=chunk_sites))
        else:
            ranked(made, folder, chunk_sites=chunk_sites)
    with Inventory.open(folder / made.inventory.name, read_only=True) as inventory:
        found = compare(inventory)
        run = stored_run(inventory)
    assert found.same
    assert [(cause.kind, cause.name) for cause in found.causes] == [(COMPUTED, "chunk_sites")]
    assert run is not None
    assert {"sites", "arrays", "readings", "customers", "call_log", "code of aftersun", "company_file"} <= set(
        run.input_hashes
    )
    assert {"numpy", "pandas", "python", "scipy", "pvlib"} <= set(run.settings["libraries"])
    assert set(run.plugin_versions) == set(QUICK)


@pytest.mark.slow
def test_computing_a_chunk_leaves_its_task_as_it_was(made):
    """What a worker is given may be given to another one."""
    import pickle

    from aftersun.inventory.store.file import Inventory
    from aftersun.money.company import load_company
    from aftersun.scoring.run.work import ChunkTask, RunRequest
    from aftersun.scoring.value.cohorts import read_portfolio

    settings = made.settings()
    with Inventory.open(made.inventory, read_only=True) as inventory:
        portfolio = read_portfolio(inventory, settings.as_of)
    chunk = portfolio.chunks[0]
    request = RunRequest(load_company(made.company), settings.as_of, ranges=False)
    task = ChunkTask(0, chunk, portfolio.weather[chunk.weather_id], request)
    sites, arrays = chunk.sites.copy(), chunk.arrays.copy()
    first = compute(task).tables
    pd.testing.assert_frame_equal(chunk.sites, sites)
    pd.testing.assert_frame_equal(chunk.arrays, arrays)
    assert compute(pickle.loads(pickle.dumps(task))).tables == first
