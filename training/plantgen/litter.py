"""What lies and grows about the plant in one scene: ground, crumbs, roots, weeds, a hand."""

from __future__ import annotations

import math

import numpy as np

from . import surroundings as around
from .mesh import Mesh, ball, join, sheet, speck, tube, turn_about
from .plantparts import Plant
from .wish import WITH_MAIZE, Site, Wish

FAR_MM = 9e3
"""Half the side of the plain that closes the scene at the bottom."""


def lay_ground(rng: np.random.Generator, site: Site, plant: Plant) -> tuple[Mesh, list[Mesh]]:
    """Soil to the horizon (class soil), and residue lying on it.

    Under a laid plant's board the ground is turned with the scene: its normal is -y.
    """
    reach = site.reach_mm
    if not site.laid:
        calm = 3 * plant.base_radius_mm + 18
        soil, grid = around.soil_patch(rng, reach, site.face.board_y_mm + 0.6 * reach, calm)
        corners = [[(-FAR_MM, y, -6.0), (FAR_MM, y, -6.0)] for y in (-FAR_MM, FAR_MM)]
        far = sheet(np.array(corners, float), (0, 0, 40, 40), 3)
        return join([soil, far]), around.residue(rng, grid, reach)
    low, high = site.low, site.high
    soil, _ = around.soil_patch(rng, 2.2 * reach, 3.2 * reach, 1.0)
    flat = soil.vertices
    sunk = rng.uniform(6, 40)
    points = np.stack([flat[:, 0], np.maximum(sunk - flat[:, 2], 5.0), flat[:, 1]], 1)
    points += np.array([(low[0] + high[0]) / 2, 0, (low[2] + high[2]) / 2])
    edges = [[(-FAR_MM, 45.0, z), (FAR_MM, 45.0, z)] for z in (-FAR_MM, FAR_MM)]
    wide = sheet(np.array(edges, float), (0, 0, 40, 40), 3)
    return join([soil.moved(points), wide]), []


def scatter(
    rng: np.random.Generator, wish: Wish, site: Site, plant: Plant, below_mm: float
) -> tuple[list[Mesh], list[Mesh]]:
    """Things about the plant, as clutter (class background) and as soil's crumbs (class soil).

    ``below_mm``: how much of the stalk goes on under the soil line.
    """
    parts: list[Mesh] = []
    crumbs: list[Mesh] = []
    low, high = site.low, site.high
    span = max(high[2] - low[2], 60.0)
    if site.laid:
        parts += _about_a_laid_plant(rng, wish, site, plant, below_mm, span)
    else:
        weeds, crumbs = _about_a_standing_plant(rng, site, plant, span)
        parts += weeds
    if wish.reason == "not_maize":
        size = rng.uniform(60, 320)
        weed = (around.broadleaf if rng.random() < 0.75 else around.grass)(rng, size)
        at = np.array([rng.normal(0, 10), -0.15 * size if site.laid else 0.0, 0.0])
        parts.append(weed.moved(weed.vertices * (np.array([1, 0.2, 1]) if site.laid else 1) + at))
    if rng.random() < 0.1:
        side = rng.choice([-1, 1])
        aside = side * (high[0] - low[0] + 90) * rng.uniform(0.6, 1.1)
        z = rng.uniform(0.1, 1.0) * high[2]
        at = np.array([aside, site.face.y_at(z) - 22, z])
        toward = np.array([-side, 0.0, rng.normal(0, 0.3)])
        parts.append(around.hand(rng, at, toward, rng.uniform(0.8, 1.2)))
    if rng.random() < 0.1:
        x = rng.choice([-1, 1]) * (high[0] - low[0]) * rng.uniform(0.45, 1.0) + rng.normal(0, 10)
        tall = rng.uniform(0.5, 1.8) * span
        y = min(site.face.y_at(0.0), site.face.y_at(tall)) - 1
        parts.append(around.stake(rng, x, y, tall))
    return parts, crumbs


