"""The set-up of a photo: board, card, camera and light.

World: mm, x right, y into the board, z up; the stalk meets the soil at the origin.
"""

from __future__ import annotations

import math

import numpy as np

from .boardface import BoardFrame
from .camera import Camera, aim, focal_px_of
from .cardface import CARD_MM
from .mesh import Mesh, sheet, speck
from .surroundings import shade_maker
from .wish import Site, Wish

CARD_OFF_BOARD_MM = 0.8
"""How far the card stands off the board: enough that the two never share a depth."""


def place_board(rng: np.random.Generator, site: Site) -> tuple[Mesh, BoardFrame]:
    """A board behind (or under) the plant, a little tilted and turned, and its frame."""
    low, high = site.low, site.high
    width = (high[0] - low[0]) * rng.uniform(1.2, 3.2) + 160
    height = (high[2] - min(low[2], 0)) * rng.uniform(1.1, 2.4) + 120
    if rng.random() < 0.85:  # room for the card as well
        width, height = max(width, rng.uniform(420, 800)), max(height, rng.uniform(330, 700))
    if rng.random() < 0.15:
        width, height = width * 4, height * 4  # a wall or a cloth that fills the frame
    middle = (low[0] + high[0]) / 2 + rng.normal(0, 0.06) * width
    centre_z = (low[2] + high[2]) / 2 if site.laid else -30 + height / 2
    frame = site.face.frame(np.array([middle, site.face.board_y_mm, centre_z if site.laid else 0]))
    gx, gz = np.meshgrid(
        np.linspace(middle - width / 2, middle + width / 2, 12),
        np.linspace(centre_z - height / 2, centre_z + height / 2, 12),
    )
    points = frame(gx.ravel(), gz.ravel(), 0.0).reshape(12, 12, 3)
    return sheet(points, (0, 0, 1, 1), 0), frame


def place_card(rng: np.random.Generator, frame: BoardFrame, site: Site) -> tuple[Mesh, np.ndarray]:
    """The card on the board beside the plant: its mesh, and its corners.

    Returns
    -------
    mesh : Mesh
        Owner 4; its texture's first row is the card's upper edge.
    corners_mm : ndarray, (4, 3)
        World points, top left, top right, bottom right, bottom left of the print.
    """
    low, high = site.low, site.high
    crooked = rng.normal(0, 0.07) if rng.random() < 0.93 else rng.uniform(-math.pi, math.pi)
    side = rng.choice([-1, 1])
    reach_x = (high[0] - low[0]) / 2
    x = (low[0] + high[0]) / 2 + side * (rng.uniform(0.2, 1.0) * reach_x + 90)
    z = rng.uniform(min(low[2], 0) + 112, max(0.9 * high[2], 150))
    c, s = math.cos(crooked), math.sin(crooked)
    w, h = CARD_MM
    local = np.array([[-w / 2, h / 2], [w / 2, h / 2], [w / 2, -h / 2], [-w / 2, -h / 2]])
    # Rows of the grid run from the top down, as the texture's do.
    grid = np.stack([np.linspace(local[0], local[3], 4), np.linspace(local[1], local[2], 4)], 1)
    flat = grid.reshape(-1, 2) @ np.array([[c, s], [-s, c]])
    lifted = frame(x + flat[:, 0], z + flat[:, 1], CARD_OFF_BOARD_MM).reshape(4, 2, 3)
    corner = local @ np.array([[c, s], [-s, c]])
    corners = frame(x + corner[:, 0], z + corner[:, 1], CARD_OFF_BOARD_MM)
    return sheet(lifted, (0, 0, 1, 1), 4), corners


