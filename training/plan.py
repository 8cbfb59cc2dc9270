"""Steps planned ahead on the CPU: which samples, which views, what becomes of them.

A thread plans while the GPU works. With a pool that no longer grows, a seed repeats the plans.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import torch

from training.ahead import Ahead
from training.augment import Look, decide
from training.samples import Pool, Sample
from training.targets import Targets, collect
from training.views import View, jittered_look, jittered_read, magnified


@dataclass(frozen=True)
class Shapes:
    """Batch shapes: sides of READ crops, (height, width) of LOOK inputs, and batch sizes."""

    read_sizes: tuple[int, ...] = (640,)  # each further one costs its compilation
    look_shapes: tuple[tuple[int, int], ...] = ((320, 320),)
    read_batch: int = 32
    look_batch: int = 64
    look_every: int = 5  # one step in so many is a LOOK; 0: never


@dataclass(frozen=True)
class Plan:
    """One step: what to look at and what the answers are (still on the CPU)."""

    step: int
    look: Look
    targets: Targets


# Whole photos are stored small. Blown up to a READ crop their plants are soft: some are worth
# seeing, since people send such photos, but not many, and not hopeless ones.
SOFT, HOPELESS = 1.8, 3.0
SOFT_KEPT = 0.4


def _sharp_enough(pool: Pool, samples: list[Sample], rng: np.random.Generator) -> list[Sample]:
    """Replace most of the usable photos that a READ crop would blow up."""
    kept = []
    for sample in samples:
        for _ in range(8):
            height, width = sample.mask.shape
            blown_up = magnified(sample.truth, width, height)
            if (
                sample.truth.reason != "ok"
                or blown_up <= SOFT
                or (blown_up <= HOPELESS and rng.random() < SOFT_KEPT)
            ):
                break
            sample = pool.draw(1, rng)[0]
        kept.append(sample)
    return kept


def make_plan(pool: Pool, shapes: Shapes, step: int, seed: int, pin: bool = False) -> Plan:
    """Plan one step; the same pool, step and seed give the same plan."""
    rng = np.random.default_rng([seed, step])
    is_look = shapes.look_every > 0 and step % shapes.look_every == shapes.look_every - 1
    samples: Sequence[Sample] = []
    views: list[View] = []
    if is_look and pool.has_photos():
        samples = pool.draw(shapes.look_batch, rng, photos_only=True)
        height, width = shapes.look_shapes[int(rng.integers(len(shapes.look_shapes)))]
        views = [
            jittered_look(s.truth, s.mask.shape[1], s.mask.shape[0], width, height, rng)
            for s in samples
        ]
    else:
        samples = _sharp_enough(pool, pool.draw(shapes.read_batch, rng), rng)
        size = shapes.read_sizes[int(rng.integers(len(shapes.read_sizes)))]
        views = [
            jittered_read(s.truth, s.mask.shape[1], s.mask.shape[0], size, rng) for s in samples
        ]
    if not samples:
        raise RuntimeError("The pool is empty: no sample has been read yet.")
    look = decide(samples, views, rng)
    targets = collect([s.truth for s in samples], views, look.reasons)
    if pin:
        targets = replace(
            targets, **{f.name: getattr(targets, f.name).pin_memory() for f in fields(targets)}
        )
    return Plan(step, look, targets)


def plans_ahead(
    pool: Pool, shapes: Shapes, *, first_step: int, seed: int, pin: bool = False
) -> Ahead[Plan]:
    """Plan step after step, a few ahead."""
    steps = itertools.count(first_step)
    cpu = torch.device("cpu")
    return Ahead(
        lambda: make_plan(pool, shapes, next(steps), seed, pin), lambda _plan: (), cpu, ahead=6
    )
