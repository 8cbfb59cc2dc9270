"""From a :class:`~training.plantgen.plantparts.Plant` to surfaces, and to points that are truth."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .mesh import Mesh, join, sheet, tube
from .plantparts import Leaf, Plant
from .wear import tear_of

Mapping = Callable[[np.ndarray], np.ndarray]
"""A function from points (N, 3) mm to points (N, 3) mm."""

BLADE_ROWS = 72
BLADE_COLUMNS = 17
SHRIVELLED = (0.15, 0.6)  # width of a withered blade against a fresh one's, but for its base [M]
TILES = 16
"""Texture tiles side by side in the blade atlas, one a leaf; as many in the stalk's."""


@dataclass(frozen=True)
class LeafPoints:
    """Truth of one leaf in plant coordinates, mm (x in the leaf plane, y depth, z up the stalk)."""

    rank: int
    collar: np.ndarray | None  # (3,) on the stalk where blade meets sheath
    collar_ring: np.ndarray | None  # (K, 3) points of the collar band around the stalk
    exit: np.ndarray  # (3,) where the blade leaves the stalk
    tip: np.ndarray  # (3,)
    near_tip: np.ndarray  # (K, 3) points just before the tip
    midline: np.ndarray  # (K, 3) visible midline, from the stalk to the tip
    surface: np.ndarray  # (K, 3) all points of the visible blade


@dataclass(frozen=True)
class PlantShape:
    """Meshes and truth of a plant in its own coordinates (soil at z = 0)."""

    plant: Plant
    blades: Mesh
    stalk: Mesh
    points: tuple[LeafPoints, ...]

    def through(self, move: Mapping) -> PlantShape:
        """Everything, meshes and truth alike, moved by one mapping of points."""

        def one(p: np.ndarray | None) -> np.ndarray | None:
            return None if p is None else move(p[None])[0]

        def many(p: np.ndarray | None) -> np.ndarray | None:
            return None if p is None else move(p)

        moved = tuple(
            LeafPoints(
                q.rank,
                one(q.collar),
                many(q.collar_ring),
                move(q.exit[None])[0],
                move(q.tip[None])[0],
                move(q.near_tip),
                move(q.midline),
                move(q.surface),
            )
            for q in self.points
        )
        return PlantShape(
            self.plant,
            self.blades.moved(move(self.blades.vertices)),
            self.stalk.moved(move(self.stalk.vertices)),
            moved,
        )


def _smooth(x: np.ndarray) -> np.ndarray:
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3 - 2 * x)


def _axis(plant: Plant, z: np.ndarray) -> np.ndarray:
    """Points of the stalk's axis at heights ``z``: a slight lean and curve."""
    rise = np.maximum(z, 0.0)
    x = math.tan(plant.lean_rad[0]) * rise + 0.5 * plant.curve_per_mm * rise**2
    y = math.tan(plant.lean_rad[1]) * rise
    return np.stack([x, y, z], -1)


def width_profile(leaf: Leaf, t: np.ndarray) -> np.ndarray:
    """Blade width at shares ``t`` of the full length, mm: a point at the end, rounded on leaf 1."""
    up = leaf.base_width + (1 - leaf.base_width) * _smooth(t / leaf.widest_at)
    beyond = np.clip((t - leaf.widest_at) / (1 - leaf.widest_at), 0, 1)
    if leaf.rounded:
        down = np.sqrt(np.clip(1 - beyond**leaf.taper_power, 0, 1))
    else:
        down = 1 - beyond**leaf.taper_power
    return leaf.width_mm * up * np.clip(down, 0, 1)


