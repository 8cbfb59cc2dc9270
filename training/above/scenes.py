"""Write samples of fields from above: ``python -m training.above.scenes --out DIR --seed S``.

One process writes one part (``part-SSSSS``): pictures, part maps and ``truth.jsonl``, a line
appended once its files are complete. A part that's there is continued. ``--finished`` writes
photos as a drone or phone would give them, at ground scales from 1 to 8 mm, for validation.
"""

from __future__ import annotations

import argparse
import json
import math
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from training.above import finish
from training.above.contract import WORKING_MM_PER_PX
from training.plantgen import field_render
from training.plantgen.field_ground import Noises
from training.plantgen.field_scene import FieldScene, Shot, compose
from training.plantgen.partfile import fill, next_index, write_whole
from training.plantgen.plantlibrary import Library

BLOCK = 24
"""Scenes that share one library of plants and noises; the next block's are grown anew."""

FINISHED_SCALES: tuple[tuple[float, float, int], ...] = (
    # mm a pixel, share, side in px: few sides, since each compiles kernels of its own
    (1.0, 0.05, 640),
    (1.5, 0.10, 640),
    (2.0, 0.15, 512),
    (2.5, 0.10, 512),
    (3.0, 0.25, 512),
    (4.0, 0.09, 384),
    (5.0, 0.06, 384),
    (6.0, 0.15, 384),
    (8.0, 0.05, 384),
)
WIDE_SCALES = (3.0, 4.0, 5.0, 6.0)
WIDE_SHARES = (0.6, 0.13, 0.13, 0.14)
WIDE_SIDE = 1280
"""Finished photos of a piece of field 4 to 8 m wide, for rows, gaps and stands."""

LARGEST_BYTES = 66_000
"""A finished photo is compressed until it fits, so that a set of hundreds stays small."""

WIDE_LARGEST_BYTES = 400_000


