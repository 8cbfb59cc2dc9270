"""What is true of a rendered window: keypoints in its pixels, what hides them, heights in mm.

The definitions are those of the project's truth files (see DEVELOPERS.md): a point is
``occluded`` when something else is in front of it; the arch is the highest point of the
uppermost leaf that is at least half out of the whorl and whose tip hangs below its top.
"""

from __future__ import annotations

import math

import numpy as np

from .camera import Camera
from .render import SHEATH_OWNER, Rendered
from .shape import LeafPoints, PlantShape
from .stand import Stand
from .tracing import Window
from .wear import first_leaf_truth

HALF_OUT = 0.5
"""Share of a blade out of the whorl from which it can govern the height.

Soil to the arch of the uppermost leaf at least 50 % out (A. Hager, Univ. of Illinois 2012).
"""
LEAST_DROP_MM = 4.0
LEAST_DROP_SHARE = 0.06
"""A blade arches when its tip is lower than its top by both: mm, and a share of its length.

The source says "tip below horizontal" (AGF-127) without a measure. A blade that bends evenly from
60 degrees over to 25 below the horizontal drops by this share: what an eye calls hanging [M].
"""
GOVERNS_FROM = 0
"""Lowest leaf that can govern, counted from the top collared one. The uppermost leaf that hangs is
one to two above it (Ohio State Univ. AGF-127; Univ. of Nebraska); a lower leaf that hangs from an
erect plant says nothing of its height, and such a plant has no arch."""

COLLAR_SEEN = 0.22
"""A collar is seen when at least this share of its camera-facing half is."""

CLOSE_SHARE = (0.18, 0.72)
"""Side of a close window, as a share of the side of the reading square about the plant: it shows
the plant 1.4 to 6 times as large as that does."""

FOOT_WINDOW_MM = (150.0, 380.0)
"""Side of a window on a plant's foot: leaf 1 and what else stands or stood there, large."""

EDGE_PX = 2.0
"""A plant that reaches no further than this over a photo's edge still counts as whole."""


def plant_window(stand: Stand, rng: np.random.Generator, pixels: int) -> Window:
    """A square window about the plant, jittered, to be rendered ``pixels`` wide."""
    low, high = plant_box_px(stand)
    side = float(max(high - low)) * rng.uniform(1.28, 1.75)
    side = max(side, 60.0)
    return _square((low + high) / 2 + rng.uniform(-0.06, 0.06, 2) * side, side, pixels)


def close_window(stand: Stand, rng: np.random.Generator, pixels: int) -> Window:
    """A square window on part of the stalk, `CLOSE_SHARE` as wide as one about the plant.

    The top collar is in it twice as often as any other: there, millimetres decide.
    """
    low, high = plant_box_px(stand)
    share = float(np.exp(rng.uniform(*np.log(CLOSE_SHARE))))
    side = max(_reading_side_px(low, high) * share, 40.0)
    collars = [leaf.collar for leaf in stand.shapes[0].points if leaf.collar is not None]
    spot = _base(stand)
    if collars:
        spot = collars[-1] if rng.random() < 0.5 else collars[int(rng.integers(len(collars)))]
    centre = stand.camera.project(spot[None])[0][0] + rng.uniform(-0.33, 0.33, 2) * side
    return _square(centre, side, pixels)


def foot_window(stand: Stand, rng: np.random.Generator, pixels: int) -> Window:
    """A square window on the plant's foot, which stands in its lower half, `FOOT_WINDOW_MM` wide.

    No wider than the reading square about the plant. Leaf 1, and what is left of lost leaves, are a
    few pixels of a tall plant's reading square.
    """
    low, high = plant_box_px(stand)
    foot, over = stand.camera.project(np.stack([_base(stand), 50.0 * _up_the_stalk(stand)]))[0]
    length_px = float(np.hypot(*(over - foot)))  # of 50 mm
    least, most = np.log(FOOT_WINDOW_MM)
    side = length_px / 50.0 * float(np.exp(rng.uniform(least, most)))
    side = max(min(side, _reading_side_px(low, high)), 40.0)
    up = (over - foot) / max(length_px, 1e-6)
    aside = np.array([-up[1], up[0]]) * rng.uniform(-0.12, 0.12)
    return _square(foot + side * (rng.uniform(0.05, 0.24) * up + aside), side, pixels)


def _reading_side_px(low: np.ndarray, high: np.ndarray) -> float:
    """Side of the reading square about a plant's box."""
    return float(max(high - low)) * 1.24


def _square(centre_px: np.ndarray, side_px: float, pixels: int) -> Window:
    left, top = centre_px - side_px / 2
    return Window(float(left), float(top), (side_px, side_px), pixels / side_px)


def whole_window(stand: Stand, long_side_px: int) -> Window:
    """The whole photo, rendered at ``long_side_px``."""
    camera = stand.camera
    scale = long_side_px / max(camera.width_px, camera.height_px)
    return Window(0.0, 0.0, (float(camera.width_px), float(camera.height_px)), scale)


