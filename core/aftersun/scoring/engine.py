"""Who computes the chunks: this process, processes of this machine, or a cluster. One interface for the three."""

from __future__ import annotations

from collections.abc import Iterator
from types import TracebackType
from typing import Protocol, Self

from aftersun.host.registry import Registry
from aftersun.host.watch import watched
from aftersun.host.workers import Lost, Workers
from aftersun.scoring.spool import Packed
from aftersun.scoring.work import Job, Order, compute, compute_in_worker

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
        from aftersun.scoring.cluster import Cluster

        return Cluster(scheduler, order)
    foreign = not all(one.built_in for one in registry.retrofits)
    if workers > 1 and chunks >= PARALLEL_FROM_CHUNKS:
        return Pool(min(workers, chunks), order.plugin_seconds)
    return Pool(1, order.plugin_seconds) if foreign else Here(order.plugin_seconds)
