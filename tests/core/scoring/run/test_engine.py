"""The same chunks computed by this process, by a pool, or by a cluster: the same results, and no chunk lost."""

from __future__ import annotations

import os
import signal
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest
from run_support import Small, assert_same, copied, plugin, small, stored, without

from aftersun.host.asking import Failure
from aftersun.host.registry import find_plugins
from aftersun.host.workers import Workers
from aftersun.model.errors import AftersunError
from aftersun.scoring.run import cluster
from aftersun.scoring.run import rank as rank_module
from aftersun.scoring.run.engine import ThisProcess, engine_for
from aftersun.scoring.run.rank import rank
from aftersun.scoring.run.run_folder import run_folder_of
from aftersun.scoring.run.work import RunRequest, versions_of
from aftersun.testing import sample_company

needs_distributed = pytest.mark.skipif(find_spec("distributed") is None, reason="the extra 'distributed' is not here")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Small:
    return small(tmp_path_factory.mktemp("engine") / "made", 8)


@pytest.fixture(scope="module")
def local(made: Small, tmp_path_factory: pytest.TempPathFactory):
    path = copied(made, tmp_path_factory.mktemp("local"))
    rank(path.inventory, path.settings())
    return stored(path.inventory)


@pytest.fixture
def portfolio(made: Small, tmp_path: Path) -> Small:
    return copied(made, tmp_path)


@pytest.fixture
def request_of(made: Small) -> RunRequest:
    return RunRequest(sample_company(), made.settings().as_of)


@pytest.mark.slow
def test_who_computes(request_of, tmp_path):
    ours = find_plugins()
    assert isinstance(engine_for(9, ours, request_of, 1, None), ThisProcess)
    assert isinstance(engine_for(2, ours, request_of, 4, None), ThisProcess)
    assert isinstance(engine_for(3, ours, request_of, 4, None), Workers)
    foreign = find_plugins(folder=plugin(tmp_path / "plugins"))  # may crash the process it is asked in
    assert isinstance(engine_for(1, foreign, request_of, 1, None), Workers)


@pytest.mark.slow
def test_a_chunk_that_ends_its_processes_ends_the_run_with_its_number(portfolio, monkeypatch):
    class Deadly(ThisProcess):
        def run(self, tasks):
            lost = Failure("", "", "ended the process that it ran in (SIGKILL)")
            for task, outcome in super().run(tasks):
                yield task, lost if task.number == 2 else outcome

    monkeypatch.setattr(rank_module, "engine_for", lambda *_: Deadly())
    with pytest.raises(AftersunError, match=r"Chunk 3 of 4 ended the process that it ran in \(SIGKILL\)") as told:
        rank(portfolio.inventory, portfolio.settings())
    assert "rank again to go on" in told.value.hint
    assert sorted(path.name for path in run_folder_of(portfolio.inventory).glob("00000[0-9]")) == ["000000", "000001"]


@pytest.mark.slow
def test_without_the_package_it_says_how_to_install_it(portfolio, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(AftersunError, match="package 'distributed' is needed") as told:
        rank(portfolio.inventory, portfolio.settings(scheduler="tcp://127.0.0.1:1"))
    assert "pip install 'aftersun[distributed]'" in told.value.hint
    assert not run_folder_of(portfolio.inventory).exists()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "theirs", "words"),
    [
        ("aftersun", "0.0.9", "its aftersun is 0.0.9, here it is "),
        ("numpy", "1.0", "its numpy is 1.0"),
        ("plugin bird_mesh", None, "its plugin bird_mesh is missing"),
        ("code of plugin bird_mesh", "0" * 64, "its code of plugin bird_mesh is 0000000000000000,"),
    ],
)
def test_a_worker_with_other_versions_is_named(request_of, name, theirs, words):
    ours = versions_of(request_of)
    found = {**ours, name: theirs}
    if theirs is None:
        del found[name]
    with pytest.raises(AftersunError, match="The worker tcp://one would compute something else") as told:
        cluster._check("tcp://one", ours, found)
    assert words in str(told.value)


@needs_distributed
@pytest.mark.slow
@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "nonsense://x"])
def test_no_scheduler_is_one_sentence(portfolio, monkeypatch, address):
    monkeypatch.setattr(cluster, "_CONNECT_S", 1.0)
    with pytest.raises(AftersunError, match=f"No scheduler answers at {address}"):
        rank(portfolio.inventory, portfolio.settings(scheduler=address))


def cluster_of(workers: int, folder: Path):
    """Scheduler and workers, each a process of its own; a chunk may kill one worker and no second."""
    import dask
    from distributed import LocalCluster

    with dask.config.set({"distributed.scheduler.allowed-failures": 1}):
        return LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            processes=True,
            dashboard_address="127.0.0.1:0",
            silence_logs=50,
            local_directory=str(folder),
        )


