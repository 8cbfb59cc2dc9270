"""From nothing to a checkpoint and a validation set, in one command and a given time.

    python -m training.above.run --work DIR --out OUT --minutes 8 --renderers 10 --val-count 550

Renderers write fresh fields under ``DIR/train`` while the trainer reads them; ``DIR/val`` gets
finished photos that are never trained on. The whole ends in time: the trainer stops by the
clock, the photos are packed. After a stop the same command goes on with what is there: parts, and
``OUT/above.pt`` with its schedule; another training has an OUT of its own. With two GPUs the last
one trains and the others render, but for ``--beside`` renderers. On a machine without a GPU the
same command runs small (``--gpus 0 --variant llvm_ad_rgb --side 256``).
"""

from __future__ import annotations

import argparse
import json
import signal
import subprocess
import sys
import tarfile
import time
from dataclasses import dataclass, field
from pathlib import Path

from training.retrain import ENDING, heard, put_off, spawn, stop

VAL_SEED = 90_000
"""Seeds from here on are never trained on."""

WIDE_SEEDS = 100
"""Seeds from the first of the photos to the first of the wide ones."""

GRACE_S = 8.0
"""How long a renderer may take to end before it is killed."""

MOST_BROKEN = 6
"""Renderers that may break and be replaced; more than that is no accident."""

PACK_BYTES = 15_600_000
"""A packed file of the validation set stays below this."""


def arguments(argv: list[str] | None = None) -> argparse.Namespace:
    """Read the command line.

    Raises
    ------
    SystemExit
        When training and validation would share seeds.
    """
    parser = argparse.ArgumentParser(
        prog="training.above.run", description=(__doc__ or "").splitlines()[0]
    )
    add = parser.add_argument
    add("--work", type=Path, required=True, help="folder for samples and logs")
    add("--out", type=Path, required=True, help="folder for the checkpoint and packed photos")
    add("--minutes", type=float, default=8.0, help="of the whole, packing included")
    add("--end-seconds", type=float, default=40.0, help="of them kept for scores and packing")
    add("--renderers", type=int, default=10, help="rendering processes")
    add("--val-renderers", type=int, default=3, help="of them that make the photos first")
    add("--gpus", type=int, default=1, help="the last one trains")
    add("--beside", type=int, default=0, help="of several GPUs: renderers on the one that trains")
    add("--render-minutes", type=float, help="then stop rendering; the trainer goes on alone")
    add("--variant", help="Mitsuba variant; the first that works when left out")
    add("--seed", type=int, default=1, help="of the first renderer; others follow")
    add("--val-seed", type=int, default=VAL_SEED + 1)
    add("--val-count", type=int, default=550, help="finished photos for validation")
    add("--wide-renderers", type=int, default=3, help="renderers that make the wide photos first")
    add("--wide-count", type=int, default=0, help="finished photos 4 to 8 m wide, beside those")
    add("--packed-files", type=int, default=99, help="at most so many files of packed photos")
    add("--light-paths", type=int, default=24, help="a pixel")
    add("--side", type=int, default=512, help="of a training picture, px")
    add("trainer", nargs="*", help="after --: more options for training.above.train")
    options = parser.parse_args(argv)
    if options.seed + 4 * options.renderers >= VAL_SEED:
        parser.error(f"Seeds from {VAL_SEED} on are for validation: choose a lower --seed.")
    if options.val_seed <= VAL_SEED:
        parser.error(f"Choose a --val-seed above {VAL_SEED}, where nothing is trained on.")
    return options


