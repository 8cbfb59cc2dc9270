"""Light meshes of young plants, kept and placed many times: corn, weeds and other crops.

A field shows dozens of plants a few pixels wide each leaf: every plant is thinned out to a few
hundred triangles, coloured by vertex instead of by texture, kept in a library of its process,
and placed turned, scaled and bent. The library is renewed plant by plant.
"""

from __future__ import annotations

import colorsys
import math
from dataclasses import dataclass, field

import numpy as np

from .botany import grow
from .field import MAX_STAGE
from .mesh import grid_faces, tube
from .shape import BLADE_COLUMNS, BLADE_ROWS, build
from .textures import linear

ROWS = np.unique(np.round(np.linspace(0, 1, 19) * (BLADE_ROWS - 1)).astype(int))
COLUMNS = np.array([0, 4, 7, 8, 9, 12, 16])
"""Columns of a blade that are kept: edges, and three close together about the midrib."""
assert COLUMNS[-1] == BLADE_COLUMNS - 1
STALK_RANK = 0

# Leaf 1 is normally lost by V5-V6 (Mississippi State Univ. Extension 2024); shares [M].
LOST_SHARE = {3: 0.02, 4: 0.1, 5: 0.35, 6: 0.55, 7: 0.75, 8: 0.85}


@dataclass(frozen=True)
class LightMesh:
    """Triangles with a colour each vertex and an owner each face.

    ``vertices`` (N, 3) mm; ``faces`` (M, 3); ``colours`` (N, 3) linear 0..1; ``owner`` (M,).
    """

    vertices: np.ndarray
    faces: np.ndarray
    colours: np.ndarray
    owner: np.ndarray


@dataclass(frozen=True)
class LibraryPlant:
    """A corn plant as kept.

    Attributes
    ----------
    mesh : LightMesh
        Owner: the leaf's rank, or `STALK_RANK`. Colours are relative to the plant's green: they
        multiply it, but where `own` is 1 they stand for themselves.
    own : ndarray, (N, 1)
    stage_v : int
    ranks : ndarray, (L,)
        Of the leaves out of the whorl that are left.
    tips : ndarray, (L, 3)
        mm, in plant coordinates.
    near_tips : ndarray, (L, K, 3)
        Points of each blade just before the tip.
    whorl : ndarray, (3,)
        Top of the stalk.
    """

    mesh: LightMesh
    own: np.ndarray
    stage_v: int
    ranks: np.ndarray
    tips: np.ndarray
    near_tips: np.ndarray
    whorl: np.ndarray


def hsv(hue_deg: np.ndarray, saturation: np.ndarray, value: np.ndarray) -> np.ndarray:
    """Linear RGB of HSV colours (K,) each, hue in degrees: (K, 3)."""
    rows = [
        colorsys.hsv_to_rgb(h / 360 % 1, min(max(s, 0.0), 1.0), min(max(v, 0.0), 1.0))
        for h, s, v in zip(
            np.atleast_1d(hue_deg), np.atleast_1d(saturation), np.atleast_1d(value), strict=True
        )
    ]
    return linear(np.array(rows))


BLADE_FACES = grid_faces(len(ROWS), len(COLUMNS))


def join_light(meshes: list[LightMesh]) -> LightMesh:
    """Several meshes as one."""
    offsets = np.cumsum([0] + [len(mesh.vertices) for mesh in meshes[:-1]])
    return LightMesh(
        np.concatenate([mesh.vertices for mesh in meshes]),
        np.concatenate([mesh.faces + offset for mesh, offset in zip(meshes, offsets, strict=True)]),
        np.concatenate([mesh.colours for mesh in meshes]),
        np.concatenate([mesh.owner for mesh in meshes]),
    )


