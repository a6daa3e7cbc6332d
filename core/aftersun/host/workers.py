"""Processes that work off jobs, and that may hang, crash or be killed without harm to anybody else.

The pool of the standard library does not say whose job a dead process had, and is broken as a whole by it; so each
process here has a pipe of its own, and a note (:mod:`aftersun.host.duty`) that tells which plugin it was asking.
"""

from __future__ import annotations

import os
import pickle
import signal
import sys
import threading
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from multiprocessing import get_context, parent_process
from multiprocessing.connection import Connection, wait
from typing import Any, Generic, TypeVar

from aftersun.host import duty
from aftersun.host.watch import overdue

Job = TypeVar("Job")
Answer = TypeVar("Answer")

AHEAD = 2  # jobs for each process that are begun or done and not yet fetched: memory does not grow with their number
_LOOK_S = 0.2
_TRIES = 2  # a process may be killed by somebody else once
# "spawn" starts clean processes on every system; a forked one would inherit locks and open files.
_SPAWN = get_context("spawn")


@dataclass(frozen=True)
class Lost:
    """A job that nothing came of: the plugin that was asked when its process hung or ended, or "" for none."""

    plugin: str
    during: str
    reason: str


class Retire(Exception):
    """Raised by a function that has its answer and wants its process to be replaced by a fresh one."""

    def __init__(self, answer: object) -> None:
        super().__init__()
        self.answer = answer


class _Worker:
    """One process with its pipe and its note."""

    def __init__(self, function: Callable[[Any], Any]) -> None:
        self.memory = _SPAWN.RawArray("c", duty.SIZE)
        self.note = duty.Duty(self.memory)
        self.pipe, theirs = _SPAWN.Pipe()
        self.process = _SPAWN.Process(target=_serve, args=(theirs, self.memory, function), daemon=True)
        with _no_interrupts():
            self.process.start()
        theirs.close()  # so that the pipe ends with the process
        self.place = -1  # of the job that it works on
        self.seen, self.since = -1, 0.0

    def give(self, place: int, job: object) -> None:
        """Hand over a job; that the process has died in the meantime is found when it is listened to."""
        self.place, self.seen = place, -1
        with suppress(ConnectionError):
            self.pipe.send(job)

    def hangs(self, seconds: float) -> bool:
        """Tell whether a plugin has been at work for too long, as far as one who looks now and then can tell."""
        count, now = self.note.count, time.monotonic()
        if count != self.seen:
            self.seen, self.since = count, now
        return bool(count & 1) and now - self.since >= seconds

    def end(self, died: bool = False) -> str:
        """End the process; return how it ended by itself, if it has ``died``."""
        self.process.join(1.0 if died else 0.0)
        code = self.process.exitcode
        self.process.kill()
        self.process.join()
        self.pipe.close()
        if code is None or code >= 0:
            return f"exit code {code}"
        with suppress(ValueError):
            return signal.Signals(-code).name
        return f"signal {-code}"