@dataclass
class Renderers:
    """The rendering processes: those of the validation photos become training's when done."""

    options: argparse.Namespace
    train: list[subprocess.Popen[bytes]] = field(default_factory=list)
    val: list[subprocess.Popen[bytes]] = field(default_factory=list)
    next_seed: int = 0
    broken: int = 0
    started: int = 0

    def start(self) -> None:
        """Start all of them."""
        options = self.options
        self.next_seed = options.seed
        room = options.renderers - 1  # one at least trains from the start
        for first, total, most, words in (
            (options.val_seed, options.val_count, options.val_renderers, []),
            (options.val_seed + WIDE_SEEDS, options.wide_count, options.wide_renderers, ["--wide"]),
        ):
            shared = min(most, room, total)
            room -= shared
            for index in range(shared):
                count = -(-(total - index) // shared)
                more = ["--finished", *words, "--count", str(count)]
                self.val.append(self._one(first + index, "val", more))
        for _ in range(options.renderers - len(self.val)):
            self._train()

    def _gpu(self) -> int:
        """Where the next renderer runs: the last few beside the trainer, the rest spread."""
        options = self.options
        if options.gpus < 2:
            return 0
        started, self.started = self.started, self.started + 1
        if options.renderers - options.beside <= started < options.renderers:
            return int(options.gpus - 1)
        return int(started % (options.gpus - 1))

    def _one(self, seed: int, folder: str, extra: list[str]) -> subprocess.Popen[bytes]:
        options = self.options
        words = ["--out", str(options.work / folder), "--samples", str(options.light_paths)]
        words += ["--side", str(options.side), *extra]
        if options.variant:
            words += ["--variant", options.variant]
        return spawn("training.above.scenes", seed, words, self._gpu(), options.work)

    def _train(self) -> None:
        self.train.append(self._one(self.next_seed, "train", []))
        self.next_seed += 1

    def look(self) -> None:
        """Replace finished validation renderers by training ones, and a few that broke."""
        for process in [p for p in self.val if p.poll() is not None]:
            self.val.remove(process)
            self._train()
        for process in [p for p in self.train if p.poll() not in (None, 0)]:
            self.broken += 1
            if self.broken <= MOST_BROKEN:  # with a new seed: the old one would break again
                self.train.remove(process)
                self._train()
        if all(p.poll() is not None for p in self.train):
            logs = sorted(self.options.work.glob("render-*.log"))
            tail = logs[0].read_text()[-2000:] if logs else ""
            raise SystemExit(f"Every renderer has stopped:\n{tail}")

    def stop(self) -> None:
        """End all."""
        stop(self.train + self.val, GRACE_S)
        self.train, self.val = [], []


def trainer_command(options: argparse.Namespace, stop_at: float) -> list[str]:
    """The trainer's command line, and whatever was given after ``--``."""
    command = [sys.executable, "-m", "training.above.train"]
    command += ["--samples", str(options.work / "train"), "--stop-at", f"{stop_at:.0f}"]
    weights = options.out / "above.pt"
    command += ["--minutes", str(options.minutes), "--out", str(weights)]
    # Without its state a run that was stopped would begin anew, over what it had learned.
    command.append("--save-state")
    if weights.is_file() and weights.with_name(f"{weights.name}.state").is_file():
        command += ["--resume", str(weights)]
    if options.val_count or options.wide_count:
        command += ["--val", str(options.work / "val")]
    command += ["--log", str(options.out / "above.log.jsonl")]
    command += ["--device", f"cuda:{options.gpus - 1}" if options.gpus else "cpu"]
    return command + options.trainer


def pack(folder: Path, out: Path, most: int = 99) -> list[Path]:
    """Pack finished samples into at most so many tars of limited size, each of whole samples.

    Of every part the same share is packed, so that what fits is like the whole. The truth of all
    comes along.
    """
    packed: list[Path] = []
    archive: tarfile.TarFile | None = None
    room = 0
    truths = sorted(folder.rglob("truth.jsonl"))
    stems = []
    for truth in truths:
        rows = [line for line in truth.read_text(encoding="utf-8").splitlines() if line.strip()]
        names = [str(json.loads(line)["file"]) for line in rows]
        stems += [(k / len(names), truth.parent / Path(name).stem) for k, name in enumerate(names)]
    for _, stem in sorted(stems):
        pair = [stem.with_suffix(ending) for ending in (".jpg", ".png")]
        size = sum(path.stat().st_size + 1024 for path in pair)
        if archive is None or room < size:
            if len(packed) >= most:
                break
            if archive is not None:
                archive.close()
            packed.append(out / f"val-{len(packed)}.tar.gz")
            archive = tarfile.open(packed[-1], "w:gz", compresslevel=1)  # noqa: SIM115
            room = PACK_BYTES
        for path in pair:
            archive.add(path, f"{stem.parent.name}/{path.name}")
        room -= size
    if archive is not None:
        archive.close()
    if truths:
        packed.append(out / "val-truth.tar.gz")
        with tarfile.open(packed[-1], "w:gz") as lines:
            for truth in truths:
                lines.add(truth, f"{truth.parent.name}/truth.jsonl")
    return packed


def main(argv: list[str] | None = None) -> int:
    """Run from the command line."""
    options = arguments(argv)
    # SIGTERM too must come past what ends the renderers and the trainer.
    with heard((signal.SIGTERM,), lambda number, _: sys.exit(128 + number)):
        return run(options)


def run(options: argparse.Namespace) -> int:
    """Run renderers and the trainer; pack what was made, however training ends."""
    began = time.time()
    options.work.mkdir(parents=True, exist_ok=True)
    options.out.mkdir(parents=True, exist_ok=True)
    renderers = Renderers(options)
    stop_at = began + options.minutes * 60 - options.end_seconds
    render_until = stop_at
    if options.render_minutes is not None:
        render_until = min(stop_at, began + options.render_minutes * 60)
    status = 1
    trainer: subprocess.Popen[bytes] | None = None
    try:
        with put_off():
            renderers.start()
            trainer = subprocess.Popen(trainer_command(options, stop_at))
        told = 0.0
        while trainer.poll() is None:
            time.sleep(0.5)
            if time.time() > render_until:
                renderers.stop()  # the trainer, and the scores at the end, have the machine alone
                continue
            with put_off():
                renderers.look()
            if time.time() - told > 30:
                told = time.time()
                made = {
                    f: sum(1 for _ in (options.work / f).rglob("*.png")) for f in ("train", "val")
                }
                print(
                    f"{told - began:.0f} s: {made['train']} training, {made['val']} finished",
                    flush=True,
                )
        status = trainer.returncode
    finally:
        # Who asks once more is served already: what is waited for must not be left behind.
        with heard(ENDING, signal.SIG_IGN):
            ending = trainer is not None and trainer.poll() is None
            if ending:
                trainer.terminate()  # ends after its present step, checkpoint included
            renderers.stop()
            if ending:
                trainer.wait()
        packed = pack(options.work / "val", options.out, options.packed_files)
    size = sum(path.stat().st_size for path in packed) / 1e6
    made_train = sum(1 for _ in (options.work / "train").rglob("*.png"))
    print(
        f"{made_train} training samples, {len(packed)} packed files of {size:.1f} MB, "
        f"{time.time() - began:.0f} s in all",
        flush=True,
    )
    return status


if __name__ == "__main__":
    raise SystemExit(main())