def _blade(leaf: Leaf, plant: Plant, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Surface points (rows, columns, 3) and midline (rows, 3) of the visible blade."""
    visible = leaf.visible_length_mm * leaf.torn_at
    # Rows closer together at the base, where the collar is, and at the tip.
    even = np.linspace(0, 1, BLADE_ROWS)
    share = 0.5 * even + 0.5 * _smooth(even)
    s = share * visible
    t = (1 - leaf.emerged) + s / leaf.length_mm  # share of the full blade
    width = width_profile(leaf, np.clip(t, 0, 1))
    if leaf.collared:
        # However narrow the blade, its base clasps the stalk: the collar's two wedges.
        clasp = (
            leaf.stalk_radius_mm * leaf.clasp * np.exp(-((s / (2.4 * leaf.stalk_radius_mm)) ** 2))
        )
        width = np.maximum(width, clasp + 0.6 * width * (1 - np.exp(-s / leaf.stalk_radius_mm)))
    if leaf.torn_at < 1.0:
        ragged = 1 + 0.25 * rng.normal(size=BLADE_ROWS) * (share > 0.9)
        width = width * np.clip(ragged, 0.3, 1.4)

    settle = max(leaf.stalk_radius_mm * 1.6, 0.25 * float(width.max()))
    if not leaf.collared:
        settle = max(settle, leaf.tube * visible)
    angle = (
        leaf.insertion_rad * (1 - np.exp(-s / settle))
        # What is left of a torn leaf hangs as that part of the whole one did.
        + (leaf.droop_rad - leaf.insertion_rad)
        * (s / max(leaf.visible_length_mm, 1.0)) ** leaf.bend_power
    )
    if leaf.status == "withered":
        kink = _smooth((s - 0.25 * visible) / (0.3 * visible))
        angle = angle + kink * rng.uniform(0.3, 0.9)
    azimuth = leaf.azimuth_rad + plant.leaf_plane_rad + leaf.drift_rad * share**1.5
    out = np.stack([np.cos(azimuth), np.sin(azimuth), np.zeros_like(azimuth)], -1)
    up = np.array([0.0, 0.0, 1.0])
    along = np.sin(angle)[:, None] * out + np.cos(angle)[:, None] * up
    inner = -np.cos(angle)[:, None] * out + np.sin(angle)[:, None] * up
    across = np.cross(along, inner)

    start = _axis(plant, np.array([leaf.exit_height_mm]))[0]
    flat = 1 + (plant.flatness - 1) * abs(math.cos(leaf.azimuth_rad))
    start = start + out[0] * leaf.stalk_radius_mm * flat * 1.03
    steps = np.diff(s)[:, None] * 0.5 * (along[1:] + along[:-1])
    midline = start + np.concatenate([np.zeros((1, 3)), np.cumsum(steps, 0)])

    # The base wraps the stalk; further out the cross-section opens to a shallow V.
    unroll = (0.45 if leaf.collared else 0.85) * float(width.max()) + 2 * leaf.stalk_radius_mm
    free = s
    if not leaf.collared:
        unroll = max(unroll, leaf.furl * visible * (0.55 - 0.25 * leaf.emerged))
        free = s - _inside_mm(leaf, plant)
    opening = _smooth(free / unroll)
    tight = 1.0 / (leaf.stalk_radius_mm * (1.04 if leaf.collared else 1.0))
    loose = 0.35 / max(leaf.width_mm, 1.0)
    curvature = tight + (loose - tight) * opening
    u = np.linspace(-1, 1, BLADE_COLUMNS)
    arc = u[None] * width[:, None] / 2
    bow = np.clip(arc * curvature[:, None], -2.85, 2.85)
    lateral = np.sin(bow) / curvature[:, None]
    lift = (1 - np.cos(bow)) / curvature[:, None]
    fold = np.tan(leaf.fold_rad) * opening * (1 - 0.6 * share)
    lift = lift + np.abs(lateral) * fold[:, None]
    phase = rng.uniform(0, 2 * np.pi, 2)
    waves = rng.uniform(2.5, 6.5)
    for side, begin in ((-1, phase[0]), (1, phase[1])):
        edge = np.clip(side * u, 0, 1) ** 2
        wave = np.sin(2 * np.pi * waves * share + begin) * leaf.ripple_mm * _smooth(share * 4)
        lift = lift + wave[:, None] * edge[None]
    if leaf.status == "withered":
        curled = rng.uniform(*SHRIVELLED)
        lateral = lateral * (curled + (1 - curled) * np.exp(-4 * share))[:, None]
    turn = leaf.twist_rad * _smooth((share - 0.1) / 0.9)
    cos, sin = np.cos(turn)[:, None], np.sin(turn)[:, None]
    a, b = lateral * cos - lift * sin, lateral * sin + lift * cos
    surface = (
        midline[:, None, :] + a[..., None] * across[:, None, :] + b[..., None] * inner[:, None, :]
    )
    if leaf.torn_at < 1.0:
        surface = _torn(surface, s, float(width[-1]), leaf)
    return surface, midline


def _inside_mm(leaf: Leaf, plant: Plant) -> float:
    """How far a whorl leaf still runs in the sheath of the top collared leaf, which holds it."""
    rims = [other.exit_height_mm for other in plant.leaves if other.collared]
    return max(0.0, max(rims, default=0.0) - leaf.exit_height_mm)


def _torn(surface: np.ndarray, s: np.ndarray, width_mm: float, leaf: Leaf) -> np.ndarray:
    """Draw each column of a torn blade back to where it ends; `s` is the way along it, mm."""
    back = tear_of(leaf, surface.shape[1]).back * width_mm
    back = back * min(1.0, 0.6 * s[-1] / max(float(back.max()), 1e-9))  # of a stub something stays
    start = max(0.0, s[-1] - 2.5 * float(back.max()) - 1e-6)
    out = surface.copy()
    for column, short in enumerate(back):
        # Rows move closer together; none fall on one another.
        at = s - short * np.clip((s - start) / (s[-1] - start), 0, 1)
        for axis in range(3):
            out[:, column, axis] = np.interp(at, s, surface[:, column, axis])
    return out


def _stalk(plant: Plant, rng: np.random.Generator, below_mm: float) -> Mesh:
    """Nested sheaths, each ending at its collar; pale ligule inside the rim."""
    parts = []
    height = -below_mm
    collared = [leaf for leaf in plant.leaves if leaf.collared]
    radius_below = plant.base_radius_mm
    for index, leaf in enumerate(collared):
        top = leaf.exit_height_mm
        radius = leaf.stalk_radius_mm
        # Short of the rim the sheath swells a little: from the side, that edge is the collar.
        z = np.concatenate([np.linspace(height, top - 0.6, 12), [top]])
        share = (z - z[0]) / max(z[-1] - z[0], 1e-3)
        r = radius_below + (radius - radius_below) * share
        r = r * (1 + 0.05 * np.exp(-(((top - z) / (1.2 * radius)) ** 2)))
        if index == 0:
            r = r * (1 - 0.12 * np.exp(-(((z + below_mm) / max(below_mm, 4.0)) ** 2)))
        angle = np.linspace(0, 2 * np.pi, 21)
        facing = np.cos(angle - leaf.azimuth_rad - plant.leaf_plane_rad)
        tilt = rng.uniform(-0.1, 0.55) * radius * -facing
        tile = (leaf.rank - 1) % TILES
        uv = (tile / TILES, 0.02, (tile + 1) / TILES, 0.9)
        if leaf.status != "gone" or rng.random() < 0.75:
            parts.append(
                tube(_axis(plant, z), r, uv, leaf.rank, flatten=plant.flatness, rim_tilt=tilt)
            )
        if leaf.status != "gone":
            rim = np.array([top - 2.0, top + rng.uniform(0.6, 1.6) + 0.10 * radius])
            parts.append(
                tube(
                    _axis(plant, rim),
                    np.array([radius * 0.985, radius * 0.97]),
                    (tile / TILES, 0.93, (tile + 1) / TILES, 0.99),
                    leaf.rank,
                    flatten=plant.flatness,
                    rim_tilt=tilt,
                )
            )
        height = top - min(8.0, 0.5 * (top - height))
        radius_below = radius * rng.uniform(0.86, 0.95)
    # The whorl's core: keeps the top from looking hollow.
    core_top = (collared[-1].exit_height_mm if collared else 14.0) + 4.0
    inner = [leaf for leaf in plant.leaves if not leaf.collared]
    core_radius = min((leaf.stalk_radius_mm for leaf in inner), default=plant.base_radius_mm) * 0.8
    z = np.linspace(height if collared else -below_mm, core_top, 6)
    parts.append(
        tube(
            _axis(plant, z),
            np.linspace(max(core_radius, 0.7 * radius_below), core_radius * 0.5, 6),
            (15 / TILES, 0.02, 1.0, 0.9),
            0,
            flatten=plant.flatness,
        )
    )
    if plant.coleoptile_mm:
        z = np.linspace(-below_mm, plant.coleoptile_mm, 6)
        # Close about what grows out of it, which is thinner than the stalk below.
        r = np.linspace(plant.base_radius_mm * 1.1, plant.base_radius_mm * 0.85, 6)
        tilt = (
            plant.coleoptile_mm * 0.35 * np.cos(np.linspace(0, 2 * np.pi, 21) + rng.uniform(0, 6))
        )
        last_tile = (14 / TILES, 0.02, 15 / TILES, 0.9)
        parts.append(tube(_axis(plant, z), r, last_tile, 0, flatten=plant.flatness, rim_tilt=tilt))
    return join(parts)


def build(plant: Plant, rng: np.random.Generator, *, below_mm: float = 14.0) -> PlantShape:
    """Mesh a plant. ``below_mm``: how much of the stalk goes on under the soil line."""
    blades, points = [], []
    for leaf in plant.leaves:
        if leaf.status == "gone":
            continue
        surface, midline = _blade(leaf, plant, rng)
        tile = (leaf.rank - 1) % TILES
        v0 = 1 - leaf.emerged  # the visible part of a growing blade is its far end
        v1 = v0 + leaf.emerged * leaf.torn_at
        pad = 0.04 / TILES
        blades.append(
            sheet(surface, (tile / TILES + pad, v0, (tile + 1) / TILES - pad, v1), leaf.rank)
        )
        axis = _axis(plant, np.array([leaf.exit_height_mm]))[0]
        outward = midline[0] - axis
        collar = ring = None
        if leaf.collared:
            collar = axis + 0.35 * outward
            angle = np.linspace(0, 2 * np.pi, 17)[:-1]
            r = leaf.stalk_radius_mm * 1.06
            ring = axis + np.stack(
                [r * plant.flatness * np.cos(angle), r * np.sin(angle), np.zeros_like(angle)], 1
            )
        last = surface[-1]
        tip = midline[-1] if leaf.torn_at == 1.0 else last.mean(0)
        points.append(
            LeafPoints(
                leaf.rank,
                collar,
                ring,
                axis + 0.35 * outward,
                tip,
                midline[-10:-1:2],  # the blade's last few per cent
                midline,
                surface.reshape(-1, 3),
            )
        )
    return PlantShape(plant, join(blades), _stalk(plant, rng, below_mm), tuple(points))


def laid_flat(shape: PlantShape, rng: np.random.Generator) -> PlantShape:
    """Press a plant onto a board behind it: depth (y) becomes the height over the board.

    The board's surface is y = 0 afterwards, the plant on the side of negative y.
    """
    radius = shape.plant.base_radius_mm
    spring = rng.uniform(0.12, 0.42)  # how far blades stand off the board
    soft = 2.0 * radius

    def press(p: np.ndarray) -> np.ndarray:
        toward = -p[:, 1]  # away from the board
        free = spring * (np.sqrt(toward**2 + soft**2) + toward)
        near_stalk = np.exp(-((np.hypot(p[:, 0], p[:, 1]) / (2.5 * radius)) ** 2))
        height = near_stalk * (radius + toward) + (1 - near_stalk) * (0.4 * radius + free)
        return np.stack([p[:, 0], -np.maximum(height, 0.3), p[:, 2]], 1)

    return shape.through(press)


def windblown(shape: PlantShape, rng: np.random.Generator, strength: float) -> PlantShape:
    """Bend the plant sideways, more with height: x and y shift with the square of z."""
    top = max(60.0, float(np.max(shape.blades.vertices[:, 2])))
    direction = rng.uniform(0, 2 * np.pi)
    push = np.array([math.cos(direction), math.sin(direction)]) * strength * top

    def bend(p: np.ndarray) -> np.ndarray:
        rise = np.clip(p[:, 2] / top, 0, 1.5)[:, None]
        q = p.copy()
        q[:, :2] += push * rise**2
        return q

    return shape.through(bend)