@pytest.fixture(scope="module")
def local_cluster(tmp_path_factory):
    with cluster_of(2, tmp_path_factory.mktemp("cluster")) as found:
        yield found


@needs_distributed
@pytest.mark.slow
class TestCluster:
    """On a real scheduler with workers in processes of their own."""

    def test_results_are_those_of_this_machine(self, portfolio, local, local_cluster):
        rank(portfolio.inventory, portfolio.settings(scheduler=local_cluster.scheduler_address))
        assert_same(stored(portfolio.inventory), local)

    def test_a_worker_killed_in_the_middle_changes_nothing(self, portfolio, local, local_cluster):
        killed: list[int] = []

        def progress(done: int, _total: int) -> None:
            if done and not killed:
                worker = next(iter(local_cluster.workers.values()))
                killed.append(worker.pid)
                os.kill(worker.pid, signal.SIGKILL)

        rank(
            portfolio.inventory, portfolio.settings(scheduler=local_cluster.scheduler_address, chunk_sites=1), progress
        )
        assert killed
        assert_same(stored(portfolio.inventory), local)

    def test_one_file_plugins_travel_and_failures_are_isolated(self, portfolio, local, local_cluster, tmp_path):
        folder = plugin(tmp_path / "plugins", change="raise RuntimeError('no such luck')")
        settings = portfolio.settings(scheduler=local_cluster.scheduler_address, plugin_folder=folder)
        record = rank(portfolio.inventory, settings)
        assert [(failure["plugin"], failure["during"]) for failure in record.failures] == [("odd", "change")]
        assert_same(without(stored(portfolio.inventory), "odd"), local)

    def test_one_that_hangs_ends_the_worker_and_is_named(self, portfolio, local, local_cluster, tmp_path):
        folder = plugin(tmp_path / "plugins", change="time.sleep(600)")
        settings = portfolio.settings(
            scheduler=local_cluster.scheduler_address, plugin_folder=folder, plugin_seconds=20.0, chunk_sites=8
        )
        (failure,) = rank(portfolio.inventory, settings).failures
        assert (failure["plugin"], failure["reason"]) == ("odd", "has not answered for 20 s")
        assert_same(without(stored(portfolio.inventory), "odd"), local)

    def test_one_that_kills_worker_after_worker_is_named_and_the_rest_is_complete(
        self, portfolio, local, local_cluster, tmp_path
    ):
        folder = plugin(tmp_path / "plugins", change="'S0014' in cohort.sites.index and os._exit(1)")
        settings = portfolio.settings(scheduler=local_cluster.scheduler_address, plugin_folder=folder)
        (failure,) = rank(portfolio.inventory, settings).failures
        assert (failure["plugin"], failure["during"]) == ("odd", "change")
        assert "ended the process" in failure["reason"]
        assert_same(without(stored(portfolio.inventory), "odd"), local)

    def test_memory_does_not_grow_with_the_portfolio(self, request_of, local_cluster):
        from aftersun.scoring.run.finished_chunks import ChunkResult

        class Counting(cluster.Cluster):
            def _send(self, task):
                return self._client.submit(ChunkResult, {"n": bytes([task])}, pure=False)

        taken = []

        def jobs():
            for number in range(30):
                taken.append(number)
                yield number

        with Counting(local_cluster.scheduler_address, request_of) as engine:
            for fetched, (_, done) in enumerate(engine.run(jobs())):
                assert done.tables["n"] == bytes([fetched])
                assert len(taken) <= fetched + 1 + cluster.AHEAD * 2
        assert fetched == 29

    def test_a_worker_that_differs_is_refused_at_the_start(self, portfolio, local_cluster, monkeypatch):
        monkeypatch.setattr(cluster, "versions_of", lambda request: {**versions_of(request), "numpy": "0.1"})
        with pytest.raises(AftersunError, match=r"The worker tcp://.* would compute something else: its numpy is"):
            rank(portfolio.inventory, portfolio.settings(scheduler=local_cluster.scheduler_address))

    def test_when_all_workers_go_the_run_ends_and_keeps_what_is_done(self, portfolio, local, monkeypatch, tmp_path):
        monkeypatch.setattr(cluster, "_NOBODY_S", 3.0)
        seen: list[int] = []
        with cluster_of(1, tmp_path / "cluster") as lonely:

            def progress(done: int, _total: int) -> None:
                if done and not seen:
                    seen.append(done)
                    lonely.scale(0)

            with pytest.raises(AftersunError, match="no worker is left"):
                rank(
                    portfolio.inventory, portfolio.settings(scheduler=lonely.scheduler_address, chunk_sites=1), progress
                )
        said: list[str] = []
        rank(portfolio.inventory, portfolio.settings(chunk_sites=1), say=said.append)
        assert said
        assert said[0].endswith("of 8 chunks were done before; going on")
        assert_same(stored(portfolio.inventory), local)
