"""Triangle meshes as plain arrays, and the few solids that a scene is made of."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Mesh:
    """Triangles with texture coordinates.

    ``vertices`` (N, 3) mm; ``faces`` (M, 3); ``uv`` (N, 2) in 0..1; ``owner`` (M,) says which
    part a face belongs to (a leaf's rank, or 0).
    """

    vertices: np.ndarray
    faces: np.ndarray
    uv: np.ndarray
    owner: np.ndarray

    def moved(self, vertices: np.ndarray) -> Mesh:
        """The same mesh with its vertices elsewhere."""
        return Mesh(vertices, self.faces, self.uv, self.owner)

    def unowned(self) -> Mesh:
        """The same mesh as no leaf's part."""
        return Mesh(self.vertices, self.faces, self.uv, np.zeros_like(self.owner))


def grid_faces(rows: int, columns: int) -> np.ndarray:
    """Faces of a grid of points (rows, columns)."""
    row, column = np.mgrid[0 : rows - 1, 0 : columns - 1]
    first = (row * columns + column).ravel()
    return np.concatenate(
        [
            np.stack([first, first + 1, first + columns], 1),
            np.stack([first + 1, first + columns + 1, first + columns], 1),
        ]
    ).astype(np.uint32)


def sheet(points: np.ndarray, uv_box: tuple[float, float, float, float], owner: int) -> Mesh:
    """A grid of points (rows, columns, 3) as a mesh; ``uv_box`` is (u0, v0, u1, v1)."""
    rows, columns = points.shape[:2]
    faces = grid_faces(rows, columns)
    u0, v0, u1, v1 = uv_box
    u, v = np.meshgrid(np.linspace(u0, u1, columns), np.linspace(v0, v1, rows))
    return Mesh(
        points.reshape(-1, 3),
        faces,
        np.stack([u.ravel(), v.ravel()], 1),
        np.full(len(faces), owner, np.int32),
    )


def join(meshes: list[Mesh]) -> Mesh:
    """Several meshes as one."""
    if not meshes:
        return speck()
    offsets = np.cumsum([0] + [len(mesh.vertices) for mesh in meshes[:-1]])
    return Mesh(
        np.concatenate([mesh.vertices for mesh in meshes]),
        np.concatenate([mesh.faces + offset for mesh, offset in zip(meshes, offsets, strict=True)]),
        np.concatenate([mesh.uv for mesh in meshes]),
        np.concatenate([mesh.owner for mesh in meshes]),
    )


SCENE_REACH_MM = 1.2e4
"""Every scene has this half size, so that numbers compiled from its bounds never change."""


def speck(corner: float = SCENE_REACH_MM) -> Mesh:
    """A triangle far out of sight: scenes keep one structure, so that kernels are compiled once."""
    inward = -np.sign(corner) * np.eye(3)
    points = np.full((3, 3), corner) + inward
    return Mesh(points, np.array([[0, 1, 2]], np.uint32), np.zeros((3, 2)), np.zeros(1, np.int32))


def anchors() -> Mesh:
    """Specks in two opposite corners of the scene's box."""
    ends = []
    for corner in (SCENE_REACH_MM, -SCENE_REACH_MM):
        mesh = speck(corner)
        mesh.vertices[0] = corner
        ends.append(mesh)
    return join(ends)


def tube(
    centres: np.ndarray,
    radii: np.ndarray,
    uv_box: tuple[float, float, float, float],
    owner: int,
    *,
    sides: int = 20,
    flatten: float = 1.0,
    rim_tilt: np.ndarray | None = None,
) -> Mesh:
    """A tube about a nearly vertical line of centres (K, 3) with radii (K,).

    ``flatten`` widens it along x. ``rim_tilt`` (sides + 1,) lifts the last ring, mm.
    """
    angle = np.linspace(0, 2 * np.pi, sides + 1)
    ring = np.stack([np.cos(angle) * flatten, np.sin(angle), np.zeros_like(angle)], 1)
    points = centres[:, None, :] + radii[:, None, None] * ring[None]
    if rim_tilt is not None:
        points[-1, :, 2] += rim_tilt
        points[-2, :, 2] += 0.5 * rim_tilt
    return sheet(points, uv_box, owner)


def ribbon(
    line: np.ndarray, across: np.ndarray, uv_box: tuple[float, float, float, float], owner: int
) -> Mesh:
    """A flat strip along ``line`` (K, 3) reaching ``across`` (K, 3) to both sides."""
    return sheet(np.stack([line - across, line, line + across], 1), uv_box, owner)


def ball(centre: np.ndarray, radii: np.ndarray, owner: int, rng: np.random.Generator) -> Mesh:
    """A lump: a coarse sphere with uneven radius, for clods, stones and roots' soil."""
    rows, columns = 7, 10
    theta = np.linspace(0.05, np.pi - 0.05, rows)[:, None]
    phi = np.linspace(0, 2 * np.pi, columns)[None]
    bump = 1 + 0.22 * rng.normal(size=(rows, columns))
    bump[:, -1] = bump[:, 0]
    unit = np.stack(
        [np.sin(theta) * np.cos(phi), np.sin(theta) * np.sin(phi), np.cos(theta) + 0 * phi], -1
    )
    u, v = rng.random(2) * 0.8
    return sheet(centre + unit * bump[..., None] * radii, (u, v, u + 0.2, v + 0.2), owner)


def box(low: np.ndarray, high: np.ndarray, owner: int) -> Mesh:
    """An axis-aligned box as six sheets."""
    (x0, y0, z0), (x1, y1, z1) = low, high
    sides = [
        [[(x0, y0, z0), (x1, y0, z0)], [(x0, y0, z1), (x1, y0, z1)]],
        [[(x1, y1, z0), (x0, y1, z0)], [(x1, y1, z1), (x0, y1, z1)]],
        [[(x0, y1, z0), (x0, y0, z0)], [(x0, y1, z1), (x0, y0, z1)]],
        [[(x1, y0, z0), (x1, y1, z0)], [(x1, y0, z1), (x1, y1, z1)]],
        [[(x0, y0, z1), (x1, y0, z1)], [(x0, y1, z1), (x1, y1, z1)]],
        [[(x0, y1, z0), (x1, y1, z0)], [(x0, y0, z0), (x1, y0, z0)]],
    ]
    return join([sheet(np.array(side, float), (0, 0, 1, 1), owner) for side in sides])


def turn_about(axis: str, angle_rad: float) -> np.ndarray:
    """Rotation matrix (3, 3) about "x", "y" or "z"; it turns column vectors."""
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return {
        "x": np.array([[1, 0, 0], [0, c, -s], [0, s, c]]),
        "y": np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]]),
        "z": np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]),
    }[axis]