class Workers(Generic[Job, Answer]):
    """Works off jobs by one function in several processes. Use it in a ``with`` block; they end with it.

    ``function`` has to be importable, jobs and answers picklable. ``seconds`` is what a plugin may take for one answer.
    """

    def __init__(self, function: Callable[[Job], Answer], processes: int, seconds: float) -> None:
        self._function, self._processes, self._seconds = function, processes, seconds
        self._workers: list[_Worker] = []

    def __enter__(self) -> Workers[Job, Answer]:
        return self

    def __exit__(self, *_: object) -> None:
        for worker in self._workers:
            worker.end()
        self._workers.clear()

    def run(self, jobs: Iterator[Job]) -> Iterator[tuple[Job, Answer | Lost]]:
        """Yield each job with its answer, in order; jobs are taken from the iterator as late as possible.

        A job whose process hangs in a plugin is lost at once; one whose process ends is tried in another one first.
        What the function raises is raised here.
        """
        given: dict[int, Job] = {}
        answers: dict[int, Any] = {}
        tries: dict[int, int] = {}
        again: list[int] = []
        taken = fetched = 0
        more = True
        while True:
            while fetched in answers:
                yield given.pop(fetched), answers.pop(fetched)
                fetched += 1
            while self._room():
                if not again and more and len(given) < AHEAD * self._processes:
                    job = next(jobs, None)
                    more = job is not None
                    if job is not None:
                        given[taken] = job
                        again.append(taken)
                        taken += 1
                if not again:
                    break
                place = again.pop(0)
                self._free().give(place, given[place])
            if not given and not more:
                return
            for place, answer in self._heard(tries):
                if answer is None:
                    again.append(place)
                else:
                    answers[place] = answer

    def _room(self) -> bool:
        return len(self._workers) < self._processes or any(worker.place < 0 for worker in self._workers)

    def _free(self) -> _Worker:
        """Return a process without a job, started if need be."""
        for worker in self._workers:
            if worker.place < 0:
                return worker
        self._workers.append(_Worker(self._function))
        return self._workers[-1]

    def _heard(self, tries: dict[int, int]) -> Iterator[tuple[int, Any]]:
        """Wait a moment and yield the place of each job that came to an end with its answer; None = try it again."""
        busy = [worker for worker in self._workers if worker.place >= 0]
        ready = wait([one for worker in busy for one in (worker.pipe, worker.process.sentinel)], _LOOK_S)
        for worker in busy:
            place = worker.place
            if worker.pipe in ready:
                try:
                    kind, answer = worker.pipe.recv()
                except (EOFError, OSError):
                    yield place, self._died(worker, tries)
                    continue
                if kind == _RAISED:
                    raise answer
                worker.place = -1
                if kind == _RETIRES:
                    self._drop(worker)
                yield place, answer
            elif worker.process.sentinel in ready:
                yield place, self._died(worker, tries)
            elif worker.hangs(self._seconds):
                plugin, during = worker.note.asked() or ("", "")
                self._drop(worker)
                yield place, Lost(plugin, during, overdue(self._seconds))

    def _drop(self, worker: _Worker, died: bool = False) -> str:
        self._workers.remove(worker)
        return worker.end(died)

    def _died(self, worker: _Worker, tries: dict[int, int]) -> Lost | None:
        """Return what is known of it, or None if the job should be tried again."""
        place = worker.place
        asked = worker.note.asked()
        how = self._drop(worker, died=True)
        tries[place] = tries.get(place, 0) + 1
        if tries[place] < _TRIES:
            return None
        plugin, during = asked or ("", "")
        return Lost(plugin, during, f"ended the process that it ran in ({how})")


_ANSWERED, _RAISED, _RETIRES = "answered", "raised", "retires"


def _serve(pipe: Connection, memory: Any, function: Callable[[Any], Any]) -> None:
    """Work off jobs until the pipe ends."""
    with suppress(ValueError):
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # who interrupts the program ends its processes in order
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _stdout_to_stderr()
    duty.share(memory)
    while True:
        try:
            job = pipe.recv()
        except EOFError:
            return
        answer: tuple[str, object]
        try:
            answer = _ANSWERED, function(job)
        except Retire as done:
            answer = _RETIRES, done.answer
        except BaseException as error:
            answer = _RAISED, _portable(error)
        with suppress(BrokenPipeError):
            pipe.send(answer)


def _end_with_parent() -> None:
    """End this process as soon as the one that started it is gone, whatever happened to that."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _stdout_to_stderr() -> None:
    """Results stand on the program's stdout, which this process shares: what compiled code prints there goes astray."""
    with suppress(OSError, ValueError, AttributeError):
        os.dup2(2, 1)
    sys.stdout = sys.stderr


def _portable(error: BaseException) -> BaseException:
    """Return an exception that survives the way to the other process, with its traceback as a note."""
    told = "".join(traceback.format_exception(error))
    with suppress(Exception):
        copy = pickle.loads(pickle.dumps(error))
        if isinstance(copy, Exception):
            copy.add_note(f"In a process of its own:\n{told}")
            return copy
    return RuntimeError(told)


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
