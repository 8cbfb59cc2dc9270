"""What stands around the plant: soil, residue, weeds, neighbours, hands, shadows, sky."""

from __future__ import annotations

import math

import cv2
import numpy as np

from .botany import grow
from .mesh import Mesh, ball, box, join, ribbon, sheet, tube
from .shape import build
from .textures import cloud, colour

PALETTE = 8
"""The clutter texture is PALETTE x PALETTE plain colours; a part picks one by its uv."""


def palette(rng: np.random.Generator) -> np.ndarray:
    """(PALETTE * 8, PALETTE * 8, 3): row 0 straw, 1 skin, 2 wood, 3 green, 4 and up anything."""
    image = np.zeros((PALETTE, PALETTE, 3), np.float32)
    for row in range(PALETTE):
        for column in range(PALETTE):
            pick = {
                0: (rng.uniform(25, 52), rng.uniform(0.1, 0.5), rng.uniform(0.35, 0.92)),
                1: (rng.uniform(8, 28), rng.uniform(0.2, 0.6), rng.uniform(0.25, 0.9)),
                2: (rng.uniform(15, 40), rng.uniform(0.2, 0.6), rng.uniform(0.2, 0.8)),
                3: (rng.uniform(60, 130), rng.uniform(0.3, 0.85), rng.uniform(0.25, 0.65)),
            }.get(row, (rng.uniform(0, 360), rng.uniform(0, 0.9), rng.uniform(0.08, 0.95)))
            image[row, column] = colour(*pick)
    return np.kron(image, np.ones((8, 8, 1), np.float32))


def painted(mesh: Mesh, rng: np.random.Generator, row: int, owner: int) -> Mesh:
    """A mesh in one colour of a palette row."""
    column = int(rng.integers(0, PALETTE))
    spot = np.array([(column + 0.5) / PALETTE, (row + 0.5) / PALETTE])
    uv = spot + (mesh.uv - 0.5) * 0.4 / PALETTE
    return Mesh(mesh.vertices, mesh.faces, uv, np.full(len(mesh.faces), owner, np.int32))


def soil_patch(
    rng: np.random.Generator, reach_mm: float, back_mm: float, calm_mm: float
) -> tuple[Mesh, np.ndarray]:
    """Ground about the plant: a height field, level with the soil line at the stalk.

    Returns the mesh and its height grid. ``calm_mm``: radius that stays level.
    """
    cells = 140
    rough = rng.uniform(0.6, 6.5)
    heights = rough * cloud(
        rng, cells, cells, coarsest=int(rng.integers(3, 9)), fall=rng.uniform(0.5, 1.1)
    )
    heights += rng.uniform(0, 1.6) * rng.standard_normal((cells, cells)).astype(np.float32)
    x = np.linspace(-reach_mm, reach_mm, cells)
    y = np.linspace(-1.6 * reach_mm, back_mm, cells)
    gx, gy = np.meshgrid(x, y)
    away = np.clip((np.hypot(gx, gy) - 0.3 * calm_mm) / calm_mm, 0, 1)
    slope = rng.normal(0, 0.02) * gx + rng.normal(0, 0.015) * gy
    # Towards its rim the patch sinks to the plain around it, so that no cliff shows.
    rim = np.clip(
        np.minimum(
            (reach_mm - np.abs(gx)) / (0.35 * reach_mm), (gy + 1.6 * reach_mm) / (0.35 * reach_mm)
        ),
        0,
        1,
    )
    z = ((heights - rng.uniform(0, 1) * rough) * away + slope * away) * rim - 4.0 * (1 - rim)
    points = np.stack([gx, gy, z], -1)
    scale = rng.uniform(1, 3)
    parts = [sheet(points, (0, 0, scale, scale), 3)]
    for _ in range(int(rng.integers(0, 70) * rng.random())):
        px, py = rng.uniform(-0.8, 0.8) * reach_mm, rng.uniform(-0.9 * reach_mm, back_mm)
        size = min(rng.lognormal(1.6, 0.6), 26.0)
        if math.hypot(px, py) < size * 1.6 + 0.5 * calm_mm:
            continue
        height = _height_at(points, px, py)
        radii = size * rng.uniform(0.6, 1.2, 3)
        parts.append(ball(np.array([px, py, height + 0.2 * size]), radii, 3, rng))
    return join(parts), points


