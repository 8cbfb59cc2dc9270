"""A piece of field under a camera in the air: everything placed, and what is true of it.

World: mm, x right, y up in the map, z up; the window's middle looks at the origin.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from . import field_ground, setting, surroundings
from .camera import Camera, aim
from .field import FieldPlant, Stand, draw_stand
from .field_ground import Ground, Noises
from .plantlibrary import Library, LibraryPlant, LightMesh, hsv, join_light

LEAF_IDS = 32
"""Owner of a corn face: plant's index * LEAF_IDS + leaf's rank."""

LIGHTINGS = ("overcast", "sun", "hazy_sun", "low_sun")
LIGHTING_SHARES = (0.3, 0.42, 0.18, 0.1)


@dataclass(frozen=True)
class Shot:
    """How a scene is asked for; None is drawn.

    Attributes
    ----------
    side_px : int
        Of the square window rendered.
    mm_per_px : float
        Ground sample distance in the window's middle, across the line of sight.
    tilt_rad : float or None
        Of the line of sight from straight down, at the window's middle.
    distance_mm : float or None
        From the camera to the window's middle.
    kind : str or None
    mean_stage : float or None
    doubles : float or None
        Share of places in the rows with two plants.
    """

    side_px: int = 512
    mm_per_px: float = 3.0
    tilt_rad: float | None = None
    distance_mm: float | None = None
    kind: str | None = None
    mean_stage: float | None = None
    doubles: float | None = None


@dataclass(frozen=True)
class Placed:
    """One corn plant in the world: where its leaf tips are.

    Attributes
    ----------
    plant : FieldPlant
    base, whorl : ndarray, (3,)
    ranks : ndarray, (L,)
    tips : ndarray, (L, 3)
    near_tips : ndarray, (L, K, 3)
    """

    plant: FieldPlant
    base: np.ndarray
    whorl: np.ndarray
    ranks: np.ndarray
    tips: np.ndarray
    near_tips: np.ndarray


@dataclass(frozen=True)
class FieldScene:
    """Everything a renderer and the truth need.

    Attributes
    ----------
    shot : Shot
    stand : Stand
    placed : tuple of Placed
        In the order of the corn mesh's owners.
    corn, other, litter : LightMesh or None
        Corn's owner: index * `LEAF_IDS` + rank.
    ground : Ground
    camera : Camera
    sky : ndarray
    sky_gain : float
    sun_direction, sun_colour : ndarray, (3,)
    leaf : dict of str to float
        Surface parameters of leaves.
    lighting : str
    """

    shot: Shot
    stand: Stand
    placed: tuple[Placed, ...]
    corn: LightMesh | None
    other: LightMesh | None
    litter: LightMesh | None
    ground: Ground
    camera: Camera
    sky: np.ndarray
    sky_gain: float
    sun_direction: np.ndarray
    sun_colour: np.ndarray
    leaf: dict[str, float]
    lighting: str


def place_camera(rng: np.random.Generator, shot: Shot) -> Camera:
    """A drone or a phone overhead: 2-20 m away, straight down to 45 degrees, any heading."""
    tilt = shot.tilt_rad
    if tilt is None:
        kind = rng.random()
        # Even a camera pointing straight down sees the frame's edges at up to 40 degrees.
        tilt = abs(rng.normal(0, 0.16)) if kind < 0.7 else rng.uniform(0.15, math.radians(45))
        tilt = min(tilt, math.radians(48))
    distance = shot.distance_mm or float(np.exp(rng.uniform(np.log(2e3), np.log(2e4))))
    distance = max(distance, 1.1 * shot.side_px * shot.mm_per_px)
    heading = rng.uniform(0, 2 * math.pi)
    away = np.array(
        [
            math.sin(tilt) * math.cos(heading),
            math.sin(tilt) * math.sin(heading),
            math.cos(tilt),
        ]
    )
    position = away * distance
    up = np.array([-math.cos(heading), -math.sin(heading), 1e-3])
    axes = aim(position, np.zeros(3), up, float(rng.normal(0, 0.05)))
    return Camera(position, axes, distance / shot.mm_per_px, shot.side_px, shot.side_px)


def _footprint_mm(camera: Camera) -> float:
    """Radius about the origin of the ground that the window shows."""
    half = np.array([camera.width_px / 2, camera.height_px / 2])
    reach = 0.0
    for sx in (-1, 1):
        for sy in (-1, 1):
            ray = np.array([sx * half[0], sy * half[1], camera.focal_px]) @ camera.axes
            ground = camera.position_mm - ray * camera.position_mm[2] / min(ray[2], -1e-3)
            reach = max(reach, float(np.hypot(*ground[:2])))
    return min(reach, 9e3)


def _place(
    rng: np.random.Generator,
    index: int,
    plant: FieldPlant,
    kept: LibraryPlant,
    stand: Stand,
    ground: Ground,
    greens: np.ndarray,
) -> tuple[Placed, LightMesh]:
    """Turn, scale, lean and colour one kept plant, and move it to its place."""
    scale = float(rng.uniform(0.82, 1.18))
    yaw = rng.uniform(0, 2 * math.pi)
    c, s = scale * math.cos(yaw), scale * math.sin(yaw)
    turn = np.array([[c, s, 0], [-s, c, 0], [0, 0, scale * rng.uniform(0.85, 1.15)]])
    tilt = rng.normal(0, 0.06, 2)
    top = max(float(kept.whorl[2]) * scale, 40.0)
    push = np.array(stand.lean) * rng.uniform(0.6, 1.4)
    sunk = rng.uniform(-4, 3)
    base = np.array([plant.x_mm, plant.y_mm, 0.0])
    base[2] = float(ground.height(base[0], base[1])) + sunk

    def move(points: np.ndarray) -> np.ndarray:
        q = points.reshape(-1, 3) @ turn
        rise = np.clip(q[:, 2], 0, None)[:, None]
        q[:, :2] += tilt * rise + push * rise**2 / top
        q += base
        # Blades that hang to the ground lie on it instead of going through.
        floor = ground.height(q[:, 0], q[:, 1]) + 1.5
        above = points.reshape(-1, 3)[:, 2] > 2.0
        q[:, 2] = np.where(above, np.maximum(q[:, 2], floor), q[:, 2])
        return q.reshape(points.shape)

    green = greens * (1 + 0.09 * rng.normal()) * (1 + np.array([0.1, 0.04, 0.0]) * rng.normal())
    colours = kept.mesh.colours * (kept.own + (1 - kept.own) * green)
    placed = Placed(
        plant, base, move(kept.whorl[None])[0], kept.ranks, move(kept.tips), move(kept.near_tips)
    )
    mesh = LightMesh(
        move(kept.mesh.vertices),
        kept.mesh.faces,
        np.clip(colours, 0.01, 0.9),
        index * LEAF_IDS + kept.mesh.owner,
    )
    return placed, mesh


def _others(
    rng: np.random.Generator, library: Library, stand: Stand, ground: Ground, reach_mm: float
) -> LightMesh | None:
    """Weeds in patches, and the rows of another crop."""
    parts = []

    def put(kind: str, x: float, y: float, size: float, tint: np.ndarray) -> None:
        kept = library.other[kind][int(rng.integers(library.weeds))]
        turn, scale = rng.uniform(0, 2 * math.pi), size / 100.0
        c, s = scale * math.cos(turn), scale * math.sin(turn)
        points = kept.vertices @ np.array([[c, s, 0], [-s, c, 0], [0, 0, scale]])
        points += [x, y, float(ground.height(x, y))]
        parts.append(
            LightMesh(points, kept.faces, np.clip(kept.colours * tint, 0, 0.9), kept.owner)
        )

    count = int(min(rng.poisson(stand.weeds_per_m2 * (2 * reach_mm / 1e3) ** 2), 350))
    kinds = rng.choice(["broadleaf", "rosette", "grass"], max(count, 1), p=rng.dirichlet([1, 1, 1]))
    middle = rng.uniform(-reach_mm, reach_mm, (6, 2))
    patchy = rng.random()
    tint = rng.uniform(0.7, 1.3) * np.array([1 + rng.normal(0, 0.1), 1, 1])
    for kind in kinds[:count]:
        x, y = rng.uniform(-reach_mm, reach_mm, 2)
        if rng.random() < patchy:
            x, y = middle[int(rng.integers(6))] + rng.normal(0, 0.2, 2) * reach_mm
        size = stand.weed_size_mm * rng.lognormal(0, 0.5)
        put(str(kind), float(x), float(y), float(min(size, 320)), tint * rng.uniform(0.8, 1.2))
    if stand.kind == "other_crop":
        kind = str(rng.choice(["trifoliate", "grass", "broadleaf"], p=[0.5, 0.3, 0.2]))
        size, gap = rng.uniform(60, 260), rng.uniform(25, 90)
        c, s = math.cos(stand.row_direction_rad), math.sin(stand.row_direction_rad)
        rows = math.ceil(reach_mm / stand.row_spacing_mm)
        for row in range(-rows, rows + 1):
            v = stand.row_offset_mm + row * stand.row_spacing_mm
            for u in np.arange(-reach_mm, reach_mm, gap):
                a, b = u + rng.normal(0, 0.3) * gap, v + rng.normal(0, 8)
                put(kind, c * a - s * b, s * a + c * b, size * rng.lognormal(0, 0.2), tint)
    return join_light(parts) if parts else None


def compose(rng: np.random.Generator, shot: Shot, library: Library, noises: Noises) -> FieldScene:
    """Draw a scene; the order of the draws is part of the result.

    Parameters
    ----------
    rng : numpy.random.Generator
    shot : Shot
    library : Library
    noises : Noises
    """
    camera = place_camera(rng, shot)
    reach = _footprint_mm(camera)
    stand = draw_stand(
        rng, reach + 350, kind=shot.kind, mean_stage=shot.mean_stage, doubles=shot.doubles
    )
    ground = field_ground.lay(rng, noises, stand, reach + 450)
    # From yellow-green to blue-green, as hybrids, nitrogen and cold make them [M].
    hue = float(np.clip(rng.normal(93, 10), 66, 118))
    greens = hsv(hue, rng.uniform(0.38, 0.75), rng.uniform(0.32, 0.66))[0]
    placed, meshes = [], []
    for index, plant in enumerate(stand.plants):
        kept = library.corn[plant.stage_v][int(rng.integers(library.a_stage))]
        one, mesh = _place(rng, index, plant, kept, stand, ground, greens)
        placed.append(one)
        meshes.append(mesh)
    lighting = str(rng.choice(LIGHTINGS, p=LIGHTING_SHARES))
    sun, sun_colour, gain = setting.draw_light(rng, lighting, laid=False)
    pieces = field_ground.litter(rng, stand, ground, reach + 100)
    return FieldScene(
        shot=shot,
        stand=stand,
        placed=tuple(placed),
        corn=join_light(meshes) if meshes else None,
        other=_others(rng, library, stand, ground, reach + 150),
        litter=pieces if len(pieces.vertices) else None,
        ground=ground,
        camera=camera,
        sky=surroundings.sky(rng, "overcast" if lighting == "overcast" else "sun"),
        sky_gain=gain,
        sun_direction=sun,
        sun_colour=sun_colour,
        leaf={
            "roughness": float(rng.uniform(0.3, 0.65)),
            "through": float(rng.uniform(0.35, 1.1)),
        },
        lighting=lighting,
    )
