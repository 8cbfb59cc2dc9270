"""Pool: worker processes of one machine, watched one by one.

Each worker has a pipe of its own and a short queue, so that a worker that dies is known by name and
so is the photo that it had in hand. `concurrent.futures` gives up the whole pool at one death and
can't tell whose it was.
"""

from __future__ import annotations

import multiprocessing
import signal
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from multiprocessing.connection import wait
from multiprocessing.process import BaseProcess
from typing import Protocol

from collarvision.batch.worker import CannotRead, Done, Options, Task, work

QUEUE = 2
"""Tasks a worker has: one in hand, one so that it needn't wait for the next."""

DEATHS = 2
"""A photo that has ended this many workers is not tried again."""

PHOTO_SECONDS = 300.0
"""A worker that takes longer for one photo is hung, and is ended."""

BREATH_SECONDS = 0.2
START_SECONDS = 120.0


class EngineError(Exception):
    """No photo can be read any more; the message says why."""


class Poisoned:
    """A task that ended `DEATHS` workers, and how the last one ended."""

    def __init__(self, task: Task, why: str) -> None:
        self.task, self.why = task, why


class Engine(Protocol):
    """What runs tasks: this machine's pool, or anything else that keeps this promise."""

    def run(
        self, tasks: Iterator[Task | None], stopping: Callable[[], bool]
    ) -> Iterator[Done | Poisoned]:
        """Give back every task taken from `tasks`, in any order, each once.

        `tasks` may give None for "nothing just now". Once `stopping` says so no more are taken, and
        those in hand are finished.
        """
        ...


class Pool:
    """Worker processes on this machine.

    Parameters
    ----------
    workers : int
    options : Options
    threads : int, optional
        Of each worker; one when there are several workers, else as many as a single photo uses.
    photo_seconds : float
        See `PHOTO_SECONDS`.
    """

    def __init__(
        self,
        workers: int,
        options: Options,
        *,
        threads: int | None = None,
        photo_seconds: float = PHOTO_SECONDS,
    ) -> None:
        self._count = workers
        self._options = options
        self._threads = threads or (1 if workers > 1 else 4)
        self._photo_seconds = photo_seconds
        self._workers: list[WorkerProcess] = []
        self._again: deque[Task] = deque()
        self._deaths: Counter[int] = Counter()
        self._failed_starts = 0

    def run(
        self, tasks: Iterator[Task | None], stopping: Callable[[], bool]
    ) -> Iterator[Done | Poisoned]:
        """See `Engine.run`.

        Raises
        ------
        EngineError
            Workers can't be started, or no photo can be read.
        """
        source: Iterator[Task | None] | None = tasks
        try:
            while True:
                if stopping():
                    source = None
                    self._again.clear()
                waiting = False
                while source is not None and not waiting and self._has_room():
                    try:
                        task = next(source)
                    except StopIteration:
                        source = None
                        break
                    if task is None:
                        waiting = True
                    else:
                        self._again.append(task)
                self._hand_out()
                if not self._again and not any(worker.hand for worker in self._workers):
                    if source is None:
                        return
                    if not self._workers:
                        continue
                yield from self._collect(0.0 if waiting else BREATH_SECONDS)
        finally:
            self._close()

    def _has_room(self) -> bool:
        held = sum(len(worker.hand) for worker in self._workers) + len(self._again)
        return held < self._count * QUEUE

    def _hand_out(self) -> None:
        while self._again:
            free = [worker for worker in self._workers if worker.may_take(self._suspect())]
            if len(self._workers) < self._count and not any(not w.hand for w in free):
                self._workers.append(WorkerProcess(self._options, self._threads))
                continue
            if not free:
                return
            task = self._again[0]
            if not min(free, key=lambda worker: len(worker.hand)).give(task):
                return  # it has died; `_collect` sees to that
            self._again.popleft()

    def _suspect(self) -> bool:
        return self._deaths[self._again[0].number] > 0

    def _collect(self, seconds: float) -> Iterator[Done | Poisoned]:
        pipes = {worker.pipe: worker for worker in self._workers}
        ends = {worker.process.sentinel: worker for worker in self._workers}
        ready = wait([*pipes, *ends], timeout=seconds)
        for pipe in ready:
            worker = pipes.get(pipe)  # type: ignore[call-overload]
            if worker is not None:
                yield from self._take_from(worker)
        for worker in self._workers[:]:
            if worker.overdue(self._photo_seconds):
                worker.process.kill()
                worker.process.join()
                worker.why = "it took too long"
            if not worker.process.is_alive():
                yield from self._take_from(worker)  # what it sent before it died
                yield from self._bury(worker)

    def _take_from(self, worker: WorkerProcess) -> Iterator[Done]:
        for said in worker.said():
            self._failed_starts = 0
            if isinstance(said, CannotRead):
                raise EngineError(said.sentence)
            yield said

    def _bury(self, worker: WorkerProcess) -> Iterator[Poisoned]:
        words = worker.last_words()
        self._workers.remove(worker)
        worker.close()
        if not worker.was_ready:
            self._again.extendleft(reversed(worker.hand))
            self._failed_starts += 1
            if self._failed_starts >= 3:
                raise EngineError(
                    f"The processes that read photos end as they start ({words}): "
                    "close other programs to free memory, or try --workers 1."
                )
            return
        if not worker.hand:
            return
        culprit, *innocent = worker.hand
        self._again.extendleft(reversed(innocent))
        self._deaths[culprit.number] += 1
        if self._deaths[culprit.number] >= DEATHS:
            yield Poisoned(culprit, words)
        else:
            self._again.append(culprit)

    def _close(self) -> None:
        for worker in self._workers:
            worker.dismiss()
        for worker in self._workers:
            worker.process.join(timeout=2.0)
            if worker.process.is_alive():
                worker.process.kill()
                worker.process.join()
            worker.close()
        self._workers.clear()


