"""How fast a machine trains, in a minute: to choose batch and memory layout before a long run.

    python -m training.throughput [--device cuda:0] [--batches 16,32,48] [--seconds 6]

Uses drawn noise for samples; the time depends on sizes alone.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import torch

from training.augment import augmented_batch
from training.descent import clip, make_optimiser
from training.losses import all_losses
from training.network import build, image_device
from training.plan import Shapes, make_plan
from training.samples import Pool, Sample, parse_truth
from training.train import arguments as train_arguments


def noise_pool(device: torch.device, count: int = 24, side: int = 704) -> Pool:
    """A pool of noise with a plant's truth, on the device."""
    rng = np.random.default_rng(0)
    pool = Pool([], device=device, device_gb=2.0 if device.type == "cuda" else 0.0)
    points = [{"rank": k, "x": side * 0.5, "y": side * (0.8 - 0.06 * k)} for k in range(1, 7)]
    row = {
        "file": "noise.jpg",
        "usable": True,
        "reason": "ok",
        "stage_v": 6,
        "layout": "standing",
        "collars_visible_in_image": points,
        "tips": [{**p, "x": side * 0.3, "has_collar": True, "rounded": False} for p in points],
        "base_xy": [side * 0.5, side * 0.85],
        "arch_xy": [side * 0.4, side * 0.3],
        "plant_box_px": [side * 0.15, side * 0.15, side * 0.85, side * 0.85],
        "first_leaf": {"present": True},
        "lower_leaves_missing": 0,
        "view": "photo",
    }
    for _ in range(count):
        image = torch.from_numpy(rng.integers(0, 256, (side, side, 3), np.uint8))
        mask = torch.from_numpy(rng.integers(0, 5, (side, side), np.uint8))
        pool.add(Sample(image, mask, parse_truth(row), 0.2))
    return pool


def measure(
    pool: Pool, device: torch.device, shapes: Shapes, seconds: float, channels_last: bool
) -> dict[str, float]:
    """Train on noise for a while; images a second, and the share spent on augmentation."""
    options = train_arguments(["--samples", "none"])
    layout = torch.channels_last if channels_last else torch.contiguous_format
    network = build(pretrained=False).to(device, memory_format=layout).train()
    optimiser = make_optimiser(network, options)
    parameters = list(network.parameters())

    def wait() -> None:
        if device.type == "cuda":
            torch.cuda.synchronize(device)

    spent_augmenting, images, began, step = 0.0, 0, 0.0, 0
    while True:
        if step == 4:  # the first steps choose algorithms
            wait()
            spent_augmenting, images, began = 0.0, 0, time.perf_counter()
        if step > 4 and time.perf_counter() - began > seconds:
            break
        plan = make_plan(pool, shapes, step, 1)
        wait()
        at = time.perf_counter()
        image, share = augmented_batch(plan.look, device)
        wait()
        spent_augmenting += time.perf_counter() - at
        image = image.contiguous(memory_format=layout)
        with torch.autocast(image_device(image), torch.bfloat16, enabled=device.type == "cuda"):
            maps, answers = network(image)
        losses = all_losses(maps.float(), answers.float(), share, plan.targets.to(device))
        optimiser.zero_grad(set_to_none=True)
        losses["total"].backward()
        clip(parameters, optimiser)
        optimiser.step()
        images += image.shape[0]
        step += 1
    wait()
    total = time.perf_counter() - began
    memory = torch.cuda.max_memory_allocated(device) / 1e9 if device.type == "cuda" else 0.0
    return {
        "img_per_s": images / total,
        "augment_share": spent_augmenting / total,
        "gpu_gb": memory,
    }


def main(argv: list[str] | None = None) -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Measure training speed.")
    add = parser.add_argument
    add("--device", default="cuda:0" if torch.cuda.is_available() else "cpu")
    add("--batches", default="16,32,48")
    add("--size", type=int, default=640)
    add("--seconds", type=float, default=6.0)
    options = parser.parse_args(argv)
    device = torch.device(options.device)
    if device.type == "cuda":
        torch.cuda.set_device(device)
        torch.backends.cudnn.benchmark = True
    pool = noise_pool(device)
    for channels_last in (True, False):
        for batch in (int(word) for word in options.batches.split(",")):
            shapes = Shapes(read_sizes=(options.size,), read_batch=batch, look_every=0)
            try:
                got = measure(pool, device, shapes, options.seconds, channels_last)
            except torch.cuda.OutOfMemoryError:
                print(f"batch {batch}: out of memory", flush=True)
                continue
            print(
                f"channels_last {channels_last} batch {batch}: "
                + " ".join(f"{k} {v:.2f}" for k, v in got.items()),
                flush=True,
            )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