def _blade_tint(
    rng: np.random.Generator, collared: bool, emerged: float, status: str, stress: float
) -> tuple[np.ndarray, np.ndarray]:
    """Colour factors (rows, columns, 3) of a blade and where they stand for themselves (.., 1)."""
    v = (ROWS / (BLADE_ROWS - 1))[:, None, None]
    u = np.abs(np.linspace(-1, 1, BLADE_COLUMNS)[COLUMNS])[None, :, None]
    tint = np.ones((len(ROWS), len(COLUMNS), 3)) * rng.uniform(0.8, 1.22)
    tint = tint * (1 + np.array([0.14, 0.05, 0.0]) * rng.normal())
    tint = tint * (1 + 0.08 * np.cumsum(rng.normal(0, 0.5, (len(ROWS), 1, 1)), 0))
    rib = (u < 0.06) * np.clip(1.15 - 1.05 * v, 0, 1) * rng.uniform(0.1, 0.9)
    tint = tint * (1 + rib)
    if not collared:  # young growth in the whorl is lighter and yellower
        tint = tint * (1 + (1 - emerged) * np.array([0.5, 0.3, 0.1]) * rng.uniform(0, 1))
    own = np.zeros((len(ROWS), len(COLUMNS), 1))
    worn = 0.0 * v * u
    if status == "withered":
        worn = np.clip(0.5 + 0.9 * v + 0 * u, 0, 1)
    elif rng.random() < 0.18 + 0.5 * stress:  # brown or yellow from the tip
        worn = np.clip((v + 0.3 * u - rng.uniform(0.75, 1.1)) * 5, 0, 1)
    if worn.any():
        dry = hsv(rng.uniform(28, 55), rng.uniform(0.3, 0.65), rng.uniform(0.4, 0.75))[0]
        tint = tint * (1 - worn) + dry * worn
        own = worn * np.ones_like(own)
    return np.clip(tint, 0.05, 3.0), own


def corn(rng: np.random.Generator, stage_v: int) -> LibraryPlant:
    """Grow one corn plant and thin it out."""
    lost = int(rng.random() < LOST_SHARE.get(stage_v, 0.0))
    if stage_v >= 6 and rng.random() < 0.25 * (stage_v - 5):
        lost += 1
    status = "withered" if stage_v >= 2 and rng.random() < 0.12 else "ok"
    plant = grow(rng, stage_v, lost=lost, lower_status=status)
    shape = build(plant, rng)
    leaves = [leaf for leaf in plant.leaves if leaf.status != "gone"]
    grids = shape.blades.vertices.reshape(len(leaves), BLADE_ROWS, BLADE_COLUMNS, 3)
    grids = grids[:, ROWS][:, :, COLUMNS]
    stress = float(rng.random() ** 3)
    parts, own = [], []
    for leaf, grid in zip(leaves, grids, strict=True):
        tint, alone = _blade_tint(rng, leaf.collared, leaf.emerged, leaf.status, stress)
        parts.append(
            LightMesh(
                grid.reshape(-1, 3),
                BLADE_FACES,
                tint.reshape(-1, 3),
                np.full(len(BLADE_FACES), leaf.rank, np.int32),
            )
        )
        own.append(alone.reshape(-1, 1))
    exits = np.array([[0, 0, -25.0], [0, 0, 0.0]] + [p.exit for p in shape.points])
    radii = np.array([plant.base_radius_mm] * 2 + [leaf.stalk_radius_mm for leaf in leaves])
    order = np.argsort(exits[:, 2], kind="stable")
    stalk = tube(exits[order], radii[order], (0, 0, 1, 1), STALK_RANK, sides=6)
    pale = np.array([1.3, 1.15, 1.2]) * rng.uniform(0.8, 1.3)
    parts.append(
        LightMesh(stalk.vertices, stalk.faces, np.tile(pale, (len(stalk.vertices), 1)), stalk.owner)
    )
    own.append(np.zeros((len(stalk.vertices), 1)))
    return LibraryPlant(
        join_light(parts),
        np.concatenate(own),
        stage_v,
        np.array([p.rank for p in shape.points], np.int32),
        np.array([p.tip for p in shape.points]),
        np.array([p.midline[[-14, -9, -6, -4, -3]] for p in shape.points]),
        exits[order][-1],
    )


def _leaf_grid(length: float, width: float, outline: np.ndarray, arch: float) -> np.ndarray:
    """A simple blade along x, (6, 3, 3): widths by an outline (6,), arching up and down."""
    t = np.linspace(0, 1, 6)
    x = t * length
    z = arch * length * (t - 1.15 * t**2)
    half = 0.5 * width * outline
    edge = np.stack([x, half, z + 0.1 * half], 1)
    return np.stack([edge * [1, -1, 1], np.stack([x, 0 * x, z], 1), edge], 1)