def place_camera(
    rng: np.random.Generator, wish: Wish, laid: bool, low: np.ndarray, high: np.ndarray
) -> Camera:
    """A phone held before the board (or over it), so that the box ``low``..``high`` fits.

    For the reason "cut_off" it comes too close and looks aside. Focal lengths are mostly
    23-30 mm equivalent, as phones' main cameras have (common practice).
    """
    width, height = wish.width_px, wish.height_px
    if rng.random() < 0.12:
        width, height = height, width
    focal_eq = float(rng.uniform(23, 30) if rng.random() < 0.9 else rng.uniform(30, 60))
    focal = focal_px_of(focal_eq, width, height)
    middle = (low + high) / 2
    size_x, size_z = high[0] - low[0], high[2] - min(low[2], 0)
    fill = rng.uniform(0.6, 0.95) if rng.random() < 0.82 else rng.uniform(0.25, 0.6)
    if wish.reason == "cut_off":
        fill = rng.uniform(1.2, 1.9)
    distance = focal * max(size_x / width, 1.15 * size_z / height) / fill
    distance = max(distance, 230.0) + max(0.0, (high[1] - low[1]) * 0.3)
    if laid:
        pitch, swing = rng.normal(0, 0.13), rng.normal(0, 0.13)
        roll = rng.normal(0, 0.12)
    else:
        pitch = rng.triangular(-0.04, 0.22, 0.75)
        swing = rng.normal(0, 0.13) if rng.random() < 0.9 else rng.uniform(-0.6, 0.6)
        roll = rng.normal(0, 0.06)
    if rng.random() < 0.03:
        roll += rng.choice([-1, 1]) * rng.uniform(0.2, 0.6)
    if wish.reason == "several" and not laid and rng.random() < 0.3:
        pitch = rng.uniform(0.9, 1.5)  # plants seen from above, as people also photograph them
    offset = distance * np.array(
        [math.sin(swing) * math.cos(pitch), -math.cos(swing) * math.cos(pitch), math.sin(pitch)]
    )
    free = max(0.03, 0.5 * (1 - fill))
    mm_per_px = distance / focal
    aside_px = [rng.uniform(-free, free) * width * 0.8, 0, rng.uniform(-free, free) * height * 0.8]
    if wish.reason == "cut_off":
        aside_px = [rng.normal(0, 0.2) * width, 0, rng.uniform(-0.55, 0.3) * height]
    target = middle + mm_per_px * np.array(aside_px)
    axes = aim(target + offset, target, np.array([0.0, 0.0, 1.0]), float(roll))
    return Camera(target + offset, axes, focal, width, height)


def draw_light(
    rng: np.random.Generator, lighting: str, laid: bool
) -> tuple[np.ndarray, np.ndarray, float]:
    """The sun and the sky's gain.

    Returns
    -------
    direction : ndarray, (3,)
        Unit vector towards the sun.
    irradiance : ndarray, (3,)
        RGB relative to the sky's radiance; zero where no sun is seen.
    gain : float
        Factor on the sky's radiance.
    """
    height = {"low_sun": (0.08, 0.35), "back_light": (0.25, 0.9)}.get(lighting, (0.35, 1.35))
    rise = rng.uniform(*height)
    around_rad = rng.uniform(0, 2 * math.pi)
    if lighting == "back_light":
        around_rad = rng.uniform(0.25, 0.75) * math.pi  # behind the board
    flat = np.array([math.cos(around_rad), math.sin(around_rad)]) * math.cos(rise)
    direction = np.array([flat[0], flat[1], math.sin(rise)])
    if laid:
        direction = np.array([flat[0], -math.sin(rise), flat[1]])
    strength = {  # drawn for every kind, so that a seed's later draws don't hang on it
        "sun": rng.uniform(3, 9),
        "hazy_sun": rng.uniform(1, 3.5),
        "low_sun": rng.uniform(2.5, 8),
        "back_light": rng.uniform(2.5, 8),
        "indoor": rng.choice([0.0, rng.uniform(0.5, 3)]),
    }.get(lighting, 0.0)
    warm = rng.uniform(0, 0.5 if lighting == "low_sun" else 0.2)
    tint = np.array([1.0 + 0.5 * warm, 1.0, 1.0 - 0.8 * warm])
    return direction, strength * tint, float(rng.uniform(0.7, 1.2))


def place_shade(
    rng: np.random.Generator,
    camera: Camera,
    sun: np.ndarray,
    sun_colour: np.ndarray,
    site: Site,
) -> Mesh:
    """A shadow's cause, kept only when the camera can't see it."""
    if sun_colour.max() <= 0 or rng.random() > 0.5:
        return speck()
    centre = (site.low + site.high) / 2
    at = centre + sun * rng.uniform(500, 2200) + rng.normal(0, 0.5, 3) * site.reach_mm
    mesh = shade_maker(rng, at, site.reach_mm * rng.uniform(0.2, 0.7))
    pixels, depth = camera.project(mesh.vertices)
    size = np.array([camera.width_px, camera.height_px])
    inside = (depth > 0) & (np.abs(pixels - size / 2) < 0.6 * size).all(1)
    return speck() if inside.any() else mesh