def plant_box_px(stand: Stand) -> tuple[np.ndarray, np.ndarray]:
    """Corners of the plant's box in photo pixels: all blades, and the stalk above the soil."""
    shape = stand.shapes[0]
    points = np.concatenate([leaf.surface for leaf in shape.points] + [_base(stand)[None]])
    pixels, _ = stand.camera.project(points)
    return pixels.min(0), pixels.max(0)


def _base(stand: Stand) -> np.ndarray:
    return np.zeros(3)  # the stalk meets the soil (laid: green meets white) at the origin


def _along(stand: Stand, shape: PlantShape, points: np.ndarray) -> np.ndarray:
    """Height over the soil, or along the stalk of a laid plant, mm."""
    return points @ _up_the_stalk(stand)


def _up_the_stalk(stand: Stand) -> np.ndarray:
    """Unit vector (3,) along which heights run: the vertical, or a laid plant's stalk."""
    laid = stand.label["layout"] == "laid"
    turn = float(stand.label["stalk_turn_rad"]) if laid else 0.0  # type: ignore[arg-type]
    return np.array([np.sin(turn), 0.0, np.cos(turn)])


def _into(window: Window, pixels: np.ndarray) -> np.ndarray:
    return (pixels - np.array([window.left_px, window.top_px])) * window.scale


def _seen(
    rendered: Rendered,
    pixels: np.ndarray,
    distance_mm: np.ndarray,
    *,
    owners: tuple[int, ...],
    slack_mm: float,
    reach_px: int,
) -> np.ndarray:
    """Whether each point (N,) of a part is seen: the part itself, there and at its distance.

    ``owners`` are the part's ids in the part map. It's looked for within ``reach_px`` pixels,
    because a pixel of the map shows one spot of its area, and a point may lie on an outline.
    """
    height, width = rendered.classes.shape
    seen = np.zeros(len(pixels), bool)
    for index, ((x, y), d) in enumerate(zip(pixels, distance_mm, strict=True)):
        column, row = math.floor(x), math.floor(y)
        if not (0 <= column < width and 0 <= row < height):
            continue
        rows = slice(max(0, row - reach_px), row + reach_px + 1)
        columns = slice(max(0, column - reach_px), column + reach_px + 1)
        here = np.isin(rendered.owner[rows, columns], owners)
        near = np.abs(rendered.distance_mm[rows, columns] - d) < slack_mm
        seen[index] = bool((here & near).any())
    return seen


