"""From nothing to a checkpoint: render on every GPU, train on the last one, side by side.

    python -m training.retrain --work DIR --minutes 20 --gpus 2 -- --out DIR/checkpoint.pt

Renderers write fresh plants under ``DIR/train`` while the trainer reads them; ``DIR/check``
holds samples and ``DIR/finished`` whole finished photos that are never trained on. Parts that
are there are continued; options after ``--`` go to `training.train` (``--init``, ``--out``). On a
machine without a GPU the same command runs small (``--gpus 0 --variant scalar_rgb``).

A trainer beside renderers makes a fifth of the steps that it makes alone, and a run is short of
steps before it is short of plants (`training/EXPERIMENTS.md`, 14): ``--render-minutes`` ends
the renderers early.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

FINISHERS = 3
"""Processes that share the finished photos of each kind."""

CHECK_SEED = 90_000
"""Seeds from here on are never trained on."""

ENDING = (signal.SIGTERM, signal.SIGINT)
"""Signals that end a run; Ctrl-C is the second one."""

GRACE_S = 20.0
"""How long a renderer may take to end before it is killed."""


def arguments(argv: list[str] | None = None) -> argparse.Namespace:
    """Read the command line.

    Raises
    ------
    SystemExit
        When training and checking would share seeds.
    """
    parser = argparse.ArgumentParser(prog="training.retrain", description=__doc__.splitlines()[0])
    add = parser.add_argument
    add("--work", type=Path, required=True)
    add("--minutes", type=float, default=20.0, help="length of the training schedule")
    add("--gpus", type=int, default=1)
    add("--renderers", type=int, default=7, help="rendering processes a GPU")
    add("--fewer", type=int, default=2, help="fewer of them on the GPU that trains")
    add("--render-minutes", type=float, help="then stop rendering: what shares a GPU waits for it")
    add("--seed", type=int, default=1, help="of the first renderer; others follow in steps of 1")
    add("--light-paths", type=int, default=40)
    add("--check-count", type=int, default=240, help="samples for the checks while training")
    add("--finished-count", type=int, default=0, help="finished photos, harder than training's")
    add("--plain-count", type=int, default=0, help="finished photos, like training's")
    add("--finished-seed", type=int, default=95_000)
    add("--finished-size", default="720x960")
    add("--variant", default=None, help="Mitsuba variant; the first that works when left out")
    add("trainer", nargs="*", help="after --: more options for training.train")
    options = parser.parse_args(argv)
    if options.seed + options.renderers * max(1, options.gpus) >= CHECK_SEED:
        parser.error(f"Seeds from {CHECK_SEED} on are for checking: choose a lower --seed.")
    if options.finished_seed <= CHECK_SEED:
        parser.error(f"Choose a --finished-seed above {CHECK_SEED}, where nothing is trained on.")
    return options


def renderer(
    options: argparse.Namespace, gpu: int, seed: int, folder: str, extra: list[str]
) -> subprocess.Popen[bytes]:
    """Start one rendering process on one GPU."""
    words = ["--out", str(options.work / folder), "--samples", str(options.light_paths), *extra]
    if options.variant:
        words += ["--variant", options.variant]
    return spawn("training.plantgen", seed, words, gpu, options.work)


def spawn(
    module: str, seed: int, words: list[str], gpu: int, work: Path
) -> subprocess.Popen[bytes]:
    """Start a rendering module with a seed, its words going to a log in the folder `work`."""
    environment = dict(os.environ, OMP_NUM_THREADS="1", CUDA_VISIBLE_DEVICES=str(gpu))
    command = [sys.executable, "-m", module, "--seed", str(seed), *words]
    with (work / f"render-{seed}.log").open("ab") as log:
        return subprocess.Popen(command, env=environment, stdout=log, stderr=log)


def wait_for_first(
    options: argparse.Namespace, process: subprocess.Popen[bytes], seed: int
) -> None:
    """Wait until a renderer has compiled its kernels, so that the others find them cached.

    Raises
    ------
    SystemExit
        When it ended without a sample.
    """
    lines = options.work / "train" / f"part-{seed:05d}" / "truth.jsonl"
    while not (lines.exists() and lines.stat().st_size):
        if process.poll() is not None:
            log = (options.work / f"render-{seed}.log").read_text()[-2000:]
            sys.exit(f"The renderer stopped before its first sample:\n{log}")
        time.sleep(0.5)


def start_others(options: argparse.Namespace) -> Iterator[subprocess.Popen[bytes]]:
    """Start every renderer but the first: samples for checks, finished photos, training samples.

    Each is given as it's started, so that a fault at the next one leaves none unknown.

    The last GPU also trains, so it renders with fewer processes; GPU 0 already has the first.
    """
    gpus = max(1, options.gpus)
    count = str(options.check_count)
    yield renderer(options, 0, CHECK_SEED, "check", ["--count", count])
    for first, whole, kind in (
        (options.finished_seed, options.finished_count, ["--unlike"]),
        (options.finished_seed + FINISHERS, options.plain_count, []),
    ):
        more = ["--view", "finished", "--size", options.finished_size, *kind]
        more += ["--count", str(-(-whole // FINISHERS))]
        for extra in range(FINISHERS if whole else 0):
            yield renderer(options, 0, first + extra, "finished", more)
    seed = options.seed
    for gpu in range(gpus):
        here = options.renderers - (options.fewer if gpu == gpus - 1 else 0) - (gpu == 0)
        for _ in range(max(0, here)):
            seed += 1
            yield renderer(options, gpu, seed, "train", [])


def trainer_command(options: argparse.Namespace) -> list[str]:
    """The trainer's command line: the last GPU, and whatever was given after ``--``."""
    command = [sys.executable, "-m", "training.train", "--samples", str(options.work / "train")]
    command += ["--val", str(options.work / "check"), "--minutes", str(options.minutes)]
    if options.gpus:
        command += ["--device", f"cuda:{options.gpus - 1}"]
    return command + options.trainer