OVAL = np.array([0.12, 0.75, 1.0, 0.95, 0.6, 0.05])
BLADE = np.array([0.7, 1.0, 0.95, 0.8, 0.5, 0.05])
SMALL_FACES = grid_faces(6, 3)


def weed(rng: np.random.Generator, kind: str) -> LightMesh:
    """A plant that isn't corn, about 100 mm across, standing at the origin.

    ``kind`` is "broadleaf", "rosette", "grass" or "trifoliate" (as beans are).
    """
    parts = []
    tall = {"broadleaf": 60.0, "rosette": 6.0, "grass": 25.0, "trifoliate": 90.0}[kind]
    tall *= rng.uniform(0.5, 1.5)
    count = int(rng.integers(4, 14)) if kind != "trifoliate" else 3 * int(rng.integers(2, 6))
    hue = rng.uniform(72, 125)
    tone = rng.uniform(0.25, 0.6)
    turn = rng.uniform(0, 2 * math.pi)
    lobed = rng.uniform(0, 0.4)
    for index in range(count):
        level = index / count
        angle = turn + index * 2.4 + rng.normal(0, 0.25)
        if kind == "grass":
            angle = turn + rng.uniform(0, 2 * math.pi)
            size, width = rng.uniform(25, 75), rng.uniform(2.0, 6.5)
            grid = _leaf_grid(size, width, BLADE, rng.uniform(0.2, 1.2))
            away, z = 1.0, 0.0
        elif kind == "trifoliate":
            angle = turn + (index // 3) * math.pi * 0.9 + (index % 3 - 1) * 1.1
            size = rng.uniform(22, 34)
            grid = _leaf_grid(size, size * 0.7, OVAL, rng.uniform(-0.1, 0.4))
            away, z = rng.uniform(12, 26), tall * (0.5 + 0.5 * level)
        else:
            size = rng.uniform(22, 48) * (1.1 - 0.6 * level)
            outline = OVAL * (1 + lobed * np.array([0, 1, -1, 1, -1, 0]))
            grid = _leaf_grid(size, size * rng.uniform(0.35, 0.75), outline, rng.uniform(0, 0.6))
            away, z = 2.0 + 6 * (1 - level), tall * level
        c, s = math.cos(angle), math.sin(angle)
        points = grid.reshape(-1, 3) + [away, 0, z]
        points = points @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])
        shade = hsv(hue + rng.normal(0, 5), rng.uniform(0.35, 0.75), tone * rng.uniform(0.8, 1.2))
        middle = np.tile(np.array([1.0, 1.15, 1.0]), 6)[:, None]
        parts.append(
            LightMesh(points, SMALL_FACES, shade * middle, np.zeros(len(SMALL_FACES), np.int32))
        )
    return join_light(parts)


WEED_KINDS = ("broadleaf", "rosette", "grass", "trifoliate")


@dataclass
class Library:
    """Plants kept by one process, renewed a few at a time.

    Parameters
    ----------
    rng : numpy.random.Generator
    a_stage : int
        Corn plants kept of each stage.
    weeds : int
        Weeds kept of each kind.
    """

    rng: np.random.Generator
    a_stage: int = 7
    weeds: int = 8
    corn: dict[int, list[LibraryPlant]] = field(default_factory=dict)
    other: dict[str, list[LightMesh]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for stage in range(MAX_STAGE + 1):
            self.corn[stage] = [corn(self.rng, stage) for _ in range(self.a_stage)]
        for kind in WEED_KINDS:
            self.other[kind] = [weed(self.rng, kind) for _ in range(self.weeds)]

    def renew(self, plants: int = 3) -> None:
        """Grow some plants anew in place of old ones."""
        for _ in range(plants):
            stage = int(self.rng.integers(MAX_STAGE + 1))
            self.corn[stage][int(self.rng.integers(self.a_stage))] = corn(self.rng, stage)
        kind = WEED_KINDS[int(self.rng.integers(len(WEED_KINDS)))]
        self.other[kind][int(self.rng.integers(self.weeds))] = weed(self.rng, kind)
