"""Who computes the chunks: this process, processes of this machine, or a cluster. One interface for the three."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from typing import Protocol

from aftersun.host.asking import Failure
from aftersun.host.registry import Registry
from aftersun.host.workers import Workers
from aftersun.model.errors import AftersunError
from aftersun.scoring.run.finished_chunks import ChunkResult, FinishedChunks
from aftersun.scoring.run.work import ChunkTask, RunRequest, compute
from aftersun.scoring.value.cohorts import Portfolio

Progress = Callable[[int, int], None]  # sites done, of how many

PARALLEL_FROM_CHUNKS = 3  # below that, starting processes costs more than they save


class Engine(AbstractContextManager["Engine", None], Protocol):
    """Computes chunks. To be used in a ``with`` block: nothing of it runs any more afterwards."""

    def run(self, jobs: Iterator[ChunkTask], /) -> Iterator[tuple[ChunkTask, ChunkResult | Failure]]:
        """Yield each task with what came of it, in order.

        Tasks are taken from the iterator as late as possible and few at a time: neither they nor their results are all
        in memory at once.
        """


class ThisProcess(AbstractContextManager["ThisProcess", None]):
    """This process: for few chunks and the program's own retrofits."""

    def __exit__(self, *_: object) -> None:
        pass

    def run(self, tasks: Iterator[ChunkTask]) -> Iterator[tuple[ChunkTask, ChunkResult | Failure]]:
        """See :class:`Engine`."""
        return ((task, compute(task)) for task in tasks)


def engine_for(chunks: int, registry: Registry, request: RunRequest, workers: int, scheduler: str | None) -> Engine:
    """Return who is to compute so many chunks.

    A plugin that did not come with the program is asked in another process, since it may crash or hang its own.

    Raises
    ------
    AftersunError
        If a scheduler is named and the package for it is missing.
    """
    if scheduler is not None:
        from aftersun.scoring.run.cluster import Cluster

        return Cluster(scheduler, request)
    parallel = workers > 1 and chunks >= PARALLEL_FROM_CHUNKS
    if parallel or not all(loaded.built_in for loaded in registry.retrofits):
        return Workers(compute, min(workers, chunks) if parallel else 1, request.plugin_seconds)
    return ThisProcess()


def work_off(
    engine: Engine,
    portfolio: Portfolio,
    request: RunRequest,
    finished: FinishedChunks,
    progress: Progress,
    what_next: str = "",
) -> None:
    """Have all chunks computed that are not finished yet; ``what_next`` is said where that fails.

    A retrofit that fails somewhere counts nowhere: chunks that were computed with it are computed again without.

    Raises
    ------
    AftersunError
        If nobody can compute a chunk.
    """
    chunks, tried = portfolio.chunks, request.tried

    def tasks(numbers: Sequence[int]) -> Iterator[ChunkTask]:
        for number in numbers:
            weather = portfolio.weather[chunks[number].weather_id]
            yield ChunkTask(number, chunks[number], weather, tried, dict(finished.failed))

    def show() -> None:
        progress(portfolio.sites - sum(len(chunks[number].sites) for number in finished.todo()), portfolio.sites)

    show()
    while todo := finished.todo():
        for task, outcome in engine.run(tasks(todo)):
            if isinstance(outcome, ChunkResult):
                finished.add(task.number, outcome, task.failed)
            elif outcome.plugin:
                finished.fail(outcome, task.failed)
            else:
                raise AftersunError(
                    f"Chunk {task.number + 1} of {len(chunks)} {outcome.reason}; the run ends.",
                    f"Memory may be short: try with fewer workers. {what_next}".rstrip(),
                )
            show()
