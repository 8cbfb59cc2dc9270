"""Path tracing a :class:`~training.plantgen.stand.Stand` with Mitsuba 3, and its part map.

The scene keeps one structure (same shapes, same materials) whatever it shows, so that the
just-in-time compiled kernels are made once and reused for every further image.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np

from .camera import Camera
from .mesh import Mesh
from .stand import Stand

CLASSES = {"background": 0, "blade": 1, "stalk": 2, "soil": 3, "card": 4}
"""Ids in the part map."""

SHEATH_OWNER = 100
"""Added to a leaf's rank where its sheath is seen, in `Rendered.owner`."""

NEAR_MM = 1.0
"""Rays start this far from the camera."""


@dataclass(frozen=True)
class Window:
    """Part of the photo to render, and the size to render it at.

    Attributes
    ----------
    left_px, top_px : float
        The window's upper left corner in photo pixels; it may lie outside of the photo.
    side_px : (float, float)
        Width and height in photo pixels.
    scale : float
        Rendered pixels to a photo pixel.
    """

    left_px: float
    top_px: float
    side_px: tuple[float, float]
    scale: float


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


def start(variant: str | None = None) -> ModuleType:
    """Import Mitsuba and set its variant.

    The one asked for, else that of ``PLANTGEN_VARIANT``, else the one that's set, else the first
    of CUDA, LLVM and scalar that works.
    """
    import mitsuba as mi

    wanted = variant or os.environ.get("PLANTGEN_VARIANT")
    if wanted:
        mi.set_variant(wanted)
    elif mi.variant() is None:
        mi.set_variant("cuda_ad_rgb", "llvm_ad_rgb", "scalar_rgb")
    return mi


def _bitmap(mi: ModuleType, image: np.ndarray, nearest: bool = False) -> dict[str, Any]:
    data = np.ascontiguousarray(image, np.float32)  # v is the share of rows from the first
    return {
        "type": "bitmap",
        "bitmap": mi.Bitmap(data),
        "raw": True,
        "filter_type": "nearest" if nearest else "bilinear",
        "wrap_mode": "mirror",
    }


def _shape(mi: ModuleType, name: str, mesh: Mesh, bsdf: Any) -> Any:
    """One of the stand's meshes as a Mitsuba shape with smooth normals."""
    props = mi.Properties()
    props["bsdf"] = bsdf
    shape = mi.Mesh(
        name,
        vertex_count=len(mesh.vertices),
        face_count=len(mesh.faces),
        has_vertex_normals=True,
        has_vertex_texcoords=True,
        props=props,
    )
    params = mi.traverse(shape)
    params["vertex_positions"] = np.ascontiguousarray(mesh.vertices, np.float32).ravel()
    params["faces"] = np.ascontiguousarray(mesh.faces, np.uint32).ravel()
    params["vertex_texcoords"] = np.ascontiguousarray(mesh.uv, np.float32).ravel()
    params["vertex_normals"] = _normals(mesh).ravel()
    params.update()
    return shape


def _normals(mesh: Mesh) -> np.ndarray:
    a, b, c = (mesh.vertices[mesh.faces[:, i]] for i in range(3))
    face = np.cross(b - a, c - a)
    total = np.zeros_like(mesh.vertices)
    for i in range(3):
        for axis in range(3):
            total[:, axis] += np.bincount(mesh.faces[:, i], face[:, axis], len(total))
    length = np.linalg.norm(total, axis=1, keepdims=True)
    return np.where(length > 1e-12, total / np.maximum(length, 1e-12), [0.0, 0.0, 1.0]).astype(
        np.float32
    )


def _materials(mi: ModuleType, stand: Stand) -> dict[str, Any]:
    """A surface description for each of the stand's meshes, by the mesh's name."""
    textures, gloss = stand.textures, stand.gloss

    def matte(image: np.ndarray, nearest: bool = False) -> Any:
        return mi.load_dict(
            {
                "type": "twosided",
                "bsdf": {"type": "diffuse", "reflectance": _bitmap(mi, image, nearest)},
            }
        )

    leaf = mi.load_dict(
        {
            "type": "principledthin",
            "base_color": _bitmap(mi, textures["blades"]),
            "roughness": gloss["blade_roughness"],
            "diff_trans": gloss["blade_through"],
            "spec_trans": 0.0,
            "eta": 1.42,
        }
    )

    def solid(image: np.ndarray, roughness: float, specular: float) -> Any:
        return mi.load_dict(
            {
                "type": "twosided",
                "bsdf": {
                    "type": "principled",
                    "base_color": _bitmap(mi, image),
                    "roughness": roughness,
                    "specular": max(specular, 0.01),
                },
            }
        )

    return {
        "blades": leaf,
        "others": leaf,
        "stalk": solid(textures["stalk"], 0.45, 0.4),
        "board": solid(textures["board"], gloss["board_roughness"], gloss["board_specular"]),
        "soil": matte(textures["soil"]),
        "card": matte(textures["card"]),
        "clutter": matte(textures["clutter"], nearest=True),
        "shade": matte(np.full((4, 4, 3), 0.1, np.float32)),
    }


