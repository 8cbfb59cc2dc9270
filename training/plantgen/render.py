"""Path tracing a :class:`~training.plantgen.stand.Stand` with Mitsuba 3, and its part map.

The scene keeps one structure (same shapes, same materials) whatever it shows, so that the
just-in-time compiled kernels are made once and reused for every further image.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np

from .stand import Stand
from .tracing import (
    NEAR_MM,
    Window,
    bitmap,
    leaf,
    matte,
    opaque,
    sensor,
    shape,
    sky_and_sun,
    start,
    trace,
)

CLASSES = {"background": 0, "blade": 1, "stalk": 2, "soil": 3, "card": 4}
"""Ids in the part map."""

SHEATH_OWNER = 100
"""Added to a leaf's rank where its sheath is seen, in `Rendered.owner`."""


@dataclass(frozen=True)
class Rendered:
    """Linear radiance and what is where, for one window of a stand.

    Attributes
    ----------
    radiance : ndarray, (H, W, 3) float32
        Linear RGB.
    classes : ndarray, (H, W) uint8
        `CLASSES`.
    owner : ndarray, (H, W) int32
        Rank of the leaf whose blade is seen; `SHEATH_OWNER` + rank where
        it's that leaf's sheath; else 0.
    distance_mm : ndarray, (H, W) float32
        From the camera along the ray.
    window : Window
    """

    radiance: np.ndarray
    classes: np.ndarray
    owner: np.ndarray
    distance_mm: np.ndarray
    window: Window


def _materials(mi: ModuleType, stand: Stand) -> dict[str, Any]:
    """A surface description for each of the stand's meshes, by the mesh's name."""
    textures, gloss = stand.textures, stand.gloss

    blade = leaf(
        mi, bitmap(mi, textures["blades"]), gloss["blade_roughness"], gloss["blade_through"]
    )

    def solid(image: np.ndarray, roughness: float, specular: float) -> Any:
        return mi.load_dict(
            {
                "type": "twosided",
                "bsdf": {
                    "type": "principled",
                    "base_color": bitmap(mi, image),
                    "roughness": roughness,
                    "specular": max(specular, 0.01),
                },
            }
        )

    return {
        "blades": blade,
        "others": blade,
        "stalk": solid(textures["stalk"], 0.45, 0.4),
        "board": solid(textures["board"], gloss["board_roughness"], gloss["board_specular"]),
        "soil": matte(mi, bitmap(mi, textures["soil"])),
        "card": matte(mi, bitmap(mi, textures["card"])),
        "clutter": matte(mi, bitmap(mi, textures["clutter"], nearest=True)),
        "shade": matte(mi, bitmap(mi, np.full((4, 4, 3), 0.1, np.float32))),
    }


def _scene(mi: ModuleType, stand: Stand, window: Window, samples: int, seed: int) -> Any:
    materials = _materials(mi, stand)
    scene: dict = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": 6, "rr_depth": 4},
        **sky_and_sun(
            mi,
            stand.textures["sky"],
            stand.sky_gain,
            stand.up,
            stand.sun_direction,
            stand.sun_colour,
        ),
        "photo": sensor(mi, stand.camera, window, samples, seed, box=False),
        "map": sensor(mi, stand.camera, window, 1, seed, box=True),
    }
    for name, mesh in stand.meshes.items():
        scene[f"part_{name}"] = shape(mi, f"part_{name}", mesh, materials[name])
    return opaque(mi, mi.load_dict(scene))


def render(
    stand: Stand, window: Window, *, samples: int, seed: int, variant: str | None = None
) -> Rendered:
    """Render one window of a stand.

    Parameters
    ----------
    stand : Stand
    window : Window
    samples : int
        Light paths a pixel; 48 leaves noise like a phone's.
    seed : int
        Of the renderer's sampler.
    variant : str, optional
        Mitsuba variant; see `start`.

    Returns
    -------
    Rendered
    """
    mi = start(variant)
    scene = _scene(mi, stand, window, samples, seed)
    seen = trace(mi, scene, samples, seed)
    radiance, shape_index, face = seen.radiance, seen.shape_index, seen.face
    distance = seen.distance_mm.astype(np.float32)  # rays start at the near plane
    classes = np.zeros(shape_index.shape, np.uint8)
    owner = np.zeros(shape_index.shape, np.int32)
    hit = distance > 0
    distance = distance + NEAR_MM
    for index, part in enumerate(scene.shapes()):
        name = part.id().removeprefix("part_")
        here = hit & (shape_index == index + 1)  # 0 is 'nothing hit'
        if not here.any():
            continue
        owners = stand.meshes[name].owner[np.clip(face[here], 0, len(stand.meshes[name].owner) - 1)]
        if name in ("blades", "stalk"):
            classes[here] = CLASSES["blade" if name == "blades" else "stalk"]
            owner[here] = owners + (SHEATH_OWNER if name == "stalk" else 0)
        elif name in ("soil", "card"):
            classes[here] = CLASSES[name]
        elif name == "clutter":
            classes[here] = owners
    return Rendered(np.maximum(radiance, 0).astype(np.float32), classes, owner, distance, window)
