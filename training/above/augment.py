"""Batches for training: a turned, zoomed view of each sample, seen by some camera from above.

A sample is rendered clean at 3 mm a pixel. A finer camera's frame, averaged down, looks like
that; a coarser one is made by averaging to its ground scale, adding what a camera adds there,
and interpolating back, as run time does. Random choices that are few fall on the CPU.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from training import phone
from training.above.contract import MAP_STRIDE, WORKING_MM_PER_PX
from training.above.samples import AboveSample

ZOOMS = (0.88, 1.16)
"""Working px of the view per px of the sample: plants' sizes and ground scales err."""

GROUPS = 4
"""Parts of a batch that share one ground scale."""
COARSE_SHARE = 0.3
COARSEST_MM = 8.0


@dataclass(frozen=True)
class Points:
    """Truth of a batch as flat lists; positions in view px.

    ``plants`` (P, 7): sample, x, y, tips shown, whole, double, weight of the peak;
    ``tips`` (T, 6): sample, x, y, seen, plant's x, y; ``faint`` (F, 3): sample, x, y.
    """

    plants: Tensor
    tips: Tensor
    faint: Tensor

    def to(self, device: torch.device) -> Points:
        """Send everything to a device."""
        return replace(
            self,
            **{f.name: getattr(self, f.name).to(device, non_blocking=True) for f in fields(self)},
        )


@dataclass(frozen=True)
class View:
    """How a sample is turned: px of the sample under the view's px as a (2, 3) matrix."""

    sample_from_view: np.ndarray
    side: int

    def to_view(self, xy: np.ndarray) -> np.ndarray:
        """Points (N, 2) of the sample in the view."""
        turn, shift = self.sample_from_view[:, :2], self.sample_from_view[:, 2]
        return (np.asarray(xy, float) - shift) @ np.linalg.inv(turn).T


def draw_view(
    rng: np.random.Generator, height: int, width: int, side: int, plain: bool = False
) -> View:
    """A view of ``side`` px: one of eight turns, a zoom, a place."""
    zoom = 1.0 if plain else float(np.exp(rng.uniform(*np.log(ZOOMS))))
    zoom = max(zoom, side / min(height, width))  # never past the sample's edge
    turn = np.eye(2)
    if not plain:
        if rng.random() < 0.5:
            turn = turn[:, ::-1]
        turn = turn * rng.choice([-1, 1], 2)
    turn = turn / zoom
    half = side / 2 / zoom
    middle = np.array(
        [rng.uniform(half, width - half + 1e-9), rng.uniform(half, height - half + 1e-9)]
    )
    shift = middle - turn @ np.array([side / 2, side / 2])
    return View(np.concatenate([turn, shift[:, None]], 1), side)


def collect(samples: Sequence[AboveSample], views: Sequence[View]) -> Points:
    """Gather a batch's truth on the CPU; what falls outside of its view is left out."""
    plants, tips, faint = [], [], []
    for index, (sample, view) in enumerate(zip(samples, views, strict=True)):
        truth = sample.truth
        at = view.to_view(truth.plants[:, :2])
        ends = view.to_view(truth.tips[:, :2])
        inside = _inside(at, view.side)
        tip_inside = _inside(ends, view.side)
        whole = truth.plants[:, 3] > 0.5
        owner = truth.tips[:, 2].astype(int)
        for cut in owner[~tip_inside]:
            whole[cut] = False
        number = np.full((len(at), 1), index)
        row = np.concatenate(
            [number, at, truth.plants[:, 2:3], whole[:, None], truth.plants[:, 4:5]], 1
        )
        plants.append(np.concatenate([row, np.ones((len(at), 1))], 1)[inside])
        if len(ends):
            row = np.concatenate(
                [np.full((len(ends), 1), index), ends, truth.tips[:, 3:4], at[owner]], 1
            )
            tips.append(row[tip_inside])
        dim = view.to_view(truth.faint)
        keep = _inside(dim, view.side)
        faint.append(np.concatenate([np.full((len(dim), 1), index), dim], 1)[keep])

    def packed(rows: list[np.ndarray], width: int) -> Tensor:
        whole = np.concatenate(rows) if rows else np.zeros((0, width))
        return torch.from_numpy(whole.reshape(-1, width).astype(np.float32))

    return Points(packed(plants, 7), packed(tips, 6), packed(faint, 3))