@contextmanager
def heard(
    numbers: Sequence[int], answer: Callable[[int, FrameType | None], object] | signal.Handlers
) -> Iterator[None]:
    """For as long as this lasts, let `answer` be called on these signals."""
    before = [(number, signal.signal(number, answer)) for number in numbers]
    try:
        yield
    finally:
        for number, was in before:
            signal.signal(number, was)


@contextmanager
def put_off() -> Iterator[None]:
    """Let a signal that ends the run wait until this is over: what is started here is known."""
    told: list[int] = []
    with heard(ENDING, lambda number, _: told.append(number)):
        yield
    if told:
        signal.raise_signal(told[0])


def run_trainer(command: list[str]) -> int:
    """Run the trainer to its end, and give its status.

    SIGTERM and Ctrl-C end it after its present step: they are passed on, and its checkpoint is
    waited for. A trainer that Ctrl-C has reached as well takes no harm from being told twice.
    """
    trainers: list[subprocess.Popen[bytes]] = []
    told: list[int] = []

    def pass_on(number: int, _frame: FrameType | None) -> None:
        told.append(number)
        for trainer in trainers:
            trainer.terminate()

    with heard(ENDING, pass_on):
        trainers.append(subprocess.Popen(command))
        if told:  # while it was starting
            trainers[0].terminate()
        return trainers[0].wait()


def main(argv: list[str] | None = None) -> int:
    """Run from the command line."""
    options = arguments(argv)
    # SIGTERM too must come past what stops the renderers.
    with heard((signal.SIGTERM,), lambda number, _: sys.exit(128 + number)):
        return run(options)


def run(options: argparse.Namespace) -> int:
    """Run renderers and the trainer; stop the renderers when training ends, however it ends."""
    options.work.mkdir(parents=True, exist_ok=True)
    began = time.monotonic()
    running: list[subprocess.Popen[bytes]] = []
    try:
        with put_off():
            running.append(renderer(options, 0, options.seed, "train", []))
        wait_for_first(options, running[0], options.seed)
        print(f"first sample after {time.monotonic() - began:.0f} s", flush=True)
        with put_off():
            for process in start_others(options):
                running.append(process)  # one by one: `finally` ends them whatever breaks
        if options.render_minutes is not None:
            left = began + 60 * options.render_minutes - time.monotonic()
            early = threading.Timer(max(0.0, left), stop, [running])
            early.daemon = True  # when it's still waiting, `finally` ends the renderers
            early.start()
        status = run_trainer(trainer_command(options))
    finally:
        # Who asks once more is served already: what is waited for must not be left behind.
        with heard(ENDING, signal.SIG_IGN):
            broken = sum((process.poll() or 0) > 0 for process in running)
            stop(running)
    if broken:
        print(f"{broken} renderers broke: see {options.work}/render-*.log", flush=True)
    made = sum(1 for _ in (options.work / "train").rglob("*.jpg"))
    print(f"{made} training samples, {time.monotonic() - began:.0f} s in all", flush=True)
    return status


def stop(running: list[subprocess.Popen[bytes]], grace_s: float = GRACE_S) -> None:
    """End renderers; a sample is only in the truth file once its pictures are whole."""
    for process in running:
        process.terminate()
    end = time.monotonic() + grace_s
    for process in running:
        try:
            process.wait(max(0.1, end - time.monotonic()))
        except subprocess.TimeoutExpired:
            process.kill()


if __name__ == "__main__":
    raise SystemExit(main())