def _height_at(points: np.ndarray, x: float, y: float) -> float:
    column = int(np.argmin(np.abs(points[0, :, 0] - x)))
    row = int(np.argmin(np.abs(points[:, 0, 1] - y)))
    return float(points[row, column, 2])


def residue(rng: np.random.Generator, soil: np.ndarray, reach_mm: float) -> list[Mesh]:
    """Straw and stubble pieces lying on the soil (class soil)."""
    parts = []
    for _ in range(int(rng.integers(0, 22) * rng.random())):
        x, y = rng.uniform(-0.8, 0.8) * reach_mm, rng.uniform(-1.0, 0.3) * reach_mm
        if math.hypot(x, y) < 25:
            continue
        length, half = rng.uniform(12, 110), rng.uniform(0.7, 4.5)
        turn = rng.uniform(0, np.pi)
        t = np.linspace(-0.5, 0.5, 6)[:, None] * length
        z = _height_at(soil, x, y) + 2.0 + rng.uniform(-0.02, 0.15) * t
        line = np.concatenate([x + t * math.cos(turn), y + t * math.sin(turn), z], 1)
        across = half * np.array([-math.sin(turn), math.cos(turn), rng.normal(0, 0.3)])
        parts.append(
            painted(ribbon(line, np.broadcast_to(across, line.shape), (0, 0, 1, 1), 3), rng, 0, 3)
        )
    return parts


def broadleaf(rng: np.random.Generator, height_mm: float) -> Mesh:
    """A broad-leaved weed: a stem with pairs (or a spiral) of oval, often toothed leaves."""
    parts = []
    z = np.linspace(-4, height_mm, 8)
    stem = np.stack([rng.normal(0, 0.05) * z, rng.normal(0, 0.05) * z, z], 1)
    parts.append(
        painted(
            tube(stem, np.linspace(1.0, 0.4, 8) * (1 + height_mm / 80), (0, 0, 1, 1), 0, sides=8),
            rng,
            3,
            0,
        )
    )
    levels = int(rng.integers(2, 7))
    column_rng = np.random.default_rng(int(rng.integers(2**31)))
    spiral = rng.random() < 0.4
    lobes, tooth = int(rng.integers(2, 8)), rng.uniform(0, 0.35)
    for level in range(levels):
        at = height_mm * (0.12 + 0.88 * (level + rng.uniform(0, 0.4)) / levels)
        size = height_mm * rng.uniform(0.18, 0.5) * (1.1 - 0.6 * level / levels)
        turn = level * (2.4 if spiral else np.pi / 2) + rng.normal(0, 0.2)
        for opposite in (0,) if spiral else (0, np.pi):
            angle = turn + opposite
            t = np.linspace(0, 1, 16)[:, None]
            u = np.linspace(-1, 1, 9)[None]
            outline = np.sin(np.pi * np.clip(t, 0, 1) ** 0.8) ** 0.8 * (
                1 + tooth * np.sin(lobes * 2 * np.pi * t)
            )
            out = size * (0.25 + t) + 0 * u
            side = u * outline * size * rng.uniform(0.25, 0.5)
            rise = (
                size * (rng.uniform(0.2, 0.9) * t - rng.uniform(0.2, 0.9) * t**2)
                + 0.12 * size * u**2
            )
            points = np.stack(
                [
                    out * math.cos(angle) - side * math.sin(angle),
                    out * math.sin(angle) + side * math.cos(angle),
                    at + rise,
                ],
                -1,
            )
            points[..., 0] += rng.normal(0, 0.02) * at
            parts.append(painted(sheet(points, (0, 0, 1, 1), 0), column_rng, 3, 0))
    return join(parts)


