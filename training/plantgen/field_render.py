"""Path tracing a :class:`~training.plantgen.field_scene.FieldScene`, and its truth in pixels."""

from __future__ import annotations

from dataclasses import dataclass
from types import ModuleType
from typing import Any

import cv2
import numpy as np

from .field_scene import LEAF_IDS, FieldScene
from .mesh import Mesh, anchors, speck
from .plantlibrary import LightMesh
from .tracing import Window, bitmap, leaf, matte, opaque, sensor, shape, sky_and_sun, start, trace

CLASSES = {"ground": 0, "corn": 1, "other": 2}
"""Ids in the part map."""

TIP_REACH_PX = 1
"""A tip counts as seen when its own leaf shows within so many pixels of a point just before it."""


@dataclass(frozen=True)
class FieldRendered:
    """One window of a field.

    Attributes
    ----------
    radiance : ndarray, (H, W, 3) float32
        Linear RGB.
    classes : ndarray, (H, W) uint8
        `CLASSES`.
    owner : ndarray, (H, W) int32
        Of the corn seen: plant's index * `LEAF_IDS` + rank; -1 elsewhere.
    """

    radiance: np.ndarray
    classes: np.ndarray
    owner: np.ndarray


def _light(mesh: LightMesh | None) -> LightMesh:
    if mesh is not None and len(mesh.faces):
        return mesh
    far = speck()
    return LightMesh(far.vertices, far.faces, np.full((3, 3), 0.1), far.owner)


def _scene(mi: ModuleType, scene: FieldScene, window: Window, samples: int, seed: int) -> Any:
    painted = {"type": "mesh_attribute", "name": "vertex_color"}
    blade = leaf(mi, painted, scene.leaf["roughness"], scene.leaf["through"])
    straw = matte(mi, painted)
    soil = matte(mi, bitmap(mi, scene.ground.texture))
    up = np.array([0.0, 0.0, 1.0])
    made: dict[str, Any] = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": 5, "rr_depth": 3},
        **sky_and_sun(mi, scene.sky, scene.sky_gain, up, scene.sun_direction, scene.sun_colour),
        "photo": sensor(mi, scene.camera, window, samples, seed, box=False),
        "map": sensor(mi, scene.camera, window, 1, seed, box=True),
    }
    for name, mesh, bsdf in (
        ("corn", _light(scene.corn), blade),
        ("other", _light(scene.other), blade),
        ("litter", _light(scene.litter), straw),
    ):
        bare = Mesh(mesh.vertices, mesh.faces, np.zeros((len(mesh.vertices), 2)), mesh.owner)
        made[f"part_{name}"] = shape(mi, f"part_{name}", bare, bsdf, mesh.colours)
    ground = scene.ground
    plain = Mesh(ground.vertices, ground.faces, ground.uv, np.zeros(len(ground.faces), np.int32))
    made["part_ground"] = shape(mi, "part_ground", plain, soil)
    made["part_rim"] = shape(mi, "part_rim", anchors(), soil)
    return opaque(mi, mi.load_dict(made))


def render(
    scene: FieldScene, *, samples: int, seed: int, scale: float = 1.0, variant: str | None = None
) -> FieldRendered:
    """Render a scene's window.

    Parameters
    ----------
    scene : FieldScene
    samples : int
        Light paths a pixel.
    seed : int
    scale : float
        Rendered pixels to a pixel of the window.
    variant : str, optional
        Mitsuba variant; see `training.plantgen.tracing.start`.
    """
    mi = start(variant)
    side = float(scene.shot.side_px)
    window = Window(0.0, 0.0, (side, side), scale)
    made = _scene(mi, scene, window, samples, seed)
    traced = trace(mi, made, samples, seed)
    shape_index, face = traced.shape_index, traced.face
    hit = traced.distance_mm > 0
    classes = np.zeros(shape_index.shape, np.uint8)
    owner = np.full(shape_index.shape, -1, np.int32)
    for index, part in enumerate(made.shapes()):
        name = part.id().removeprefix("part_")
        here = hit & (shape_index == index + 1)  # 0 is 'nothing hit'
        if name == "corn" and scene.corn is not None:
            classes[here] = CLASSES["corn"]
            owners = scene.corn.owner
            owner[here] = owners[np.clip(face[here], 0, len(owners) - 1)]
        elif name == "other" and scene.other is not None:
            classes[here] = CLASSES["other"]
    return FieldRendered(_mended(traced.radiance), classes, owner)


