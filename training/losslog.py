"""The trainer's log: losses, speed and waiting between two lines."""

from __future__ import annotations

import json
import math
import time
from collections import defaultdict
from typing import Any

from torch import Tensor

ENOUGH_STEPS = 10
"""Without a finite loss: one bad batch is skipped by the optimiser, all of them are a fault."""


class Log:
    """Prints a line now and then, and keeps the sums between lines on the device."""

    def __init__(self, path: str | None):
        self._path = path
        self.reset()

    def reset(self) -> None:
        self.since = time.monotonic()
        self.images = 0
        self.steps = 0
        self.waited_s = 0.0
        self._finite: Tensor | None = None
        self._sums: dict[str, Tensor] = {}
        self._counts: dict[str, int] = defaultdict(int)

    def add(self, losses: dict[str, Tensor], images: int, look: bool) -> None:
        self.images += images
        self.steps += 1
        for name, value in losses.items():
            # Collars are not taught at the LOOK: leave those zeros out of the means.
            if look and name.startswith(("collar", "hidden")):
                continue
            key = ("look_" if look and name == "total" else "") + name
            detached = value.detach()
            self._sums[key] = self._sums[key] + detached if key in self._sums else detached
            self._counts[key] += 1
        finite = losses["total"].detach().isfinite()
        self._finite = finite if self._finite is None else self._finite | finite

    def write(self, **facts: Any) -> None:
        """Print the means since the last line.

        Raises
        ------
        SystemExit
            When no step since then had a finite loss, so that nothing was learnt.
        """
        seconds = time.monotonic() - self.since
        means = {k: float(v) / self._counts[k] for k, v in self._sums.items()}
        row = {
            **facts,
            "img_per_s": round(self.images / max(seconds, 1e-6), 1),
            "steps_per_s": round(self.steps / max(seconds, 1e-6), 2),
            "wait_share": round(self.waited_s / max(seconds, 1e-6), 3),
            "losses": {k: round(v, 4) for k, v in means.items()},
        }
        head = " ".join(f"{k} {v}" for k, v in row.items() if k != "losses")
        print(head + " | " + " ".join(f"{k} {v:.3f}" for k, v in means.items()), flush=True)
        if self._path:
            with open(self._path, "a", encoding="utf-8") as stream:
                stream.write(json.dumps(row) + "\n")
        if self.steps >= ENOUGH_STEPS and self._finite is not None and not bool(self._finite):
            broken = ", ".join(name for name, mean in means.items() if not math.isfinite(mean))
            raise SystemExit(f"Nothing is learnt: no finite loss in {self.steps} steps ({broken}).")
        self.reset()
