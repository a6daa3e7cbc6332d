"""Chunks computed by the workers of a Dask scheduler. The package ``distributed`` is needed only here."""

from __future__ import annotations

import pickle
import threading
import time
from collections import deque
from collections.abc import Iterator, Mapping
from contextlib import suppress
from importlib import import_module
from types import TracebackType
from typing import Any, Self
from uuid import uuid4

from aftersun.host.watch import watched
from aftersun.host.workers import Lost, Workers
from aftersun.model.errors import AftersunError
from aftersun.scoring.run.spool import Packed
from aftersun.scoring.run.work import Job, Order, compute, compute_in_worker, versions_of

AHEAD = 2  # chunks for each worker that are sent or done and not yet fetched
_CONNECT_S = 10.0
_NOBODY_S = 60.0  # without a worker until the run ends
_POLL_S, _LOOK_S, _FETCH_S = 0.05, 2.0, 30.0
_one_at_a_time = threading.Lock()  # plugins change what belongs to the process, and it is put back after each


class _Killed(Exception):
    """Several workers died that had a chunk, perhaps of another one."""


class Cluster:
    """The workers of a scheduler. A chunk whose worker dies is computed by another one."""

    def __init__(self, address: str, order: Order) -> None:
        try:
            self._dask: Any = import_module("distributed")
        except ImportError as error:
            raise AftersunError(
                "For a scheduler the package 'distributed' is needed.",
                "Install it: pip install 'aftersun[distributed]'",
            ) from error
        self._address = address
        self._order = order
        self._versions = versions_of(order)
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

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.close()

    def results(self, jobs: Iterator[Job]) -> Iterator[tuple[Job, Packed | Lost]]:
        """See :class:`aftersun.scoring.run.engine.Engine`.

        Raises
        ------
        AftersunError
            If a worker has other versions, or scheduler or workers are gone.
        """
        sent: deque[tuple[Job, Any]] = deque()
        try:
            while True:
                while len(sent) < AHEAD * max(self._threads(), 1) and (job := next(jobs, None)) is not None:
                    sent.append((job, self._send(job)))
                if not sent:
                    return
                job, future = sent[0]
                try:
                    done: Packed | Lost = self._fetch(future)
                except _Killed:
                    done = self._alone(sent)
                sent.popleft()
                future.release()
                yield job, done
                if isinstance(done, Lost) and done.plugin:
                    return  # the others were sent with it; they are given again without it
        finally:
            for _, future in sent:
                future.cancel()

    def _alone(self, sent: deque[tuple[Job, Any]]) -> Packed | Lost:
        """Compute the first of these chunks with no other on the workers, then send the others again.

        A worker that dies takes down all that was sent to it, and the scheduler does not know whose fault it was. A
        chunk that ends workers when it is alone, too, is computed here, in a process that tells which plugin did it.
        """
        for _, future in sent:
            future.cancel()
        job, _ = sent[0]
        try:
            done: Packed | Lost = self._fetch(self._send(job))
        except _Killed:
            with Workers[Job, Packed](compute_in_worker, 1, self._order.plugin_seconds) as here:
                ((_, done),) = here.run(iter([job]))
            if isinstance(done, Lost):
                return done
        for place, (other, _) in enumerate(list(sent)[1:], start=1):
            sent[place] = other, self._send(other)
        return done

    def _send(self, job: Job) -> Any:
        # One opaque text: the scheduler need not look into it, and need not have this program.
        data = pickle.dumps((job, self._versions), protocol=pickle.HIGHEST_PROTOCOL)
        key = f"aftersun-chunk-{job.number + 1}-{uuid4().hex[:8]}"
        return self._client.submit(compute_on_worker, data, key=key, pure=False)

    def _fetch(self, future: Any) -> Packed:
        """Wait for a result as long as somebody is there to compute it. Raises _Killed."""
        looked = seen = time.monotonic()
        while True:
            if future.status == "finished":
                with suppress(TimeoutError):  # else its worker died with it, and another computes it again
                    done: Packed = future.result(timeout=_FETCH_S)
                    return done
            elif future.status == "error":
                error = future.exception()
                if isinstance(error, self._dask.KilledWorker):
                    raise _Killed from error
                raise error
            elif future.status != "pending" or self._client.status != "running":
                raise self._lost("the scheduler is gone")
            time.sleep(_POLL_S)
            if time.monotonic() - looked > _LOOK_S:
                looked = time.monotonic()
                seen = looked if self._threads() else seen
                if looked - seen > _NOBODY_S:
                    raise self._lost("no worker is left")

    def _lost(self, why: str) -> AftersunError:
        return AftersunError(
            f"The run on {self._address} ends: {why}.", "What is finished is kept; rank again to go on, there or here."
        )

    def _threads(self) -> int:
        try:
            return sum(self._client.nthreads().values())
        except (OSError, RuntimeError, TimeoutError) as error:
            raise self._lost("the scheduler is gone") from error

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
            found = self._client.run(versions_on_worker, pickle.dumps(self._order), on_error="return")
        except ModuleNotFoundError as error:  # the scheduler hands the first worker's on
            found = {"one of them": error}
        for worker, theirs in sorted(found.items()):
            if isinstance(theirs, ModuleNotFoundError):
                raise _differs(str(worker), f"it lacks the package '{theirs.name}'")
            if isinstance(theirs, BaseException):
                raise _differs(str(worker), f"it cannot load the plugins ({type(theirs).__name__})")
            _check(str(worker), self._versions, theirs)


def versions_on_worker(order: bytes) -> dict[str, str]:
    """Return what a worker would compute with."""
    return versions_of(pickle.loads(order))


def compute_on_worker(data: bytes) -> Packed:
    """Compute a chunk on a worker, if it has the versions of the machine that asks; it may have joined late."""
    job, expected = pickle.loads(data)
    with _one_at_a_time:
        _check("that has joined since", expected, versions_of(job.order))
        with watched(job.order.plugin_seconds):
            return compute(job)


def _check(worker: str, ours: Mapping[str, str], theirs: Mapping[str, str]) -> None:
    for name in sorted(ours.keys() | theirs.keys(), key=lambda name: (name.startswith("code"), name)):
        if ours.get(name) != theirs.get(name):
            has, here = (_short(found.get(name)) for found in (theirs, ours))
            raise _differs(worker, f"its {name} is {has}, here it is {here}")


def _short(found: str | None) -> str:
    return "missing" if found is None else found[:16]


def _differs(worker: str, difference: str) -> AftersunError:
    return AftersunError(
        f"The worker {worker} would compute something else: {difference}.",
        "Install the same versions of the program, its plugins and libraries on all machines.",
    )
