"""Cluster: photos read by the workers of a Dask scheduler, on as many machines as it has.

A task is one photo. On its Dask worker it runs in a process of its own, the same that
`collarvision.batch.pool` starts, so that a photo that ends the process that reads it ends no
worker, and is known by name. Machines may come and go: what a lost one had in hand, the scheduler
gives to another.
"""

from __future__ import annotations

import multiprocessing
import os
import queue
import threading
import time
import uuid
from collections import Counter, deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from multiprocessing.connection import wait
from typing import Any

from collarvision.batch.pool import DEATHS, PHOTO_SECONDS, EngineError, Poisoned, WorkerProcess
from collarvision.batch.worker import CannotRead, Done, Options, Task
from collarvision.survey import ModelFacts

RETRIES = 2
"""How often the scheduler tries a task again that failed on a fault of its machine."""

LOSSES = 2
"""A photo in hand when this many rounds of machines were lost is left aside."""

CONNECT_SECONDS = 20.0
PATIENCE_SECONDS = 120.0
"""How long a run waits for the first worker, or for the next after the last one went."""

BREATH_SECONDS = 0.2
LOOK_SECONDS = 3.0
AHEAD = 2
"""Tasks in the scheduler's hands for each thread of a worker."""


class Cluster:
    """The workers of a Dask scheduler.

    Parameters
    ----------
    address : str
        ``tcp://host:8786``, ``host:8786``, or the path of a scheduler file (``.json``).
    options : Options
    model : ModelFacts
        Of this computer; workers that have another are refused.
    patience_seconds : float
        See `PATIENCE_SECONDS`.
    """

    def __init__(
        self,
        address: str,
        options: Options,
        model: ModelFacts,
        *,
        patience_seconds: float = PATIENCE_SECONDS,
    ) -> None:
        self._address, self._options, self._model = address, options, model
        self._patience_seconds = patience_seconds

    def run(
        self, tasks: Iterator[Task | None], stopping: Callable[[], bool]
    ) -> Iterator[Done | Poisoned]:
        """See `collarvision.batch.pool.Engine.run`.

        Raises
        ------
        EngineError
            No scheduler, no worker for too long, or workers that read differently.
        """
        client = _connect(self._address)
        try:
            yield from _Run(client, self._options, self._model, self._patience_seconds).all(
                tasks, stopping
            )
        finally:
            client.close(timeout=5)


@dataclass(frozen=True)
class _Sent:
    task: Task
    future: Any


class _Run:
    """One run's tasks on one scheduler."""

    def __init__(
        self, client: Any, options: Options, model: ModelFacts, patience_seconds: float
    ) -> None:
        self._client, self._options, self._model = client, options, model
        self._patience_seconds = patience_seconds
        self._name = f"collarvision-{uuid.uuid4().hex[:12]}"
        self._sent: dict[str, _Sent] = {}
        self._ready: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._again: deque[Task] = deque()
        self._losses: Counter[int] = Counter()
        self._threads = 0
        self._count = 0
        self._looked = -LOOK_SECONDS
        self._manned = time.monotonic()

    def all(
        self, tasks: Iterator[Task | None], stopping: Callable[[], bool]
    ) -> Iterator[Done | Poisoned]:
        source: Iterator[Task | None] | None = tasks
        while True:
            self._look_around()
            if stopping():
                source = None
                self._again.clear()
            waiting = False
            while not waiting and len(self._sent) < AHEAD * max(self._threads, 1):
                if self._again:
                    self._send(self._again.popleft())
                    continue
                if source is None:
                    break
                try:
                    task = next(source)
                except StopIteration:
                    source = None
                    break
                waiting = task is None
                if task is not None:
                    self._send(task)
            if not self._sent and source is None and not self._again:
                return
            yield from self._collect(0.0 if waiting else BREATH_SECONDS)

    def _send(self, task: Task) -> None:
        self._count += 1
        key = f"{self._name}-{self._count}"
        future = self._client.submit(
            stage_on_worker, task, self._options, key=key, pure=False, retries=RETRIES
        )
        self._sent[key] = _Sent(task, future)
        future.add_done_callback(lambda done: self._ready.put(done.key))

    def _collect(self, seconds: float) -> Iterator[Done | Poisoned]:
        try:
            key = self._ready.get(timeout=seconds) if seconds else self._ready.get_nowait()
        except queue.Empty:
            return
        sent = self._sent.pop(key)
        end = self._end_of(sent)
        sent.future.release()
        if end is not None:
            yield end

    def _end_of(self, sent: _Sent) -> Done | Poisoned | None:
        """What became of a task; None when it must be sent again."""
        from concurrent.futures import CancelledError

        from distributed import KilledWorker

        task = sent.task
        try:
            said = sent.future.result(timeout=CONNECT_SECONDS)
        except KilledWorker:
            # Several machines were lost with it in hand: its fault, or that of its neighbours.
            self._losses[task.number] += 1
            if self._losses[task.number] >= LOSSES:
                return Poisoned(task, "with the machines that it was on")
            self._again.append(task)
            return None
        except CancelledError as error:
            raise EngineError(_LOST) from error
        except ImportError as error:
            raise EngineError(
                f"The workers can't run this program ({error}): install the same version of "
                "collarvision, with its cluster extra, on every machine."
            ) from error
        except Exception as error:
            if self._client.status != "running":
                raise EngineError(_LOST) from error
            return Poisoned(task, f"with {type(error).__name__}: {error}")
        if isinstance(said, CannotRead):
            raise EngineError(f"A worker of the cluster can't read photos. {said.sentence}")
        if isinstance(said, Done):
            return self._checked(said)
        return Poisoned(task, said.why)

    def _checked(self, done: Done) -> Done:
        model = done.model or self._model
        if (model.sha256, model.calibration) != (self._model.sha256, self._model.calibration):
            raise EngineError(
                "The workers of the cluster have another network or calibration than this "
                "computer: install the same version of collarvision on every machine."
            )
        unseen = done.sha256 is None and done.task.sha256 is not None
        if unseen and os.path.exists(done.task.path):
            sentence = (
                f"A worker of the cluster can't read {done.task.path}, which this computer can: "
                "give a folder that every machine sees under the same name, or an address."
            )
            return replace(done, reading=replace(done.reading, reasons=(sentence,)))
        return done

    def _look_around(self) -> None:
        """Count the cluster's threads now and then; it may grow and shrink."""
        now = time.monotonic()
        if now - self._looked < LOOK_SECONDS:
            return
        self._looked = now
        if self._client.status != "running":
            raise EngineError(_LOST)
        try:
            self._threads = sum(self._client.nthreads().values())
        except OSError as error:  # it went after the status was looked at
            raise EngineError(_LOST) from error
        if self._threads:
            self._manned = now
        elif now - self._manned > self._patience_seconds:
            raise EngineError(
                f"The cluster has had no worker for {self._patience_seconds:.0f} seconds: start "
                "workers, then run the same command to go on."
            )


