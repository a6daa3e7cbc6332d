"""Who computes the chunks: this process, processes of this machine, or a cluster. One interface for the three."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from types import TracebackType
from typing import Protocol, Self

from aftersun.host.failure import Failure
from aftersun.host.registry import Registry
from aftersun.host.watch import watched
from aftersun.host.workers import Lost, Workers
from aftersun.model.errors import AftersunError
from aftersun.scoring.run.spool import Packed, Spool
from aftersun.scoring.run.work import Job, Order, compute, compute_in_worker
from aftersun.scoring.value.cohorts import Portfolio

Progress = Callable[[int, int], None]  # sites done, of how many

PARALLEL_FROM_CHUNKS = 3  # below that, starting processes costs more than they save


class Engine(Protocol):
    """Computes chunks. To be used in a ``with`` block: nothing of it runs any more afterwards."""

    def __enter__(self) -> Self:
        """Get ready."""

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End all that was started."""

    def results(self, jobs: Iterator[Job]) -> Iterator[tuple[Job, Packed | Lost]]:
        """Yield each job with what came of it, in order.

        Jobs are taken from the iterator as late as possible and few at a time: neither they nor their results are all
        in memory at once.
        """


class Here:
    """This process: for few chunks and the program's own retrofits."""

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def results(self, jobs: Iterator[Job]) -> Iterator[tuple[Job, Packed | Lost]]:
        """See :class:`Engine`. A retrofit that hangs is stopped, or else the program is, with a sentence."""
        for job in jobs:
            with watched(self._seconds):
                done = compute(job)
            yield job, done


class Pool:
    """Processes of this machine, each to be replaced when a plugin hangs or crashes it."""

    def __init__(self, processes: int, seconds: float) -> None:
        self._workers: Workers[Job, Packed] = Workers(compute_in_worker, processes, seconds)

    def __enter__(self) -> Self:
        self._workers.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._workers.__exit__(kind, error, trace)

    def results(self, jobs: Iterator[Job]) -> Iterator[tuple[Job, Packed | Lost]]:
        """See :class:`Engine`."""
        return self._workers.run(jobs)


def engine_for(chunks: int, registry: Registry, order: Order, workers: int, scheduler: str | None) -> Engine:
    """Return who is to compute so many chunks.

    A plugin that did not come with the program is asked in another process, since it may crash or hang its own.

    Raises
    ------
    AftersunError
        If a scheduler is named and the package for it is missing.
    """
    if scheduler is not None:
        from aftersun.scoring.run.cluster import Cluster

        return Cluster(scheduler, order)
    foreign = not all(one.built_in for one in registry.retrofits)
    if workers > 1 and chunks >= PARALLEL_FROM_CHUNKS:
        return Pool(min(workers, chunks), order.plugin_seconds)
    return Pool(1, order.plugin_seconds) if foreign else Here(order.plugin_seconds)


def work_off(
    engine: Engine, portfolio: Portfolio, order: Order, spool: Spool, progress: Progress, what_next: str = ""
) -> None:
    """Have all chunks computed that are not in the spool yet; ``what_next`` is said where that fails.

    A retrofit that fails somewhere counts nowhere: chunks that were computed with it are computed again without.

    Raises
    ------
    AftersunError
        If nobody can compute a chunk.
    """
    chunks = portfolio.chunks

    def jobs(numbers: Sequence[int]) -> Iterator[Job]:
        for number in numbers:
            weather = portfolio.weather[chunks[number].weather_id]
            yield Job(number, len(chunks), chunks[number], weather, order, dict(spool.broken))

    def show() -> None:
        progress(portfolio.sites - sum(len(chunks[number].sites) for number in spool.todo()), portfolio.sites)

    show()
    while todo := spool.todo():
        for job, done in engine.results(jobs(todo)):
            if not isinstance(done, Lost):
                spool.add(job.number, done, job.broken)
            elif done.plugin:
                spool.breaks(Failure(done.plugin, done.during, done.reason), job.broken)
            else:
                raise _given_up(job.number, job.chunks, done.reason, what_next)
            show()


def _given_up(number: int, chunks: int, how: str, what_next: str) -> AftersunError:
    """Return the error for a chunk that nobody can compute; ``number`` counts from 0."""
    return AftersunError(
        f"Chunk {number + 1} of {chunks} {how}; the run ends.",
        f"Memory may be short: try with fewer workers. {what_next}".rstrip(),
    )