def _inside(xy: np.ndarray, side: int) -> np.ndarray:
    ok: np.ndarray = ((xy >= 0) & (xy < side)).all(1)
    return ok


def read_views(
    samples: Sequence[AboveSample], views: Sequence[View], device: torch.device
) -> tuple[Tensor, Tensor]:
    """Pixels (N, 3, S, S) in 0..1 and part ids (N, 1, S, S) under the views."""
    side = views[0].side
    axis = torch.arange(side, device=device) + 0.5
    rows, columns = torch.meshgrid(axis, axis, indexing="ij")
    matrices = torch.from_numpy(np.stack([v.sample_from_view for v in views])).float().to(device)
    images, masks = [], []
    # Samples of one size go through together: a call each would keep a GPU waiting.
    start = 0
    for end in range(1, len(samples) + 1):
        if end < len(samples) and samples[end].mask.shape == samples[start].mask.shape:
            continue
        part, m = samples[start:end], matrices[start:end, :, :, None, None]
        start = end
        height, width = part[0].mask.shape
        # Term by term: a matrix product might run in reduced precision.
        x = m[:, 0, 0] * columns + m[:, 0, 1] * rows + m[:, 0, 2]
        y = m[:, 1, 0] * columns + m[:, 1, 1] * rows + m[:, 1, 2]
        grid = torch.stack([x * (2.0 / width) - 1, y * (2.0 / height) - 1], -1)
        pixels = torch.stack([s.image.to(device, non_blocking=True) for s in part])
        ids = torch.stack([s.mask.to(device, non_blocking=True) for s in part])
        images.append(
            functional.grid_sample(
                pixels.permute(0, 3, 1, 2).float(),
                grid,
                mode="bilinear",
                padding_mode="border",
                align_corners=False,
            )
        )
        masks.append(
            functional.grid_sample(
                ids[:, None].float(),
                grid,
                mode="nearest",
                padding_mode="border",
                align_corners=False,
            )
        )
    return torch.cat(images).contiguous() / 255.0, torch.cat(masks)


def shares(mask: Tensor) -> Tensor:
    """Share of corn and of other plants in each cell, (N, 2, h, w)."""
    return torch.cat(
        [functional.avg_pool2d((mask == k).float(), MAP_STRIDE) for k in (1, 2)], dim=1
    )


def ground_scales(rng: np.random.Generator) -> list[float]:
    """One ground scale a group, mm; up to the working scale nothing is lost."""
    return [
        float(np.exp(rng.uniform(np.log(WORKING_MM_PER_PX), np.log(COARSEST_MM))))
        if rng.random() < COARSE_SHARE
        else WORKING_MM_PER_PX
        for _ in range(GROUPS)
    ]


def camera(image: Tensor, rng: np.random.Generator, generator: torch.Generator) -> Tensor:
    """Field light and a camera, at the camera's own resolution."""
    count = image.shape[0]
    light = phone.to_linear(image)
    gain = np.exp(rng.normal(0, 0.3, count))
    light = light * phone.illumination(count, image.shape[2:], rng, generator, gain)
    sigma = np.where(rng.random(count) < 0.55, rng.uniform(0.3, 1.5, count), 0.0)
    light = phone.blur(light, sigma, np.zeros(count, bool), rng)
    light = phone.add_noise(light, gain, rng, generator)
    display = phone.to_display(light, rng, protect=[False] * count)
    display = phone.sharpen(display, rng)
    return phone.compress(display, rng)


def augmented(
    samples: Sequence[AboveSample], views: Sequence[View], device: torch.device, seed: int
) -> tuple[Tensor, Tensor]:
    """Views through cameras: image (N, 3, S, S) in 0..1 and shares (N, 2, S/4, S/4)."""
    rng = np.random.default_rng(seed)
    generator = torch.Generator(device=device).manual_seed(seed)
    image, mask = read_views(samples, views, device)
    side = views[0].side
    parts = []
    scales = ground_scales(rng)
    for group, part in enumerate(image.tensor_split(GROUPS)):
        if not len(part):
            continue
        small = max(16, round(side * WORKING_MM_PER_PX / scales[group]))
        if small < side:
            part = functional.interpolate(part, (small, small), mode="area")
        part = camera(part, rng, generator)
        if small < side:
            part = functional.interpolate(part, (side, side), mode="bilinear", align_corners=False)
        parts.append(part)
    return torch.cat(parts).clamp(0, 1), shares(mask)
