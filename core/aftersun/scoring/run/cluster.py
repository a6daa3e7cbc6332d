"""Chunks computed by the workers of a Dask scheduler. The package ``distributed`` is needed only here."""

from __future__ import annotations

import pickle
import threading
import time
from collections import deque
from collections.abc import Iterator, Mapping
from concurrent.futures import CancelledError
from importlib import import_module
from typing import Any, Self
from uuid import uuid4

from aftersun.host.asking import Failure
from aftersun.host.workers import Workers
from aftersun.model.errors import AftersunError
from aftersun.scoring.run.finished_chunks import ChunkResult
from aftersun.scoring.run.work import ChunkTask, RunRequest, compute, versions_of

AHEAD = 2  # chunks for each worker that are sent or done and not yet fetched
_CONNECT_S = 10.0
_NOBODY_S = 60.0  # without a worker until the run ends
_LOOK_S = 2.0
_one_at_a_time = threading.Lock()  # whom a process asks, and for how long it may take, belongs to the process


class Cluster:
    """The workers of a scheduler. A chunk whose worker dies is computed by another one."""

    def __init__(self, address: str, request: RunRequest) -> None:
        try:
            self._dask: Any = import_module("distributed")
        except ImportError as error:
            raise AftersunError(
                "For a scheduler the package 'distributed' is needed.",
                "Install it: pip install 'aftersun[distributed]'",
            ) from error
        self._address = address
        self._request = request
        self._versions = versions_of(request)
        self._client: Any = None

    def __enter__(self) -> Self:
        try:
            self._client = self._dask.Client(self._address, timeout=_CONNECT_S, set_as_default=False)
        except (OSError, ValueError) as error:
            raise AftersunError(
                f"No scheduler answers at {self._address}.",
                "Start one with 'dask scheduler', and workers with 'dask worker'; the address looks like tcp://host:8786.",
            ) from error
        try:
            self._check_workers()
        except BaseException:
            self._client.close()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._client.close()

    def run(self, tasks: Iterator[ChunkTask]) -> Iterator[tuple[ChunkTask, ChunkResult | Failure]]:
        """See :class:`aftersun.scoring.run.engine.Engine`.

        Raises
        ------
        AftersunError
            If a worker has other versions, or scheduler or workers are gone.
        """
        sent: deque[tuple[ChunkTask, Any]] = deque()
        try:
            while True:
                while len(sent) < AHEAD * max(self._threads(), 1) and (task := next(tasks, None)) is not None:
                    sent.append((task, self._send(task)))
                if not sent:
                    return
                task, future = sent[0]
                try:
                    outcome: ChunkResult | Failure = self._fetch(future)
                except self._dask.KilledWorker:
                    outcome = self._compute_here(task)
                sent.popleft()
                future.release()
                yield task, outcome
                if isinstance(outcome, Failure) and outcome.plugin:
                    return  # the others were sent with it; they are given again without it
        finally:
            for _, future in sent:
                future.cancel()

    def _compute_here(self, task: ChunkTask) -> ChunkResult | Failure:
        """Compute a chunk that several workers died with, in a process of this machine that tells which plugin did it.

        A worker that dies takes down all that was sent to it, so it may have been the fault of another chunk.
        """
        with Workers[ChunkTask, ChunkResult](compute, 1, self._request.plugin_seconds) as here:
            ((_, outcome),) = here.run(iter([task]))
        return outcome

    def _send(self, task: ChunkTask) -> Any:
        # One opaque text: the scheduler need not look into it, and need not have this program.
        data = pickle.dumps((task, self._versions), protocol=pickle.HIGHEST_PROTOCOL)
        key = f"aftersun-chunk-{task.number + 1}-{uuid4().hex[:8]}"
        return self._client.submit(compute_on_worker, data, key=key, pure=False)

    def _fetch(self, future: Any) -> ChunkResult:
        """Wait for a result as long as somebody is there to compute it."""
        seen = time.monotonic()
        while True:
            try:
                result: ChunkResult = future.result(timeout=_LOOK_S)
                return result
            except TimeoutError:  # not done yet, or its worker died with it and another computes it again
                if self._client.status != "running":
                    raise self._gone("the scheduler is gone") from None
                now = time.monotonic()
                seen = now if self._threads() else seen
                if now - seen > _NOBODY_S:
                    raise self._gone("no worker is left") from None
            except CancelledError as error:
                raise self._gone("the scheduler is gone") from error

    def _gone(self, why: str) -> AftersunError:
        return AftersunError(
            f"The run on {self._address} ends: {why}.", "What is finished is kept; rank again to go on, there or here."
        )

    def _threads(self) -> int:
        try:
            return sum(self._client.nthreads().values())
        except (OSError, RuntimeError, TimeoutError) as error:
            raise self._gone("the scheduler is gone") from error

    def _check_workers(self) -> None:
        """Refuse workers on which another program, plugin or library would compute."""
        try:
            self._client.wait_for_workers(1, timeout=_CONNECT_S)
        except TimeoutError as error:
            raise AftersunError(
                f"The scheduler at {self._address} has no workers.",
                f"Start some: dask worker {self._address} --nthreads 1",
            ) from error
        try:
            answers = self._client.run(versions_on_worker, pickle.dumps(self._request), on_error="return")
        except ModuleNotFoundError as error:  # the scheduler hands the first worker's on
            answers = {"one of them": error}
        for worker, theirs in sorted(answers.items()):
            if isinstance(theirs, ModuleNotFoundError):
                raise _differs(str(worker), f"it lacks the package '{theirs.name}'")
            if isinstance(theirs, BaseException):
                raise _differs(str(worker), f"it cannot load the plugins ({type(theirs).__name__})")
            _check(str(worker), self._versions, theirs)


def versions_on_worker(request: bytes) -> dict[str, str]:
    """Return what a worker would compute with."""
    with _one_at_a_time:
        return versions_of(pickle.loads(request))


def compute_on_worker(data: bytes) -> ChunkResult:
    """Compute a chunk on a worker, if it has the versions of the machine that asks; it may have joined late."""
    task, expected = pickle.loads(data)
    with _one_at_a_time:
        _check("that has joined since", expected, versions_of(task.request))
        return compute(task)


def _check(worker: str, ours: Mapping[str, str], theirs: Mapping[str, str]) -> None:
    for name in sorted(ours.keys() | theirs.keys(), key=lambda name: (name.startswith("code"), name)):
        if ours.get(name) != theirs.get(name):
            has, here = (versions.get(name, "missing")[:16] for versions in (theirs, ours))
            raise _differs(worker, f"its {name} is {has}, here it is {here}")


def _differs(worker: str, difference: str) -> AftersunError:
    return AftersunError(
        f"The worker {worker} would compute something else: {difference}.",
        "Install the same versions of the program, its plugins and libraries on all machines.",
    )