def _sensor(
    mi: ModuleType, camera: Camera, window: Window, samples: int, seed: int, box: bool
) -> dict[str, Any]:
    """The camera, restricted to a window; ``box`` for maps, whose pixels must not mix."""
    right, down, forward = camera.axes
    matrix = np.eye(4)
    matrix[:3, 0], matrix[:3, 1], matrix[:3, 2] = -right, -down, forward
    matrix[:3, 3] = camera.position_mm
    width = max(8, round(window.side_px[0] * window.scale))
    height = max(8, round(window.side_px[1] * window.scale))
    # A window off the photo's centre is a shifted principal point on a film of the window's size.
    focal = camera.focal_px * window.scale
    centre_x = (camera.width_px / 2 - window.left_px) * window.scale
    centre_y = (camera.height_px / 2 - window.top_px) * window.scale
    return {
        "type": "perspective",
        "fov_axis": "x",
        "fov": float(np.degrees(2 * np.arctan(width / (2 * focal)))),
        "principal_point_offset_x": float(-(centre_x - width / 2) / width),
        "principal_point_offset_y": float(-(centre_y - height / 2) / height),
        "near_clip": NEAR_MM,
        "far_clip": 1e6,
        "to_world": mi.ScalarTransform4f(matrix),
        "film": {
            "type": "hdrfilm",
            "width": width,
            "height": height,
            "rfilter": {"type": "box" if box else "gaussian"},
            "pixel_format": "rgb",
            "component_format": "float32",
        },
        "sampler": {"type": "independent", "sample_count": samples, "seed": seed},
    }


def _scene(mi: ModuleType, stand: Stand, window: Window, samples: int, seed: int) -> Any:
    materials = _materials(mi, stand)
    toward = -stand.sun_direction / np.linalg.norm(stand.sun_direction)
    up = stand.up
    side = np.array([1.0, 0.0, 0.0])
    spin = np.eye(4)  # the sky's own y axis is up
    spin[:3, 0], spin[:3, 1], spin[:3, 2] = side, up, np.cross(side, up)
    scene: dict = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": 6, "rr_depth": 4},
        "sky": {
            "type": "envmap",
            "bitmap": mi.Bitmap(np.ascontiguousarray(stand.textures["sky"], np.float32)),
            "scale": stand.sky_gain,
            "to_world": mi.ScalarTransform4f(spin),
        },
        "sun": {
            "type": "directional",
            "direction": toward.tolist(),
            "irradiance": {"type": "rgb", "value": stand.sun_colour.tolist()},
        },
        "photo": _sensor(mi, stand.camera, window, samples, seed, box=False),
        "map": _sensor(mi, stand.camera, window, 1, seed, box=True),
    }
    for name, mesh in stand.meshes.items():
        scene[f"part_{name}"] = _shape(mi, f"part_{name}", mesh, materials[name])
    return _opaque(mi, mi.load_dict(scene))


def _opaque(mi: ModuleType, scene: Any) -> Any:
    """Keep the scene's numbers out of the compiled kernels, or each image compiles its own."""
    if mi.variant().startswith("scalar"):
        return scene
    import drjit as dr

    params = mi.traverse(scene)
    for key in list(params.keys()):  # iterating over it gives pairs
        if "vertex" in key or "faces" in key or key.endswith(".data") or "part_" in key:
            continue
        value = params[key]
        if dr.is_jit_v(value):
            dr.make_opaque(value)
            params[key] = value
    params.update()
    return scene


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
    sensors = {sensor.id(): sensor for sensor in scene.sensors()}
    radiance = np.array(mi.render(scene, sensor=sensors["photo"], spp=samples, seed=seed))[..., :3]
    probe = mi.load_dict({"type": "aov", "aovs": "shape:shape_index,face:prim_index,depth:depth"})
    found = np.array(mi.render(scene, sensor=sensors["map"], integrator=probe, spp=1, seed=seed))
    found = found[..., -3:]
    shape_index = np.rint(found[..., 0]).astype(int)
    face = np.rint(found[..., 1]).astype(np.int64)
    distance = found[..., 2].astype(np.float32)  # rays start at the near plane
    classes = np.zeros(shape_index.shape, np.uint8)
    owner = np.zeros(shape_index.shape, np.int32)
    hit = distance > 0
    distance = distance + NEAR_MM
    for index, shape in enumerate(scene.shapes()):
        name = shape.id().removeprefix("part_")
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