_LOST = (
    "The cluster's scheduler is gone: start it again, then run the same command to go on; what was "
    "read is kept."
)


def _connect(address: str) -> Any:
    try:
        import dask
        import distributed
    except ImportError as error:
        raise EngineError(
            "--cluster needs further packages: pip install 'collarvision[cluster]'."
        ) from error
    dask.config.set({"logging.distributed": "error"})
    where = {"scheduler_file": address} if address.endswith(".json") else {"address": address}
    if "scheduler_file" in where and not os.path.exists(address):
        # Dask would wait for the file for ever.
        raise EngineError(f"There is no scheduler file {address}: check the name.")
    try:
        return distributed.Client(**where, timeout=CONNECT_SECONDS, name="collarvision")
    except (OSError, ValueError, TimeoutError) as error:
        raise EngineError(
            f"No Dask scheduler answers at {address}: start `dask scheduler` there, or check the "
            "address."
        ) from error


# --------------------------------------------------------------------------- on a Dask worker

_idle: list[tuple[Options, WorkerProcess]] = []
_idle_lock = threading.Lock()


def stage_on_worker(task: Task, options: Options) -> Done | Poisoned | CannotRead:
    """Read one photo in a process beside this one, which stays for the next photo."""
    why = ""
    for _ in range(DEATHS):
        process = _take(options)
        said = _ask(process, task)
        if said is None:
            why = process.last_words()
            process.close()
            if not process.was_ready:
                raise ChildProcessError(f"the process that reads photos ended as it started, {why}")
            continue
        if isinstance(said, CannotRead):
            process.dismiss()
            process.close()
            return said
        with _idle_lock:
            _idle.append((options, process))
        return said
    return Poisoned(task, why)


def _ask(process: WorkerProcess, task: Task) -> Done | CannotRead | None:
    """Give a task and wait for its answer; None when the process has ended, or had to be."""
    if process.give(task):
        while True:
            wait([process.pipe, process.process.sentinel], timeout=BREATH_SECONDS)
            for said in process.said():
                return said
            if not process.process.is_alive():
                return next(process.said(), None)
            if process.overdue(PHOTO_SECONDS):
                process.why = "it took too long"
                break
    process.process.kill()
    process.process.join()
    return None


def _take(options: Options) -> WorkerProcess:
    """A process that waits for work, or a new one; each thread of the worker has its own."""
    with _idle_lock:
        for number, (its_options, process) in enumerate(_idle):
            if its_options == options:
                del _idle[number]
                return process
        while _idle:
            _, process = _idle.pop()
            process.dismiss()
            process.close()
        with _as_a_parent():
            return WorkerProcess(options, threads=1)


@contextmanager
def _as_a_parent() -> Iterator[None]:
    """Start a process from a Dask worker, which is daemonic and so may not have any.

    The rule keeps children from staying behind; ours end when the pipe to this process closes,
    however it ended.
    """
    flags: dict[str, Any] = multiprocessing.current_process()._config  # type: ignore[attr-defined]
    was = flags.get("daemon")
    flags["daemon"] = False
    try:
        yield
    finally:
        flags["daemon"] = was
