"""Simple drawn plants with exact truth, to test training without a renderer."""

from __future__ import annotations

import json
import math
from pathlib import Path

import cv2
import numpy as np


def draw_plant(
    rng: np.random.Generator,
    width: int = 240,
    height: int = 320,
    stage: int | None = None,
    view: str = "photo",
):
    """Draw one plant: image (H, W, 3) uint8 RGB, mask (H, W) uint8 and its truth row."""
    stage = int(rng.integers(1, 5)) if stage is None else stage
    board = rng.integers(60, 230, 3).tolist()
    image = np.full((height, width, 3), board, np.uint8)
    mask = np.zeros((height, width), np.uint8)
    soil_y = int(height * 0.85)
    image[soil_y:] = (94, 70, 50)
    mask[soil_y:] = 3
    foot_x = width * rng.uniform(0.42, 0.58)
    top_y = soil_y - height * (0.2 + 0.09 * stage)
    tips, collars, strokes = [], [], []
    for rank in range(1, stage + 3):
        share = min(rank / (stage + 1.0), 1.0)
        collar_y = soil_y - (soil_y - top_y) * (0.15 + 0.75 * share)
        side = 1 if rank % 2 else -1
        reach = width * rng.uniform(0.2, 0.32) * (0.6 if rank > stage else 1.0)
        rise = height * rng.uniform(0.02, 0.14)
        collar = (foot_x, collar_y)
        tip = (foot_x + side * reach, collar_y - rise * (2.0 if rank > stage else 0.6))
        middle = (foot_x + side * reach * 0.5, min(collar_y, tip[1]) - rise)
        t = np.linspace(0, 1, 20)[:, None]
        curve = (1 - t) ** 2 * collar + 2 * t * (1 - t) * middle + t**2 * tip
        strokes.append(curve)
        tips.append(
            {
                "rank": rank,
                "x": tip[0],
                "y": tip[1],
                "occluded": False,
                "has_collar": rank <= stage,
                "rounded": rank == 1,
                "real_tip": True,
                "link_x": collar[0],
                "link_y": collar[1],
            }
        )
        if rank <= stage:
            collars.append({"rank": rank, "x": collar[0], "y": collar[1], "occluded": False})
    for curve in strokes:
        points = np.rint(curve * 16).astype(np.int32)[None]
        cv2.polylines(image, points, False, (70, 150, 50), 4, cv2.LINE_AA, shift=4)
        cv2.polylines(mask, points, False, 1, 4, shift=4)
    foot, top = (round(foot_x), soil_y), (round(foot_x), round(top_y))
    cv2.line(image, foot, top, (150, 190, 110), 6)
    cv2.line(mask, foot, top, 2, 6)
    for c in collars:
        at = (round(c["x"]), round(c["y"]))
        cv2.line(image, (at[0] - 4, at[1]), (at[0] + 4, at[1]), (240, 240, 200), 2)
    arch = min(np.concatenate(strokes[:stage]).tolist(), key=lambda p: p[1])
    xs = [t["x"] for t in tips] + [foot_x]
    ys = [t["y"] for t in tips] + [arch[1], soil_y]
    noise = rng.normal(0, 3, image.shape)
    row = {
        "usable": True,
        "reason": "ok",
        "stage_v": stage,
        "width": width,
        "height": height,
        "collars_visible_in_image": collars,
        "tips": tips,
        "first_leaf": {"present": True},
        "lower_leaves_missing": 0,
        "base_xy": [foot_x, soil_y],
        "base_occluded": False,
        "arch_xy": arch,
        "hard_case": "none",
        "card": {"present": False},
        "layout": "standing",
        "lighting": "overcast",
        "board_colour": "plain",
        "view": view,
        "plant_box_px": [min(xs), min(ys), max(xs), max(ys)],
    }
    return np.clip(image + noise, 0, 255).astype(np.uint8), mask, row


def draw_empty(rng: np.random.Generator, width: int = 240, height: int = 320):
    """Draw a board over soil with no plant."""
    image, mask, _ = draw_plant(rng, width, height, 1)
    soil_y = int(height * 0.85)
    image[:soil_y] = rng.integers(60, 230, 3)
    mask[:soil_y] = 0
    return (
        image,
        mask,
        {
            "usable": False,
            "reason": "no_plant",
            "stage_v": None,
            "view": "photo",
            "width": width,
            "height": height,
            "collars_visible_in_image": [],
            "tips": [],
            "first_leaf": None,
            "lower_leaves_missing": None,
            "base_xy": None,
            "arch_xy": None,
            "layout": "standing",
            "plant_box_px": None,
        },
    )


def write_samples(
    folder: Path, count: int, seed: int = 0, empty_every: int = 0, part: str = "part-0", **kind
) -> Path:
    """Write samples as a renderer does: image, mask and, last, the truth line."""
    rng = np.random.default_rng(seed)
    home = folder / part
    home.mkdir(parents=True, exist_ok=True)
    for k in range(count):
        if empty_every and k % empty_every == empty_every - 1:
            image, mask, row = draw_empty(rng)
        else:
            image, mask, row = draw_plant(rng, **kind)
        name = f"toy_{seed}_{k:03d}"
        cv2.imwrite(str(home / f"{name}.jpg"), image[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 95])
        cv2.imwrite(str(home / f"{name}.png"), mask)
        row = {"file": f"{name}.jpg", **row}
        assert all(math.isfinite(v) for v in row["plant_box_px"] or [0])
        with (home / "truth.jsonl").open("a", encoding="utf-8") as stream:
            stream.write(json.dumps(row) + "\n")
    return folder