def grass(rng: np.random.Generator, height_mm: float) -> Mesh:
    """A tuft of thin grass blades."""
    parts = []
    for _ in range(int(rng.integers(4, 16))):
        length = height_mm * rng.uniform(0.5, 1.3)
        turn, lean = rng.uniform(0, 2 * np.pi), rng.uniform(0.1, 1.4)
        s = np.linspace(0, 1, 10)
        angle = lean * s ** rng.uniform(0.6, 1.5)
        step = length / 9
        out, up = np.cumsum(np.sin(angle)) * step, np.cumsum(np.cos(angle)) * step
        line = np.stack([out * math.cos(turn), out * math.sin(turn), up - 3], 1)
        half = rng.uniform(0.6, 2.2) * (1 - 0.95 * s)[:, None]
        across = half * np.array([-math.sin(turn), math.cos(turn), 0.0])
        parts.append(painted(ribbon(line, across, (0, 0, 1, 1), 0), rng, 3, 0))
    return join(parts)


def neighbour(rng: np.random.Generator, stage_v: int, at: np.ndarray) -> tuple[Mesh, Mesh]:
    """Another maize plant in the scene, not the one to stage: blades and stalk."""
    plant = grow(rng, stage_v)
    shape = build(plant, rng)
    turn = rng.uniform(0, 2 * np.pi)
    c, s = math.cos(turn), math.sin(turn)
    rotation = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])

    def move(mesh: Mesh) -> Mesh:
        return mesh.moved(mesh.vertices @ rotation.T + at)

    return move(shape.blades), move(shape.stalk)


def hand(rng: np.random.Generator, at: np.ndarray, toward: np.ndarray, scale: float) -> Mesh:
    """Fingers reaching in from the frame's edge."""
    parts = []
    column_rng_seed = int(rng.integers(2**31))
    side = np.cross(toward, [0.0, 1.0, 0.0])
    for finger in range(int(rng.integers(1, 5))):
        start = at + side * (finger - 1.5) * 19 * scale + rng.normal(0, 3, 3)
        line = start + toward * np.linspace(0, 85 * scale, 9)[:, None]
        radius = 8.5 * scale * np.array([1.1, 1.05, 1.0, 1.0, 0.97, 0.95, 0.9, 0.75, 0.2])
        # tube() runs along z; build it there and turn it.
        mesh = tube(
            np.stack([0 * radius, 0 * radius, np.linspace(0, 1, 9)], 1),
            radius,
            (0, 0, 1, 1),
            0,
            sides=10,
        )
        local = mesh.vertices
        index = np.clip((local[:, 2] * 8).round().astype(int), 0, 8)
        vertices = line[index] + local[:, :1] * side + local[:, 1:2] * np.cross(side, toward)
        parts.append(painted(mesh.moved(vertices), np.random.default_rng(column_rng_seed), 1, 0))
    return join(parts)


def stake(rng: np.random.Generator, x: float, y: float, height: float) -> Mesh:
    """A stake or ruler beside the board."""
    half = rng.uniform(3, 16)
    mesh = box(np.array([x - half, y - 6, -20.0]), np.array([x + half, y, height]), 0)
    return painted(mesh, rng, int(rng.integers(2, 8)), 0)


def shade_maker(rng: np.random.Generator, centre: np.ndarray, spread_mm: float) -> Mesh:
    """Something out of view that throws a shadow: a person, a canopy, leaves."""
    parts = []
    if rng.random() < 0.5:
        for _ in range(int(rng.integers(1, 4))):
            parts.append(
                ball(
                    centre + rng.normal(0, 0.5, 3) * spread_mm,
                    spread_mm * rng.uniform(0.3, 1.0, 3),
                    0,
                    rng,
                )
            )
    else:
        for _ in range(int(rng.integers(3, 22))):
            start = centre + rng.normal(0, 0.8, 3) * spread_mm
            way = rng.normal(size=3)
            way /= np.linalg.norm(way)
            across = np.cross(way, rng.normal(size=3))
            across *= rng.uniform(8, 45) / np.linalg.norm(across)
            t = np.linspace(0, 1, 8)[:, None]
            line = start + way * t * rng.uniform(100, 700)
            parts.append(ribbon(line, across * np.sin(np.pi * (0.1 + 0.9 * t)), (0, 0, 1, 1), 0))
    return join(parts)


