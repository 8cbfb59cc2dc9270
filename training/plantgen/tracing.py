"""Tracing: what every scene is made of in Mitsuba 3: surfaces, shapes, sky and sun, the camera."""

from __future__ import annotations

import os
from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np

from .camera import Camera
from .mesh import Mesh

NEAR_MM = 1.0
"""Rays start this far from the camera."""

PATHS_AT_ONCE = 40_000_000
"""Light paths in one pass; a graphics card keeps some 150 bytes of each."""


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


def bitmap(mi: ModuleType, image: np.ndarray, nearest: bool = False) -> dict[str, Any]:
    data = np.ascontiguousarray(image, np.float32)  # v is the share of rows from the first
    return {
        "type": "bitmap",
        "bitmap": mi.Bitmap(data),
        "raw": True,
        "filter_type": "nearest" if nearest else "bilinear",
        "wrap_mode": "mirror",
    }


def matte(mi: ModuleType, reflectance: dict[str, Any]) -> Any:
    """Surface without gloss, seen from both sides; `reflectance` is a texture."""
    return mi.load_dict(
        {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": reflectance}}
    )


def leaf(mi: ModuleType, colour: dict[str, Any], roughness: float, through: float) -> Any:
    """Surface of a leaf, which light also passes; `colour` is a texture."""
    return mi.load_dict(
        {
            "type": "principledthin",
            "base_color": colour,
            "roughness": roughness,
            "diff_trans": through,
            "spec_trans": 0.0,
            "eta": 1.42,
        }
    )


def shape(
    mi: ModuleType, name: str, mesh: Mesh, bsdf: Any, colours: np.ndarray | None = None
) -> Any:
    """Give a mesh as a Mitsuba shape with smooth normals, and with colours (V, 3) if any."""
    props = mi.Properties()
    props["bsdf"] = bsdf
    made = mi.Mesh(
        name,
        vertex_count=len(mesh.vertices),
        face_count=len(mesh.faces),
        has_vertex_normals=True,
        has_vertex_texcoords=True,
        props=props,
    )
    if colours is not None:
        flat = np.ascontiguousarray(colours, np.float32).ravel()
        made.add_attribute("vertex_color", 3, flat)
    params = mi.traverse(made)
    params["vertex_positions"] = np.ascontiguousarray(mesh.vertices, np.float32).ravel()
    params["faces"] = np.ascontiguousarray(mesh.faces, np.uint32).ravel()
    params["vertex_texcoords"] = np.ascontiguousarray(mesh.uv, np.float32).ravel()
    params["vertex_normals"] = normals(mesh).ravel()
    params.update()
    return made


def normals(mesh: Mesh) -> np.ndarray:
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


def sensor(
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


def opaque(mi: ModuleType, scene: Any) -> Any:
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


def sky_and_sun(
    mi: ModuleType,
    sky: np.ndarray,
    sky_gain: float,
    up: np.ndarray,
    sun_direction: np.ndarray,
    sun_colour: np.ndarray,
) -> dict[str, Any]:
    """Light of a scene whose "up" is `up`."""
    toward = -sun_direction / np.linalg.norm(sun_direction)
    side = np.array([1.0, 0.0, 0.0])
    spin = np.eye(4)  # the sky's own y axis is up
    spin[:3, 0], spin[:3, 1], spin[:3, 2] = side, up, np.cross(side, up)
    return {
        "sky": {
            "type": "envmap",
            "bitmap": mi.Bitmap(np.ascontiguousarray(sky, np.float32)),
            "scale": sky_gain,
            "to_world": mi.ScalarTransform4f(spin),
        },
        "sun": {
            "type": "directional",
            "direction": toward.tolist(),
            "irradiance": {"type": "rgb", "value": sun_colour.tolist()},
        },
    }


@dataclass(frozen=True)
class Traced:
    """What a scene's two sensors see.

    Attributes
    ----------
    radiance : ndarray, (H, W, 3)
        Linear RGB.
    shape_index : ndarray, (H, W) int
        1 for the first of the scene's shapes; 0 where nothing is hit.
    face : ndarray, (H, W) int64
        Of that shape.
    distance_mm : ndarray, (H, W)
        From the near plane, which lies `NEAR_MM` before the camera; 0 where nothing is hit.
    """

    radiance: np.ndarray
    shape_index: np.ndarray
    face: np.ndarray
    distance_mm: np.ndarray


def passes(pixels: int, samples: int) -> list[int]:
    """Light paths a pixel of each pass, so that no pass has more than `PATHS_AT_ONCE` in all.

    A photo of up to 1.4 megapixels at 24 paths is one pass, as it always was.
    """
    at_once = max(1, min(samples, PATHS_AT_ONCE // pixels))
    count = -(-samples // at_once)
    return [samples // count + (k < samples % count) for k in range(count)]


def _radiance(mi: ModuleType, scene: Any, photo: Any, samples: int, seed: int) -> np.ndarray:
    """Linear RGB (H, W, 3) of a sensor; large photos in several passes, for the memory's sake."""
    width, height = photo.film().crop_size()
    total = np.zeros((height, width, 3), np.float32)
    for k, some in enumerate(passes(int(width) * int(height), samples)):
        # Another seed a pass: the same one would draw the same paths again.
        part = np.array(mi.render(scene, sensor=photo, spp=some, seed=(seed + k * 7919) % 2**31))
        total += part[..., :3] * (some / samples)
    return total


def trace(mi: ModuleType, scene: Any, samples: int, seed: int) -> Traced:
    """Trace a scene that has the sensors ``photo`` and ``map``."""
    sensors = {sensor.id(): sensor for sensor in scene.sensors()}
    radiance = _radiance(mi, scene, sensors["photo"], samples, seed)
    probe = mi.load_dict({"type": "aov", "aovs": "shape:shape_index,face:prim_index,depth:depth"})
    found = np.array(mi.render(scene, sensor=sensors["map"], integrator=probe, spp=1, seed=seed))
    found = found[..., -3:]
    return Traced(
        radiance,
        np.rint(found[..., 0]).astype(int),
        np.rint(found[..., 1]).astype(np.int64),
        found[..., 2],
    )
