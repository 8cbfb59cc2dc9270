"""Simple drawn plants: Parts with a known answer, for the rooms behind the network.

A plant is a stalk with collars and leaf curves in map cells; class map and peaks are drawn from
it, with noise when asked. Nothing here comes from the rooms under test.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from collarvision.network import BLADE, SOIL, STALK
from collarvision.parts import CollarPeak, Parts, Point, TipPeak

SIZE = 160
USABLE = {
    "ok": 0.97, "no_plant": 0.005, "several": 0.005, "cut_off": 0.005,
    "blurred": 0.005, "dark": 0.005, "not_maize": 0.005,
}  # fmt: skip


@dataclass(frozen=True)
class Drawn:
    """A drawn plant and its truth.

    `collars`, `tips` hold (x, y) in map cells by leaf, bottom up; `collared[i]` tells whether
    leaf i + 1 + lost has its collar out.
    """

    parts: Parts
    collars: np.ndarray
    tips: np.ndarray
    collared: list[bool]
    stage: int
    lost: int
    order: list[int] = field(default_factory=list)


def draw(
    stage: int = 4,
    whorl: int = 2,
    lost: int = 0,
    *,
    angle_deg: float = 0.0,
    noise: float = 0.0,
    seed: int = 0,
    px_per_cell: float = 6.0,
    origin: tuple[float, float] = (100.0, 200.0),
    same_side: bool = False,
) -> Drawn:
    """Draw a plant with `stage` collars (of which `lost` lower leaves are gone) and whorl leaves.

    `angle_deg` turns the whole plant (a laid one); `noise` is in map cells, for peaks and links.
    """
    rng = np.random.default_rng(seed)
    seen = stage - lost
    base = np.array([SIZE / 2, SIZE - 22.0])
    stalk_top = base[1] - 14 - 9.0 * max(seen, 0)
    ranks = np.arange(lost + 1, stage + whorl + 1)
    curves, collars, tips = [], [], []
    for i, rank in enumerate(ranks):
        collared = i < seen
        side = 1 if same_side or i % 2 == 0 else -1
        if collared:
            collar = np.array([base[0] + 0.5 * side, base[1] - 12 - 9.0 * i])
            # Leaf 1 is short, as on a real plant.
            reach = 9.0 if rank == 1 else 14.0 + 6.0 * i
            rise = 6.0 if rank == 1 else 8.0 + 3.0 * i
            tip = collar + np.array([side * reach, -0.25 * rise])
            top = collar + np.array([side * 0.55 * reach, -1.6 * rise])
        else:
            collar = np.array([base[0], stalk_top])
            out = i - seen
            tip = collar + np.array([side * (20.0 - 7.0 * out), -34.0 - 2.0 * out])
            top = collar + np.array([side * 2.0, -18.0])
        t = np.linspace(0, 1, 60)[:, None]
        curves.append((1 - t) ** 2 * collar + 2 * t * (1 - t) * top + t**2 * tip)
        collars.append(collar)
        tips.append(tip)
    turn = cv2.getRotationMatrix2D((SIZE / 2, SIZE / 2), angle_deg, 0.85 if angle_deg else 1.0)

    def turned(points: np.ndarray) -> np.ndarray:
        return np.asarray(points, dtype=float) @ turn[:, :2].T + turn[:, 2]

    classes = np.zeros((SIZE, SIZE), np.uint8)
    if not angle_deg:
        classes[int(base[1]) + 1 :] = SOIL
    for curve in curves:
        _line(classes, turned(curve), BLADE, 3)
    top_of_stalk = np.array([base[0], stalk_top])
    _line(classes, turned(np.stack([base, top_of_stalk])), STALK, 4)
    collars_at, tips_at = turned(np.array(collars)), turned(np.array(tips))
    affine = np.array([[px_per_cell, 0, origin[0]], [0, px_per_cell, origin[1]]])

    def photo(point: np.ndarray) -> tuple[float, float]:
        moved = np.asarray(point) + rng.normal(0, noise, 2)
        x, y = affine @ np.array([moved[0], moved[1], 1.0])
        return float(x), float(y)

    score = lambda good: float(np.clip(good + rng.normal(0, 0.5 * noise * 0.05), 0.05, 0.98))  # noqa: E731
    collar_peaks = tuple(
        CollarPeak(*photo(c), score(0.9), float(r + rng.normal(0, 0.2 * noise)))
        for c, r in zip(collars_at[:seen], ranks, strict=False)
    )
    tip_peaks = tuple(
        TipPeak(
            *photo(tip),
            score(0.9),
            0.95 if r == 1 else 0.04,
            0.95 if i < seen else 0.05,
            *photo(collar),
            float(r + rng.normal(0, 0.2 * noise)),
        )
        for i, (tip, collar, r) in enumerate(zip(tips_at, collars_at, ranks, strict=True))
    )
    order = list(rng.permutation(len(tip_peaks)))
    probabilities = np.full(13, 0.005)
    probabilities[seen] = 1.0
    lost_p = np.full(4, 0.01)
    lost_p[min(lost, 3)] = 1.0
    arch = None
    arched = list(range(seen))
    if arched:
        curve = turned(curves[arched[-1]])
        arch = Point(*photo(curve[curve[:, 1].argmin()]), 0.8)
    parts = Parts(
        classes=classes,
        photo_from_map=affine,
        collars=collar_peaks,
        tips=tuple(tip_peaks[i] for i in order),
        base=Point(*photo(turned(base[None])[0]), 0.9),
        arch=arch,
        collar_counts=probabilities / probabilities.sum(),
        usability=dict(USABLE),
        laid=0.97 if angle_deg else 0.03,
        first_leaf=0.96 if lost == 0 else 0.05,
        lost_leaves=lost_p / lost_p.sum(),
        px_per_map_px=px_per_cell,
        model="drawn",
    )
    return Drawn(parts, collars_at, tips_at, [i < seen for i in range(len(ranks))], stage, lost)


def without_collar(drawn: Drawn, index: int) -> Drawn:
    """Hide one collar behind a blade: its peak is gone, its tip still says that it is out."""
    kept = tuple(c for i, c in enumerate(drawn.parts.collars) if i != index)
    return replace(drawn, parts=replace(drawn.parts, collars=kept))


def with_collar(drawn: Drawn, peak: CollarPeak) -> Drawn:
    """Add a collar peak that isn't one."""
    parts = replace(drawn.parts, collars=(*drawn.parts.collars, peak))
    return replace(drawn, parts=parts)


def _line(classes: np.ndarray, points: np.ndarray, value: int, width: int) -> None:
    cv2.polylines(classes, [np.round(points).astype(np.int32)], False, value, width)