def _about_a_laid_plant(
    rng: np.random.Generator, wish: Wish, site: Site, plant: Plant, below: float, span: float
) -> list[Mesh]:
    """Crumbs, roots and a lump of soil at the stalk's lower end."""
    parts = []
    swing = turn_about("y", site.lean_rad)
    for _ in range(int(rng.integers(0, 16))):  # crumbs
        at = np.array([rng.normal(0, 0.25) * span, -1.0, -below + rng.normal(0, 0.12) * span])
        crumb = ball(at @ swing.T, rng.lognormal(0.6, 0.6) * rng.uniform(0.6, 1.2, 3), 0, rng)
        parts.append(around.painted(crumb, rng, 2, 0))
    if wish.reason not in WITH_MAIZE:
        return parts
    for _ in range(int(rng.integers(0, 18))):  # roots
        s = np.linspace(0, 1, 12)[:, None]
        way = np.array([rng.normal(0, 0.7), 0.0, -1.0])
        wave = np.stack([np.cumsum(rng.normal(0, 0.7, 12)), np.zeros(12), np.zeros(12)], 1)
        line = np.array([0, -2.0, -below]) + s * way * rng.uniform(15, 90) + wave
        line[:, 1] = -rng.uniform(0.4, 4.0)
        radius = np.linspace(1.0, 0.3, 12) * rng.uniform(0.4, 1.3)
        across = np.stack([radius, 0 * radius, 0.3 * radius], 1)
        strip = sheet(np.stack([line - across, line + across], 1), (0, 0, 1, 1), 0)
        parts.append(around.painted(strip.moved(strip.vertices @ swing.T), rng, 0, 0))
    if rng.random() < 0.5:
        at = np.array([0, -5.0, -below - 8]) @ swing.T
        lump = ball(at, plant.base_radius_mm * rng.uniform(1.2, 4, 3), 0, rng)
        parts.append(around.painted(lump, rng, 2, 0))
    return parts


def _about_a_standing_plant(
    rng: np.random.Generator, site: Site, plant: Plant, span: float
) -> tuple[list[Mesh], list[Mesh]]:
    """Weeds or a pot, and crumbs against the stalk."""
    parts, crumbs = [], []
    if rng.random() < 0.22:
        for _ in range(int(rng.integers(1, 6))):
            x = rng.choice([-1, 1]) * rng.uniform(0.25, 1.4) * span
            kind = around.broadleaf if rng.random() < 0.5 else around.grass
            weed = kind(rng, rng.uniform(6, 60))
            at = np.array([x, rng.uniform(-150, site.face.board_y_mm - 5), 0])
            parts.append(weed.moved(weed.vertices + at))
    for _ in range(int(rng.integers(0, 14))):  # crumbs
        turn, away = rng.uniform(0, 2 * math.pi), plant.base_radius_mm * rng.uniform(0.9, 2.6)
        at = np.array([away * math.cos(turn), away * math.sin(turn), rng.uniform(-2.0, 1.0)])
        size = rng.lognormal(0.8, 0.5) * rng.uniform(0.6, 1.2, 3)
        crumbs.append(ball(at, size, 3, rng))
    if rng.random() < 0.07:  # a pot, the soil inside it
        radius = rng.uniform(28, 75) + plant.base_radius_mm
        axis = np.array([[0, 0, z] for z in (-90.0, 4.0, 5.0, -3.0)])
        radii = radius * np.array([0.8, 1, 0.93, 0.92])
        wall = tube(axis, radii, (0, 0, 1, 1), 0, sides=32)
        parts.append(around.painted(wall, rng, int(rng.integers(4, 8)), 0))
    return parts, crumbs


def plants_behind(rng: np.random.Generator, site: Site) -> Mesh:
    """Other maize plants behind the board."""
    parts: list[Mesh] = []
    for _ in range(int(rng.integers(1, 6))):
        x = rng.choice([-1, 1]) * rng.uniform(0.3, 3.0) * site.reach_mm
        at = np.array([x, site.face.board_y_mm + rng.uniform(60, 2500), 0.0])
        parts += around.neighbour(rng, int(rng.integers(2, 9)), at)
    return join(parts) if parts else speck()