class WorkerProcess:
    """One process, its pipe, and the tasks it has; the first of them is the one in hand."""

    def __init__(self, options: Options, threads: int) -> None:
        spawn = multiprocessing.get_context("spawn")
        self.pipe, theirs = spawn.Pipe()
        self.process: BaseProcess = spawn.Process(
            target=work, args=(theirs, options, threads), daemon=True
        )
        with _deaf_to_ctrl_c():
            self.process.start()
        theirs.close()  # so that our end tells of its death
        self.hand: deque[Task] = deque()
        self.was_ready = False
        self.why: str | None = None
        self._since = time.monotonic()

    def may_take(self, suspect: bool) -> bool:
        """A photo that has ended a worker before is given to one that has nothing else to lose."""
        return len(self.hand) < (1 if suspect else QUEUE)

    def give(self, task: Task) -> bool:
        """Hand over a task; False when the process is gone."""
        try:
            self.pipe.send(task)
        except OSError:
            return False
        if not self.hand:
            self._since = time.monotonic()
        self.hand.append(task)
        return True

    def said(self) -> Iterator[Done | CannotRead]:
        with suppress(EOFError, OSError):
            while self.pipe.poll():
                message = self.pipe.recv()
                self._since = time.monotonic()
                self.was_ready = True
                if isinstance(message, Done):
                    self.hand.popleft()
                if message != "ready":
                    yield message

    def overdue(self, photo_seconds: float) -> bool:
        limit = photo_seconds if self.was_ready else START_SECONDS
        return bool(self.hand) and time.monotonic() - self._since > limit

    def last_words(self) -> str:
        code = self.process.exitcode
        if self.why is not None or code is None:
            return self.why or "for no known reason"
        if code < 0:
            with suppress(ValueError):
                return f"by {signal.Signals(-code).name}"
        return f"with status {code}"

    def dismiss(self) -> None:
        if self.hand:
            self.process.kill()
        else:
            with suppress(OSError):
                self.pipe.send(None)

    def close(self) -> None:
        self.process.join()
        self.pipe.close()
        self.process.close()


@contextmanager
def _deaf_to_ctrl_c() -> Iterator[None]:
    """Start a process that ignores Ctrl-C from its first moment, before its code can say so."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    was = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, was)
