"""Train the network for photos from above while renderers write samples next to it.

python -m training.above.train --samples DIR [--val DIR] --minutes 7 --out above.pt

The schedule follows the clock: it is finished when the time is up, however fast the machine is.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor

from training import checkpoint
from training.above import network as net
from training.above import samples as above_samples
from training.above.augment import Points, augmented, collect, draw_view
from training.above.losses import all_losses
from training.above.validate import format_scores, validate
from training.ahead import Ahead
from training.descent import descend, freeze_norms, make_optimiser, rate_factor
from training.losslog import Log
from training.samples import Pool
from training.train import (
    end_unlearnt,
    run_until_stopped,
    schedule_s,
    tell_end,
    wait_for_samples,
)
from training.wider import start_from


def arguments(argv: list[str] | None = None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description="Train the network for photos from above.")
    add = parser.add_argument
    add("--samples", nargs="+", required=True, help="folders that hold or will hold truth.jsonl")
    add("--val", help="folder of finished photos never trained on")
    add("--val-limit", type=int, default=120, help="at most so many of them at the end")
    add("--out", default="above.pt", help="checkpoint of the averaged weights")
    add("--minutes", type=float, default=7.0, help="length of the schedule, from its first step")
    add("--stop-at", type=float, help="unix time by which the schedule must end, whatever else")
    add("--min-samples", type=int, default=96, help="wait until so many are decoded")
    add("--wait-minutes", type=float, default=4.0, help="give up waiting after this")
    add("--max-steps", type=int, default=0, help="stop after so many steps (0: no limit)")
    add("--checkpoint-minutes", type=float, default=2.0)
    add("--init", help="checkpoint to start from, of a network no wider (new schedule)")
    add("--resume", help="checkpoint to go on from, with its .state beside it if there")
    add("--save-state", action="store_true", help="also write OUT.state for --resume")
    add(
        "--encoder",
        default=str(Path(__file__).parents[1] / "weights" / "collarvision.pt"),
        help="where the encoder starts: a checkpoint of the side view, or ImageNet weights",
    )
    add("--no-pretrained", action="store_true", help="start the encoder at random (tests)")
    add("--device", default="cuda:0" if torch.cuda.is_available() else "cpu")
    add("--bfloat16", action="store_true", help="mixed precision on a CPU too")
    add("--batch", type=int, default=48)
    add("--side", type=int, default=448, help="of a view, px; a multiple of 32")
    add("--rate", type=float, default=3e-3, help="learning rate of decoder and head")
    add("--encoder-rate", type=float, default=1e-3)
    add("--weight-decay", type=float, default=0.02)
    add("--average-decay", type=float, default=0.998)
    add("--freeze-norms", type=float, default=0.85)
    add("--ram-gb", type=float, default=30.0)
    add("--device-gb", type=float, default=12.0)
    add("--workers", type=int, default=2, help="decoding threads")
    add("--log-seconds", type=float, default=20.0)
    add("--log", help="append every log line here as JSON")
    add("--seed", type=int, default=1)
    return parser.parse_args(argv)


@dataclass(frozen=True)
class Batch:
    """What a step learns from: image, shares of each cell, points; and what they were made of."""

    image: Tensor
    share: Tensor
    points: Points
    drawn: Sequence[Any]

    def tensors(self) -> tuple[Tensor, ...]:
        """All that lies on the device and was made for this batch."""
        points = self.points
        return self.image, self.share, points.plants, points.tips, points.faint


def batches_ahead(options: argparse.Namespace, pool: Pool, seed: int) -> Ahead[Batch]:
    """Draw batches and make them, a few ahead."""
    rng, device = np.random.default_rng(seed), torch.device(options.device)

    def make() -> Batch:
        drawn: list[Any] = pool.draw(options.batch, rng)
        views = [draw_view(rng, *s.mask.shape, options.side) for s in drawn]
        points = collect(drawn, views).to(device)
        image, share = augmented(drawn, views, device, int(rng.integers(2**31)))
        return Batch(image.contiguous(memory_format=torch.channels_last), share, points, drawn)

    return Ahead(make, Batch.tensors, device)


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
        torch.backends.cudnn.benchmark = False  # the search costs minutes: EXPERIMENTS.md, 1
    pool = Pool(
        options.samples,
        device=device,
        ram_gb=options.ram_gb,
        device_gb=options.device_gb if on_gpu else 0.0,
        workers=options.workers,
        seed=options.seed,
        load=above_samples.load,
    )
    pool.start()
    validation = Pool(
        [options.val] if options.val else [],
        device=torch.device("cpu"),
        ram_gb=4.0,
        workers=1,
        load=above_samples.load,
    )
    validation.start()
    network = net.AboveNetwork()
    step, elapsed_before = 0, 0.0
    if options.resume:
        facts = checkpoint.load_weights(options.resume, network)
        step, elapsed_before = int(facts["step"]), float(facts["elapsed_s"])
    elif options.init:
        start_from(options.init, network)
    elif not options.no_pretrained:
        net.encoder_start(network, options.encoder)
    network = network.to(device, memory_format=torch.channels_last).train()
    optimiser = make_optimiser(network, options)
    average = checkpoint.Average(network, options.average_decay)
    state = checkpoint.load_state(options.resume, network, optimiser, average, device)
    if state is not None:
        step, elapsed_before = state
    # Measured in the plain layout: channels-last kernels are compiled for each size, and slowly.
    shadow = net.AboveNetwork().to(device).eval()
    parameters = list(network.parameters())
    wait_for_samples(pool, options, stopped)
    batches = batches_ahead(options, pool, options.seed + step)
    out = Path(options.out)
    log = Log(options.log)
    length_s = schedule_s(options, elapsed_before)
    began = last_save = time.monotonic()
    first_step = step
    scores: dict[str, Any] = {}
    frozen = False

    def elapsed() -> float:
        return elapsed_before + time.monotonic() - began

    def save(final: bool) -> None:
        nonlocal scores
        chosen: list[Any] = validation.first(options.val_limit if final else 24)
        if chosen:
            scores = validate(average.copy_to(shadow), chosen, device)  # type: ignore[arg-type]
            print(format_scores(scores), flush=True)
        facts: dict[str, Any] = {"step": step, "elapsed_s": elapsed()}
        checkpoint.save(out, average, settings=vars(options), scores=scores, **facts)
        if options.save_state:
            checkpoint.save_state(
                checkpoint.state_beside(out), network, optimiser, average, **facts
            )

    size = sum(p.numel() for p in parameters) / 1e6
    print(f"training on {device}: {len(pool)} samples so far, {size:.2f} M weights", flush=True)
    while not stopped:
        progress = elapsed() / length_s
        if progress >= 1.0 or (options.max_steps and step >= options.max_steps):
            break
        batch = batches.next()
        if progress >= options.freeze_norms and not frozen:
            freeze_norms(network)
            frozen = True
        for group in optimiser.param_groups:
            group["lr"] = group["base"] * rate_factor(progress, step)
        with torch.autocast(device.type, torch.bfloat16, enabled=on_gpu or options.bfloat16):
            maps = network(batch.image)
        losses = all_losses(maps.float(), batch.share, batch.points)
        descend(losses["total"], parameters, optimiser)
        average.update()
        step += 1
        log.waited_s, batches.waited_s = log.waited_s + batches.waited_s, 0.0
        log.add(losses, batch.image.shape[0], look=False)
        now = time.monotonic()
        if now - log.since >= options.log_seconds:
            facts = {"step": step, "progress": round(progress, 3), "pool": len(pool)}
            log.write(**facts, failures=pool.failures)
        if now - last_save >= options.checkpoint_minutes * 60:
            save(final=False)
            last_save = time.monotonic()
    batches.stop()
    pool.stop()
    if log.steps:
        log.write(step=step, progress=round(elapsed() / length_s, 3), pool=len(pool))
    end_unlearnt(options, stopped, step - first_step)
    save(final=True)
    validation.stop()
    tell_end(out, scores, step, elapsed())
    return scores


def main(argv: list[str] | None = None) -> int:
    """Run from the command line."""
    return run_until_stopped(train, arguments(argv))


if __name__ == "__main__":
    raise SystemExit(main())
