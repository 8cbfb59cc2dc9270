"""Things made ahead of their use, in a thread of their own and, on a GPU, on a stream of their own.

What a camera does to a picture is many small steps, between which a GPU has nothing to do; beside
the passes of the step before they cost next to nothing (`training/EXPERIMENTS.md`, 33).
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterable
from typing import Any, Generic, TypeVar

import torch
from torch import Tensor

Item = TypeVar("Item")

PATIENCE_S = 120.0
"""Nothing takes longer to make: who waits as long is told, instead of waiting for ever."""


class Ahead(Generic[Item]):
    """Makes items one after another, a few ahead of who asks.

    Parameters
    ----------
    make : makes the next item; what it raises is raised where the item is wanted
    tensors : those of an item that lie on the device. All else that a pending kernel may read has
        to be held by the item, so that its memory isn't given away.
    ahead : at most so many items wait
    """

    def __init__(
        self,
        make: Callable[[], Item],
        tensors: Callable[[Item], Iterable[Tensor]],
        device: torch.device,
        ahead: int = 3,
    ):
        self._make, self._tensors, self._device = make, tensors, device
        self.waited_s = 0.0
        self._ready: queue.Queue[Any] = queue.Queue(ahead)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        stream = None
        if self._device.type == "cuda":
            torch.cuda.set_device(self._device)  # each thread has its own
            stream = torch.cuda.Stream(self._device)
        while not self._stop.is_set():
            try:
                with torch.no_grad(), torch.cuda.stream(stream):
                    made: Any = (self._make(), stream.record_event() if stream else None)
            except BaseException as fault:  # told where the item is wanted
                made = fault
            while not self._stop.is_set():
                try:
                    self._ready.put(made, timeout=0.2)
                    break
                except queue.Full:
                    continue

    def next(self) -> Item:
        """Give the next item, safe to use on the stream of whoever asks.

        Raises
        ------
        queue.Empty
            When none comes in `PATIENCE_S`.
        """
        asked = time.monotonic()
        made = self._ready.get(timeout=PATIENCE_S)
        self.waited_s += time.monotonic() - asked
        if isinstance(made, BaseException):
            raise made
        item, ready = made
        if ready is not None:
            stream = torch.cuda.current_stream(self._device)
            stream.wait_event(ready)
            for tensor in self._tensors(item):
                tensor.record_stream(stream)
        given: Item = item
        return given

    def stop(self) -> None:
        """End the thread."""
        self._stop.set()
        self._thread.join()