def sky(rng: np.random.Generator, lighting: str) -> np.ndarray:
    """Radiance of everything far away, (128, 256, 3): rows from the zenith down to the nadir."""
    rows, columns = 128, 256
    elevation = np.linspace(90, -90, rows, dtype=np.float32)[:, None] * np.ones(
        (1, columns), np.float32
    )
    image: np.ndarray
    if lighting == "indoor":
        wall = colour(rng.uniform(0, 360), rng.uniform(0, 0.2), rng.uniform(0.35, 0.9))
        image = np.broadcast_to(wall * 0.5, (rows, columns, 3)).astype(np.float32).copy()
        for _ in range(int(rng.integers(1, 6))):  # lamps and windows
            row, column = int(rng.integers(0, 70)), int(rng.integers(0, columns))
            glow: np.ndarray = np.zeros((rows, columns), np.float32)
            cv2.ellipse(
                glow,
                (column, row),
                (int(rng.integers(4, 40)), int(rng.integers(4, 24))),
                0,
                0,
                360,
                1.0,
                -1,
            )
            glow = cv2.GaussianBlur(glow, (0, 0), rng.uniform(1, 6))
            image += glow[..., None] * rng.uniform(2, 12) * (1 + rng.normal(0, 0.12, 3))
        return np.clip(image, 0.01, 40).astype(np.float32)
    if lighting in ("overcast", "shade"):
        top = colour(rng.uniform(190, 230), rng.uniform(0.0, 0.25), rng.uniform(0.7, 1.0))
        low = top * rng.uniform(0.6, 1.3)
    else:
        top = colour(rng.uniform(200, 225), rng.uniform(0.35, 0.75), rng.uniform(0.45, 0.85))
        low = colour(rng.uniform(190, 225), rng.uniform(0.05, 0.35), rng.uniform(0.8, 1.0))
    rise = np.clip(elevation / 90, 0, 1)[..., None] ** 0.5
    image = low + (top - low) * rise
    clouds = np.clip(cloud(rng, rows, columns, coarsest=5, fall=1.0) - rng.uniform(-0.5, 1.5), 0, 1)
    cloud_colour = np.float32(rng.uniform(0.8, 1.4))
    image = image + (cloud_colour - image) * (clouds * rng.uniform(0.1, 0.9))[..., None]
    if lighting == "shade":  # half of the sky is hidden by something dark
        turn = np.linspace(0, 2 * np.pi, columns, dtype=np.float32)[None] - rng.uniform(0, 6.3)
        hidden = np.clip(np.cos(turn) * 2 + rng.normal(0, 0.5), 0, 1) * np.ones(
            (rows, 1), np.float32
        )
        image *= (1 - rng.uniform(0.4, 0.9) * hidden)[..., None]
    horizon = rng.uniform(-2, 14) + 4 * cloud(rng, 2, columns, coarsest=9, fall=0.5)[0]
    trees = elevation < horizon[None]
    leafy = colour(rng.uniform(60, 130), rng.uniform(0.2, 0.6), rng.uniform(0.15, 0.6))
    shade = np.clip(1 + 0.4 * cloud(rng, rows, columns, coarsest=16, fall=0.4), 0.2, 2)[..., None]
    image = np.where(trees[..., None], leafy * shade, image)
    earth = colour(rng.uniform(10, 50), rng.uniform(0.1, 0.5), rng.uniform(0.2, 0.6))
    image = np.where((elevation < -1)[..., None], earth, image)
    return np.clip(image * rng.uniform(0.7, 1.3), 0.004, 8).astype(np.float32)