def arguments(argv: list[str] | None = None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(
        prog="training.above.scenes", description="Render fields from above."
    )
    add = parser.add_argument
    add("--out", type=Path, required=True, help="folder; a part is written into it")
    add("--seed", type=int, default=0, help="the part's seed")
    add("--count", type=int, default=10**9, help="samples to have in the part")
    add("--minutes", type=float, default=1e9, help="stop after this long")
    add("--samples", type=int, default=24, help="light paths a pixel")
    add("--side", type=int, default=512, help="of a training picture, px")
    add("--finished", action="store_true", help="finished photos for validation")
    add("--wide", action="store_true", help="with --finished: corn rows, 4 to 8 m wide")
    add("--variant", help="Mitsuba variant, e.g. cuda_ad_rgb, llvm_ad_rgb")
    return parser.parse_args(argv)


def draw_shot(rng: np.random.Generator, side: int, finished: bool, wide: bool = False) -> Shot:
    """How the next picture is taken; training's are rendered at the working scale.

    Training sees more doubles than fields have, or it would see too few to learn from.
    """
    if not finished:
        doubles = float(rng.uniform(0.1, 0.5)) if rng.random() < 0.55 else None
        return Shot(side_px=side, mm_per_px=WORKING_MM_PER_PX, doubles=doubles)
    if wide:
        scale = float(rng.choice(WIDE_SCALES, p=WIDE_SHARES))
        wide_side = round(WIDE_SIDE * side / 512 / 32) * 32
        # Straight down or nearly, as such frames are flown.
        return Shot(
            side_px=wide_side, mm_per_px=scale, tilt_rad=abs(rng.normal(0, 0.08)), kind="corn"
        )
    shares = np.array([share for _, share, _ in FINISHED_SCALES])
    chosen = FINISHED_SCALES[int(rng.choice(len(shares), p=shares / shares.sum()))]
    # A smaller --side (tests) shrinks every picture alike.
    return Shot(side_px=round(chosen[2] * side / 512 / 32) * 32, mm_per_px=chosen[0])


def facts_of(scene: FieldScene) -> dict[str, Any]:
    """What a truth line says about the scene as a whole."""
    camera, stand = scene.camera, scene.stand
    down = -camera.axes[2]
    return {
        "mm_per_px": scene.shot.mm_per_px,
        "width": camera.width_px,
        "height": camera.height_px,
        "tilt_deg": round(math.degrees(math.acos(min(1.0, float(down[2])))), 2),
        "distance_mm": round(float(np.linalg.norm(camera.position_mm)), 1),
        "focal_px": round(camera.focal_px, 2),
        "camera_mm": [round(float(v), 2) for v in camera.position_mm],
        "axes": [[round(float(v), 6) for v in row] for row in camera.axes],
        "kind": stand.kind,
        "mean_stage": round(stand.mean_stage, 2),
        "row_spacing_mm": round(stand.row_spacing_mm, 1),
        "row_direction_rad": round(stand.row_direction_rad, 5),
        "row_offset_mm": round(stand.row_offset_mm, 1),
        "weeds_per_m2": round(stand.weeds_per_m2, 1),
        "residue_share": round(stand.residue_share, 3),
        "lighting": scene.lighting,
    }


def _encoded(picture: np.ndarray, quality: int, largest: int) -> tuple[bytes, int]:
    """A JPEG of at most so many bytes, and the quality that it took."""
    while True:
        ok, data = cv2.imencode(
            ".jpg",
            np.ascontiguousarray(picture[..., ::-1]),
            [cv2.IMWRITE_JPEG_QUALITY, quality],
        )
        if not ok:
            raise OSError("a picture could not be encoded")
        if len(data) <= largest or quality <= 40:
            return data.tobytes(), quality
        quality -= 6


class Maker:
    """Makes the samples of one part; the same seed and index give the same sample."""

    def __init__(self, part: Path, options: argparse.Namespace):
        self.part = part
        self.options = options
        self._block = -1
        self._library: Library | None = None
        self._noises: Noises | None = None

    def _kept(self, index: int) -> tuple[Library, Noises]:
        block = index // BLOCK
        if block != self._block or self._library is None or self._noises is None:
            self._library = Library(np.random.default_rng([self.options.seed, 1, block]))
            self._noises = Noises(np.random.default_rng([self.options.seed, 2, block]))
            self._block = block
        return self._library, self._noises

    def write(self, index: int) -> None:
        """Render one sample and append its truth line."""
        options = self.options
        rng = np.random.default_rng([options.seed, 0, index])
        library, noises = self._kept(index)
        shot = draw_shot(rng, options.side, options.finished, options.wide)
        scene = compose(rng, shot, library, noises)
        rendered = field_render.render(
            scene,
            samples=options.samples,
            seed=int(rng.integers(2**31)),
            variant=options.variant,
        )
        row: dict[str, Any] = facts_of(scene)
        row["plants"] = field_render.describe(scene, rendered)
        name = f"{options.seed:05d}_{index:06d}"
        if options.finished:
            picture, quality = finish.photograph(rendered.radiance, rng)
            largest = WIDE_LARGEST_BYTES if options.wide else LARGEST_BYTES
            data, quality = _encoded(picture, quality, largest)
        else:
            data, quality = _encoded(finish.develop(rendered.radiance, rng), 95, 10**9)
        row = {"file": f"{name}.jpg", "jpeg_quality": quality, **row}
        write_whole(self.part / f"{name}.jpg", data)
        ok, mask = cv2.imencode(".png", rendered.classes)
        if not ok:
            raise OSError("a part map could not be encoded")
        write_whole(self.part / f"{name}.png", mask.tobytes())
        with (self.part / "truth.jsonl").open("a", encoding="utf-8") as lines:
            lines.write(json.dumps(row) + "\n")


def main(argv: list[str] | None = None) -> int:
    """Run from the command line."""
    options = arguments(argv)
    part = options.out / f"part-{options.seed:05d}"
    part.mkdir(parents=True, exist_ok=True)
    maker = Maker(part, options)
    fill(
        options.seed,
        range(next_index(part / "truth.jsonl"), options.count),
        maker.write,
        minutes=options.minutes,
        every=25,
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