def _leaf_truth(
    stand: Stand, rendered: Rendered, shape: PlantShape, points: LeafPoints
) -> tuple[dict | None, dict]:
    camera, window = stand.camera, rendered.window
    leaf = shape.plant.leaves[points.rank - 1]

    def place(p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        pixels, _ = camera.project(p)
        return _into(window, pixels), camera.distance(p)

    collar = None
    if points.collar is not None and points.collar_ring is not None:
        at, _ = place(points.collar[None])
        ring = points.collar_ring
        axis = ring.mean(0)
        facing = (ring - axis) @ (camera.position_mm - axis) > 0
        pixels, distance = place(ring[facing])
        slack = max(1.6, 0.55 * leaf.stalk_radius_mm)
        own = (points.rank, SHEATH_OWNER + points.rank)
        seen = _seen(rendered, pixels, distance, owners=own, slack_mm=slack, reach_px=1)
        share = float(seen.mean())
        collar = {
            "rank": points.rank,
            "x": float(at[0, 0]),
            "y": float(at[0, 1]),
            "occluded": share < COLLAR_SEEN,
            "visible_fraction": round(share, 3),
            "height_mm": float(_along(stand, shape, points.collar[None])[0]),
        }
    at, distance = place(np.concatenate([points.tip[None], points.near_tip]))
    seen = _seen(rendered, at, distance, owners=(points.rank,), slack_mm=9.0, reach_px=2)
    link, _ = place((points.collar if points.collar is not None else points.exit)[None])
    tip = {
        "rank": points.rank,
        "x": float(at[0, 0]),
        "y": float(at[0, 1]),
        "occluded": not seen.any(),
        "has_collar": leaf.collared,
        "rounded": leaf.rounded and leaf.torn_at == 1.0,
        "real_tip": leaf.torn_at == 1.0,
        "emerged_fraction": round(leaf.emerged, 3),
        "status": leaf.status,
        "link_x": float(link[0, 0]),
        "link_y": float(link[0, 1]),
        **_top_truth(stand, window, shape, points),
    }
    return collar, tip


def _top_truth(stand: Stand, window: Window, shape: PlantShape, points: LeafPoints) -> dict:
    """Where a leaf is highest, and what its height hangs on there.

    ``toward_px`` is how far the point stands before the stalk, towards the camera and level, in
    pixels at the stalk's foot; None for a laid plant, whose leaves are pressed flat.
    """
    camera = stand.camera
    top, arches = _top(stand, shape, points)
    at = _into(window, camera.project(top[None])[0])[0]
    toward_px = None
    if stand.label["layout"] != "laid":
        level = camera.position_mm[:2] / np.hypot(*camera.position_mm[:2])
        foot_px_per_mm = camera.focal_px / float(camera.project(_base(stand)[None])[1][0])
        toward_px = float(top[:2] @ level) * foot_px_per_mm * window.scale
    return {
        "top_x": float(at[0]),
        "top_y": float(at[1]),
        "toward_px": toward_px,
        "arches": arches,
        "half_out": _half_out(shape, points),
    }


def _top(stand: Stand, shape: PlantShape, points: LeafPoints) -> tuple[np.ndarray, bool]:
    """A leaf's highest point (3,), and whether its tip hangs far enough under it to arch."""
    leaf = shape.plant.leaves[points.rank - 1]
    heights = _along(stand, shape, points.surface)
    top = int(np.argmax(heights))
    drop = float(heights[top] - _along(stand, shape, points.tip[None])[0])
    least = max(LEAST_DROP_MM, LEAST_DROP_SHARE * leaf.visible_length_mm)
    return points.surface[top], drop > least


def _half_out(shape: PlantShape, points: LeafPoints) -> bool:
    leaf = shape.plant.leaves[points.rank - 1]
    return leaf.emerged >= HALF_OUT and leaf.status != "withered"


def _arch(stand: Stand, shape: PlantShape) -> tuple[int, np.ndarray, float] | None:
    """Rank, point (3,) and height mm of the arch that governs, or None."""
    for points in reversed(shape.points):
        if points.rank < shape.plant.stage_v + GOVERNS_FROM:
            break
        top, arches = _top(stand, shape, points)
        if arches and _half_out(shape, points):
            return points.rank, top, float(_along(stand, shape, top[None])[0])
    return None


def describe(stand: Stand, rendered: Rendered, name: str, view: str) -> dict:
    """The truth line of one rendered window (JSON types only)."""
    camera: Camera = stand.camera
    window = rendered.window
    height, width = rendered.classes.shape
    row: dict = {
        "file": name,
        "width": width,
        "height": height,
        "view": view,
        "usable": stand.wish.reason == "ok",
        "reason": stand.wish.reason,
        "stage_v": None,
        "collars_visible_in_image": [],
        "tips": [],
        "first_leaf": None,
        "lower_leaves_missing": 0,
        "base_xy": None,
        "base_occluded": False,
        "arch_xy": None,
        "arch_rank": None,
        "height_arch_mm": None,
        "plant_top_mm": None,
        "hard_case": "none",
        "layout": stand.label["layout"],
        "lighting": stand.label["lighting"],
        "board_colour": stand.label["board_colour"],
        "plant_to_board_mm": stand.label["plant_to_board_mm"],
        "card": _card_truth(stand, window),
        "focal_eq_mm": camera.focal_eq_mm,
        "plant_box_px": None,
    }
    if not stand.shapes:
        return row
    main = stand.shapes[0]
    plant = main.plant
    for shape in stand.shapes if stand.wish.reason == "several" else (main,):
        for points in shape.points:
            collar, tip = _leaf_truth(stand, rendered, shape, points)
            if collar is not None:
                row["collars_visible_in_image"].append(collar)
            row["tips"].append(tip)
    base, _ = camera.project(_base(stand)[None])
    base = _into(window, base)[0]
    around = rendered.classes[
        max(0, int(base[1]) - 3) : int(base[1]) + 4, max(0, int(base[0]) - 3) : int(base[0]) + 4
    ]
    low, high = plant_box_px(stand)
    row |= {
        "stage_v": plant.stage_v,
        "first_leaf": first_leaf_truth(plant),
        "lower_leaves_missing": plant.lost,
        "lower_leaf_status": {
            str(leaf.rank): leaf.status for leaf in plant.leaves if leaf.status != "ok"
        },
        "base_xy": [float(base[0]), float(base[1])],
        "base_occluded": not bool(np.isin(around, (1, 2)).any()) if around.size else True,
        "plant_top_mm": float(
            max(_along(stand, main, points.surface).max() for points in main.points)
        ),
        "hard_case": plant.hard_case,
        "plant_box_px": [*_into(window, low).tolist(), *_into(window, high).tolist()],
    }
    arch = _arch(stand, main)
    if arch is not None:
        rank, point, height_mm = arch
        at = _into(window, camera.project(point[None])[0])[0]
        row |= {
            "arch_xy": [float(at[0]), float(at[1])],
            "arch_rank": rank,
            "height_arch_mm": height_mm,
        }
    if stand.wish.reason in ("ok", "cut_off") and view == "photo":
        # The frame decides, not the wish: a small plant can't be brought near enough to be cut.
        low, high = _into(window, low), _into(window, high)
        whole = bool((low > -EDGE_PX).all() and (high < [width + EDGE_PX, height + EDGE_PX]).all())
        row |= {"reason": "ok" if whole else "cut_off", "usable": whole}
    return row


def _card_truth(stand: Stand, window: Window) -> dict:
    if stand.card_corners_mm is None:
        return {"present": False}
    pixels, depth = stand.camera.project(stand.card_corners_mm)
    inside = (pixels > 0).all() and (pixels < [stand.camera.width_px, stand.camera.height_px]).all()
    return {
        "present": bool(inside and (depth > 0).all()),
        "corners": _into(window, pixels).round(2).tolist(),
    }
