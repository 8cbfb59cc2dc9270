"""Parts: folders of samples that a process fills, goes on with, and never overwrites."""

from __future__ import annotations

import gc
import json
import os
import time
from collections.abc import Callable, Iterable
from pathlib import Path

import cv2


def next_index(lines: Path) -> int:
    """Give the index after that of the last sample in a truth file; 0 where there is none.

    A last line that was cut off is taken away: its sample is made anew.
    """
    if not lines.exists():
        return 0
    written = lines.read_bytes()
    whole = written[: written.rfind(b"\n") + 1]
    if whole != written:
        os.truncate(lines, len(whole))
    last = whole.decode("utf-8").strip().rpartition("\n")[2]
    return int(Path(json.loads(last)["file"]).stem.split("_")[1]) + 1 if last else 0


def write_whole(path: Path, data: bytes) -> None:
    """Write a file that is there whole or not at all."""
    spare = path.with_suffix(path.suffix + ".part")
    spare.write_bytes(data)
    os.replace(spare, path)


MOST_LEFT_OUT = 4
LEFT_OUT_SHARE = 0.01
"""A part ends when more samples than both were left out: then it isn't an odd plant but a kind of
plant, and a network trained on the rest would forget that kind (it happened: every VE)."""


def fill(
    seed: int, indices: Iterable[int], write: Callable[[int], None], *, minutes: float, every: int
) -> None:
    """Write samples one after the other until the time is up; tell now and then how fast.

    Parameters
    ----------
    seed : int
        The part's, for what is told.
    indices : iterable of int
    write : callable
        Writes the sample of an index.
    minutes : float
    every : int
        Samples between two lines.

    Raises
    ------
    RuntimeError
        When more samples fail than chance explains: see `MOST_LEFT_OUT`.
    """
    cv2.setNumThreads(1)  # processes are the parallelism here
    begun = time.monotonic()
    end = begun + 60 * minutes
    done = left_out = 0
    for index in indices:
        if time.monotonic() > end:
            break
        try:
            write(index)
        except (ArithmeticError, IndexError, ValueError, cv2.error) as fault:
            # One odd plant in ten thousand must not end a part; it is named and left out.
            print(f"part {seed}: sample {index} left out: {fault!r}", flush=True)
            left_out += 1
            if left_out > max(MOST_LEFT_OUT, LEFT_OUT_SHARE * (done + left_out)):
                raise RuntimeError(
                    f"{left_out} of {done + left_out} samples failed, the last with {fault!r}: "
                    "mend the generator before training on the rest."
                ) from fault
            continue
        done += 1
        if done % every == 0:
            gc.collect()
            rate = done / (time.monotonic() - begun)
            print(f"part {seed}: {index + 1} samples, {rate:.2f} a second", flush=True)
