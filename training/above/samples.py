"""Samples of fields from above in memory: pixels, part map, plants and tips as arrays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from torch import Tensor

from training.above.contract import WORKING_MM_PER_PX

MERGE_MM = 30.0
"""Two plants nearer than this are one peak with `double` set: two and a half cells."""

LEAST_SEEN_PX = 4
"""A plant of which fewer pixels show is neither asked for nor held against the network."""


@dataclass(frozen=True)
class AboveTruth:
    """What one picture shows; positions in its pixels.

    Attributes
    ----------
    plants : ndarray, (P, 6) float32
        x, y, leaf tips shown, whole (all tips in the picture), double (two plants merged),
        mean stage.
    tips : ndarray, (T, 4) float32
        x, y, index of the plant, seen.
    faint : ndarray, (F, 2) float32
        Plants of which next to nothing shows.
    mm_per_px : float
    """

    plants: np.ndarray
    tips: np.ndarray
    faint: np.ndarray
    mm_per_px: float
    row: Mapping[str, Any] = field(repr=False, default_factory=dict)
    view: str = "above"


@dataclass(frozen=True)
class AboveSample:
    """A picture (H, W, 3) uint8 RGB, its part map (H, W) uint8 and its truth."""

    image: Tensor
    mask: Tensor
    truth: AboveTruth


def parse_truth(row: Mapping[str, Any], merge_mm: float = MERGE_MM) -> AboveTruth:
    """Read one truth line; plants too near to tell apart become one."""
    scale = float(row["mm_per_px"])
    shown = [p for p in row["plants"] if p["seen_px"] >= LEAST_SEEN_PX]
    faint = [(p["x"], p["y"]) for p in row["plants"] if p["seen_px"] < LEAST_SEEN_PX]
    at = np.array([(p["x"], p["y"]) for p in shown], np.float32).reshape(-1, 2)
    merged_into = _merge(at, merge_mm / scale)
    plants, tips, index_of = [], [], {}
    for index, plant in enumerate(shown):
        home = merged_into[index]
        if home == index:
            group = [k for k in range(len(shown)) if merged_into[k] == index]
            where = at[group].mean(0)
            index_of[index] = len(plants)
            plants.append(
                (
                    where[0],
                    where[1],
                    float(np.mean([shown[k]["tips_shown"] for k in group])),
                    float(all(shown[k]["whole"] for k in group)),
                    float(len(group) > 1),
                    float(np.mean([shown[k]["stage"] for k in group])),
                )
            )
        tips += [(x, y, index_of[home], seen) for x, y, _, seen in plant["tips"]]
    return AboveTruth(
        np.array(plants, np.float32).reshape(-1, 6),
        np.array(tips, np.float32).reshape(-1, 4),
        np.array(faint, np.float32).reshape(-1, 2),
        scale,
        row,
    )


def _merge(at: np.ndarray, reach_px: float) -> list[int]:
    """Give for each point itself, or the earlier point that it's merged into (pairs only).

    The nearest two come first: of three in a row the odd one out stays alone.
    """
    into = list(range(len(at)))
    taken: set[int] = set()
    away = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    first, second = np.nonzero(np.triu(away < reach_px, 1))
    for pair in np.argsort(away[first, second], kind="stable"):
        k, other = int(first[pair]), int(second[pair])
        if k not in taken and other not in taken:
            into[other] = k
            taken.update((k, other))
    return into


def load(folder: Path, row: Mapping[str, Any]) -> AboveSample:
    """Decode one sample.

    Raises
    ------
    OSError
        When the picture or its part map cannot be read.
    """
    name = folder / str(row["file"])
    image = cv2.imread(str(name), cv2.IMREAD_COLOR)
    mask = cv2.imread(str(name.with_suffix(".png")), cv2.IMREAD_GRAYSCALE)
    if image is None or mask is None or mask.shape != image.shape[:2]:
        raise OSError(f"cannot read {name} or its part map")
    return AboveSample(
        torch.from_numpy(np.ascontiguousarray(image[..., ::-1])),
        torch.from_numpy(mask),
        parse_truth(row),
    )


def at_working_scale(sample: AboveSample) -> AboveSample:
    """The sample as run time gives it to the network: 3 mm a pixel, sides multiples of 32.

    Finer photos are averaged by area, coarser ones interpolated; what is missing to a multiple
    of 32 is filled by mirroring, and truth there is none.
    """
    factor = sample.truth.mm_per_px / WORKING_MM_PER_PX
    height, width = sample.mask.shape
    size = (max(32, round(width * factor)), max(32, round(height * factor)))
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    image = cv2.resize(sample.image.numpy(), size, interpolation=how)
    mask = cv2.resize(sample.mask.numpy(), size, interpolation=cv2.INTER_NEAREST)
    down, right = -size[1] % 32, -size[0] % 32
    image = np.pad(image, ((0, down), (0, right), (0, 0)), mode="reflect")
    mask = np.pad(mask, ((0, down), (0, right)), constant_values=255)
    stretch = np.array([size[0] / width, size[1] / height], np.float32)
    truth = sample.truth
    plants, tips = truth.plants.copy(), truth.tips.copy()
    plants[:, :2] *= stretch
    tips[:, :2] *= stretch
    moved = AboveTruth(plants, tips, truth.faint * stretch, WORKING_MM_PER_PX, truth.row)
    return AboveSample(torch.from_numpy(image), torch.from_numpy(mask), moved)