def _mended(radiance: np.ndarray) -> np.ndarray:
    """Fill pixels without a number (a grazing path, now and then) from those around."""
    radiance = radiance.astype(np.float32)
    known = np.isfinite(radiance).all(-1)
    if not known.all():
        filled = np.where(known[..., None], radiance, 0)
        side = (15, 15)
        weight = cv2.blur(known.astype(np.float32), side)
        around = cv2.blur(filled, side) / np.maximum(weight, 1e-3)[..., None]
        radiance = np.where(known[..., None], radiance, around).astype(np.float32)
    return np.clip(radiance, 0, 1e3)


def describe(
    scene: FieldScene, rendered: FieldRendered, scale: float = 1.0
) -> list[dict[str, Any]]:
    """What is true of each corn plant that stands in the window or reaches into it.

    Returns
    -------
    list of dict
        ``x``, ``y``: where it meets the ground, px; ``whorl``: [x, y]; ``stage``; ``row``;
        ``double``; ``inside``: it stands in the window; ``whole``: all its tips are in it too;
        ``seen_px``: pixels of it that show; ``tips``: [x, y, rank, seen] each leaf out of the
        whorl; ``tips_shown``: how many those are.
    """
    height, width = rendered.classes.shape
    out = []
    flat = rendered.owner[rendered.owner >= 0] // LEAF_IDS
    pixels = np.bincount(flat, minlength=len(scene.placed)) if len(scene.placed) else []
    for index, placed in enumerate(scene.placed):
        points = np.concatenate([placed.base[None], placed.whorl[None], placed.tips])
        at, depth = scene.camera.project(points)
        at = at * scale
        inside = (at >= 0).all(1) & (at[:, 0] < width) & (at[:, 1] < height) & (depth > 0)
        if not inside.any():
            continue
        seen = _seen_tips(scene, rendered, index, scale)
        tips = [
            [round(float(x), 2), round(float(y), 2), int(rank), int(shown and within)]
            for (x, y), rank, shown, within in zip(
                at[2:], placed.ranks, seen, inside[2:], strict=True
            )
        ]
        out.append(
            {
                "x": round(float(at[0, 0]), 2),
                "y": round(float(at[0, 1]), 2),
                "whorl": [round(float(v), 2) for v in at[1]],
                "stage": placed.plant.stage_v,
                "row": placed.plant.row,
                "double": placed.plant.double,
                "ground_mm": [round(placed.plant.x_mm, 1), round(placed.plant.y_mm, 1)],
                "inside": bool(inside[0]),
                "whole": bool(inside.all()),
                "seen_px": int(pixels[index]),
                "tips_shown": len(tips),
                "tips": tips,
            }
        )
    return out


def _seen_tips(scene: FieldScene, rendered: FieldRendered, index: int, scale: float) -> np.ndarray:
    """Whether each leaf of a plant shows just before its tip."""
    placed = scene.placed[index]
    height, width = rendered.owner.shape
    count, near = placed.near_tips.shape[:2]
    at, _ = scene.camera.project(placed.near_tips.reshape(-1, 3))
    cell = np.floor(at * scale).astype(int)
    ids = (index * LEAF_IDS + placed.ranks)[:, None].repeat(near, 1).ravel()
    seen = np.zeros(len(ids), bool)
    for dy in range(-TIP_REACH_PX, TIP_REACH_PX + 1):
        for dx in range(-TIP_REACH_PX, TIP_REACH_PX + 1):
            x, y = cell[:, 0] + dx, cell[:, 1] + dy
            ok = (x >= 0) & (x < width) & (y >= 0) & (y < height)
            seen[ok] |= rendered.owner[y[ok], x[ok]] == ids[ok]
    return seen.reshape(count, near).any(1)
