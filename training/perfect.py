"""Perfect parts: what a network without error would hand on, from a plant's geometry.

    python -m training.perfect --out tests/perfect_plants.npz --seeds 5000 5080

Feeding these to the rooms that read a plant tells their errors from the network's. The plants are
those of `training.plantgen`; nothing of them is path traced but the map of parts. A file of them
(maps, truth lines and scales, some 2 KB a plant) lets tests do without the renderer.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from collarvision.card import Scale
from collarvision.cardfit import CARD_MM
from collarvision.looks import MARGIN, READ_PX
from collarvision.network import MAP_STRIDE, STAGE_COUNT, USABILITY_NAMES
from collarvision.parts import CollarPeak, Parts, Point, TipPeak

SURE = 0.97
"""Score of what is there; a network's best scores are no higher."""


@dataclass(frozen=True)
class Perfect:
    """A plant without a network's error: its parts, the exact scale, and its truth line."""

    parts: Parts
    scale: Scale
    truth: dict[str, Any]


def perfect(stand: Any) -> Perfect:
    """Render the part map of a stand (`training.plantgen.stand.Stand`, with a card), tell the rest.

    The arch isn't told: `with_arch` does.
    """
    from training.plantgen import render, truth

    low, high = truth.plant_box_px(stand)
    side = float(np.ceil(max(high - low) * (1 + 2 * MARGIN)))
    left, top = np.round((low + high - side) / 2)
    window = render.Window(float(left), float(top), (side, side), READ_PX / side)
    rendered = render.render(stand, window, samples=1, seed=0)
    row = truth.describe(stand, rendered, "perfect.jpg", "photo")
    offset = MAP_STRIDE // 2
    classes = rendered.classes[offset::MAP_STRIDE, offset::MAP_STRIDE]
    row["window"] = [float(left), float(top), side]
    return Perfect(parts_from(classes, row), exact_scale(stand), row)


def parts_from(classes: np.ndarray, row: dict[str, Any]) -> Parts:
    """Parts from a map (h, w) and a truth line in px of the window that it covers."""
    left, top, side = row["window"]
    step = side / READ_PX

    def place(x: float, y: float) -> tuple[float, float]:
        return float(left + step * x), float(top + step * y)

    def collar(c: dict[str, Any]) -> CollarPeak:
        return CollarPeak(*place(c["x"], c["y"]), SURE, float(c["rank"]))

    collars = row["collars_visible_in_image"]
    tips = tuple(
        TipPeak(
            *place(t["x"], t["y"]),
            SURE,
            SURE if t["rounded"] else 1 - SURE,
            SURE if t["has_collar"] else 1 - SURE,
            *place(t["link_x"], t["link_y"]),
            float(t["rank"]),
        )
        for t in row["tips"]
        if not t["occluded"]
    )
    lost = np.full(4, (1 - SURE) / 3)
    lost[min(row["lower_leaves_missing"], 3)] = SURE
    half = MAP_STRIDE / 2
    affine = np.array(
        [[MAP_STRIDE * step, 0.0, left + half * step], [0.0, MAP_STRIDE * step, top + half * step]]
    )
    return Parts(
        classes=classes,
        photo_from_map=affine,
        collars=tuple(collar(c) for c in collars if not c["occluded"]),
        tips=tips,
        base=Point(*place(*row["base_xy"]), SURE),
        arch=None,
        collar_counts=np.full(STAGE_COUNT, 1 / STAGE_COUNT),
        usability={name: float(name == "ok") for name in USABILITY_NAMES},
        laid=float(row["layout"] == "laid"),
        first_leaf=SURE if row["first_leaf"]["present"] else 1 - SURE,
        lost_leaves=lost,
        px_per_map_px=MAP_STRIDE * step,
        hidden_collars=tuple(collar(c) for c in collars if c["occluded"]),
    )


def with_arch(plant: Perfect, score: float = SURE) -> Parts:
    """The plant's parts with the arch told as well."""
    if plant.truth["arch_xy"] is None:
        return plant.parts
    left, top, side = plant.truth["window"]
    x, y = plant.truth["arch_xy"]
    at = Point(left + side / READ_PX * x, top + side / READ_PX * y, score)
    return replace(plant.parts, arch=at)


def save(path: Path, plants: Sequence[Perfect]) -> None:
    """Write plants to a file that `load` reads."""
    rows = [
        {
            "truth": plant.truth,
            "scale": {
                field.name: np.asarray(getattr(plant.scale, field.name)).tolist()
                for field in fields(Scale)
            },
        }
        for plant in plants
    ]
    maps = np.stack([plant.parts.classes for plant in plants])
    np.savez_compressed(path, maps=maps, rows=np.array(json.dumps(rows)))


def load(path: Path) -> list[Perfect]:
    """Read what `save` wrote."""
    with np.load(path) as stored:
        maps, rows = stored["maps"], json.loads(str(stored["rows"]))
    arrays = ("board_mm_from_px", "rotation", "translation_mm", "corners_px")
    plants = []
    for classes, row in zip(maps, rows, strict=True):
        said = {k: np.array(v) if k in arrays else v for k, v in row["scale"].items()}
        said["camera_center_px"] = tuple(said["camera_center_px"])
        plants.append(Perfect(parts_from(classes, row["truth"]), Scale(**said), row["truth"]))
    return plants


def exact_scale(stand: Any) -> Scale:
    """Where the card really is, in the stand's own camera."""
    corners = stand.card_corners_mm
    if corners is None:
        raise ValueError("The stand has no card: compose it with Wish(card=True).")
    camera = stand.camera
    width, height = CARD_MM
    right = (corners[1] - corners[0]) / np.linalg.norm(corners[1] - corners[0])
    down = (corners[3] - corners[0]) / np.linalg.norm(corners[3] - corners[0])
    axes = np.stack([right, down, np.cross(right, down)], axis=1)
    rotation = camera.axes @ axes
    shift = camera.axes @ (corners[0] - camera.position_mm)
    centre = (camera.width_px / 2, camera.height_px / 2)
    intrinsic = np.array(
        [[camera.focal_px, 0, centre[0]], [0, camera.focal_px, centre[1]], [0, 0, 1.0]]
    )
    px_from_mm = intrinsic @ np.column_stack([rotation[:, :2], shift])
    return Scale(
        board_mm_from_px=np.linalg.inv(px_from_mm),
        rotation=rotation,
        translation_mm=shift,
        focal_px=camera.focal_px,
        focal_assumed=False,
        camera_center_px=centre,
        corners_px=camera.project(corners)[0],
        markers_found=4,
        tilt_deg=float(np.degrees(np.arccos(np.clip(rotation[2, 2], -1, 1)))),
        relative_error=0.0042,
    )


def composed(seed: int, **wish: Any) -> Any:
    """Compose a plant with a card, in a photo of twelve megapixels."""
    from training.plantgen.stand import compose
    from training.plantgen.wish import Wish

    return compose(
        np.random.default_rng(seed), Wish(card=True, width_px=3000, height_px=4000, **wish)
    )


def main(words: Sequence[str] | None = None) -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seeds", type=int, nargs=2, default=(5000, 5060), metavar=("FROM", "TO"))
    options = parser.parse_args(words)
    plants = [perfect(composed(seed)) for seed in range(*options.seeds)]
    save(options.out, plants)
    print(f"{options.out}: {len(plants)} plants")
    return 0


if __name__ == "__main__":
    sys.exit(main())
