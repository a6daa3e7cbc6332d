"""Processes that work off jobs, and that may hang, crash or be killed without harm to anybody else.

Each process is a pool of one: a pool of several is broken as a whole by one that dies, and does not say whose job it
had. A note (:mod:`aftersun.host.asking`) tells which plugin it was asking.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import count
from multiprocessing import parent_process
from multiprocessing.context import SpawnContext, SpawnProcess
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Generic, Self, TypeVar

from aftersun.host.asking import Failure, keep_note, read_note, too_long

Job = TypeVar("Job")
Answer = TypeVar("Answer")

AHEAD = 2  # jobs for each process that are begun or done and not yet fetched: memory does not grow with their number
_LOOK_S = 0.2
_GRACE_S = 2.0  # for a plugin that is told to stop in its own process
_JOBS = 50  # that a process works off before it is replaced: what a plugin leaks ends with it
_ATTEMPTS = 2  # a process may be killed by somebody else once


class _OneSpawned(SpawnContext):
    """Starts a clean process, where a forked one would inherit locks and open files, and remembers which it was."""

    process: SpawnProcess

    def Process(self, *arguments: Any, **named: Any) -> SpawnProcess:  # type: ignore[override]
        self.process = SpawnProcess(*arguments, **named)
        return self.process


class _Worker:
    """One process and its note."""

    def __init__(self, note: Path) -> None:
        self.note = note
        self.free = True
        self.jobs = 0
        spawned = _OneSpawned()
        self._pool = ProcessPoolExecutor(1, spawned, _prepare, (note,))
        with _no_interrupts():
            self._pool.submit(os.getpid)  # starts the process
        self._process = spawned.process

    def begin(self, function: Callable[[Any], Any], job: object) -> Future[Any]:
        """Hand over a job."""
        self.free = False
        self.jobs += 1
        return self._pool.submit(function, job)

    def end(self) -> None:
        """End the process and whatever it does."""
        self._process.kill()
        self._pool.shutdown(cancel_futures=True)

    def how_it_died(self) -> str:
        """Return how the process ended by itself."""
        self._process.join(5.0)  # on a busy machine it takes a while to be gone
        code = self._process.exitcode
        if code is None or code >= 0:
            return f"exit code {code}"
        with suppress(ValueError):
            return signal.Signals(-code).name
        return f"signal {-code}"


@dataclass(eq=False)
class _Task(Generic[Job]):
    """A job on its way."""

    job: Job
    worker: _Worker | None = None
    future: Future[Any] | None = None
    deaths: int = 0
    ended: bool = False
    answer: Any = None

    def end(self, answer: object) -> None:
        self.answer, self.ended, self.future = answer, True, None


class Workers(Generic[Job, Answer]):
    """Works off jobs by one function in several processes. Use it in a ``with`` block; they end with it.

    ``function`` has to be importable, jobs and answers picklable. ``seconds`` is what a plugin may take for one answer,
    ``attempts`` how many processes may end at one job.
    """

    def __init__(
        self, function: Callable[[Job], Answer], processes: int, seconds: float, attempts: int | None = None
    ) -> None:
        self._function, self._processes, self._seconds = function, processes, seconds
        self._attempts = _ATTEMPTS if attempts is None else attempts
        self._workers: list[_Worker] = []
        self._notes: TemporaryDirectory[str]
        self._numbers = count()

    def __enter__(self) -> Self:
        self._notes = TemporaryDirectory(prefix="aftersun-")
        return self

    def __exit__(self, *_: object) -> None:
        for worker in self._workers:
            worker.end()
        self._workers.clear()
        self._notes.cleanup()

    def run(self, jobs: Iterator[Job]) -> Iterator[tuple[Job, Answer | Failure]]:
        """Yield each job with its answer, in order; jobs are taken from the iterator as late as possible.

        A job whose process hangs in a plugin is lost at once; one whose process ends is tried in another one first.
        Its answer is then the failure of the plugin asked at that moment, "" for none. What the function raises is
        raised here.
        """
        tasks: deque[_Task[Job]] = deque()
        while True:
            while len(tasks) < AHEAD * self._processes and (job := next(jobs, None)) is not None:
                tasks.append(_Task(job))
            if not tasks:
                return
            for task in tasks:
                if not task.ended and task.future is None and (worker := self._free_worker()) is not None:
                    self._begin(task, worker)
            wait([task.future for task in tasks if task.future is not None], _LOOK_S, FIRST_COMPLETED)
            for task in tasks:
                self._look_at(task)
            while tasks and tasks[0].ended:
                task = tasks.popleft()
                yield task.job, task.answer

    def _free_worker(self) -> _Worker | None:
        """Return a process without a job, started if need be; None if all are busy."""
        for worker in self._workers:
            if worker.free:
                return worker
        if len(self._workers) == self._processes:
            return None
        self._workers.append(_Worker(Path(self._notes.name) / f"asked_{next(self._numbers)}"))
        return self._workers[-1]

    def _begin(self, task: _Task[Job], worker: _Worker) -> None:
        try:
            task.worker, task.future = worker, worker.begin(self._function, task.job)
        except BrokenProcessPool:  # somebody has killed it while it had nothing to do
            self._drop(worker)

    def _look_at(self, task: _Task[Job]) -> None:
        """End a task whose answer is there, whose plugin hangs or whose process has died too often."""
        if task.future is None or task.worker is None:
            return
        if not task.future.done():
            plugin, during, seconds = read_note(task.worker.note)
            if plugin and seconds > self._seconds + _GRACE_S:
                self._drop(task.worker)
                task.end(Failure(plugin, during, too_long(self._seconds)))
            return
        try:
            task.end(task.future.result())
            task.worker.free = True
            if task.worker.jobs >= _JOBS:
                self._drop(task.worker)
        except BrokenProcessPool:
            plugin, during, _ = read_note(task.worker.note)
            how = task.worker.how_it_died()
            self._drop(task.worker)
            task.future, task.deaths = None, task.deaths + 1
            if task.deaths == self._attempts:
                task.end(Failure(plugin, during, f"ended the process that it ran in ({how})"))

    def _drop(self, worker: _Worker) -> None:
        self._workers.remove(worker)
        worker.end()


def _prepare(note: Path) -> None:
    """Make a process ready: results stand on the program's stdout, which it shares, and it ends with the program."""
    with suppress(OSError, ValueError):
        os.dup2(2, 1)  # for what compiled code prints
    sys.stdout = sys.stderr
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # who interrupts the program ends its processes in order
    threading.Thread(target=_end_with_parent, daemon=True).start()
    keep_note(note)


def _end_with_parent() -> None:
    """End this process as soon as the one that started it is gone, whatever happened to that."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


@contextmanager
def _no_interrupts() -> Iterator[None]:
    """Start a process that does not hear Ctrl-C even before it can say so itself."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
