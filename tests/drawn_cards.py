"""Drawn cards: the scale card under known cameras.

The card is drawn here from its published contract (A5, four 36 mm markers) with OpenCV's own
marker pictures, and photographed by a pinhole camera in linear light, so nothing of the rooms under
test takes part in the truth.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np

from collarvision.card import Scale
from collarvision.cardfit import Camera

PER_MM = 6  # texture px; 36 mm / 6 modules is a whole number of them
CARD = np.array([[0.0, 0.0], [148.0, 0.0], [148.0, 210.0], [0.0, 210.0]])
MARKER_AT = {0: (8, 8), 1: (104, 8), 2: (104, 166), 3: (8, 166)}
SIZE = (540, 720)  # width, height of most drawn photos
DIAGONAL_MM = 43.27  # of a 24 x 36 mm frame (CIPA DCG-001)
SHAKEN = np.linspace(-0.5, 0.5, 21)
FOCAL_PX = 26.0 / DIAGONAL_MM * np.hypot(*SIZE)


def marker_picture(marker: int, side_px: int) -> np.ndarray:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    return cv2.aruco.generateImageMarker(dictionary, marker, side_px)


@cache
def card_face() -> np.ndarray:
    """The card in linear reflectance: paper 0.8, toner 0.04."""
    face = np.full((210 * PER_MM, 148 * PER_MM), 0.8, np.float32)
    for marker, (x, y) in MARKER_AT.items():
        side = 36 * PER_MM
        picture = marker_picture(marker, side)
        face[y * PER_MM :, x * PER_MM :][:side, :side] = np.where(picture > 127, 0.8, 0.04)
    for k, grey in enumerate((0.04, 0.09, 0.18, 0.36, 0.6)):
        face[78 * PER_MM : 94 * PER_MM, (24 + 20 * k) * PER_MM : (42 + 20 * k) * PER_MM] = grey
    return face


def camera(
    tilt: float = 0.0,
    about: float = 0.0,
    spin: float = 0.0,
    mm_per_px: float = 0.5,
    shift: tuple[float, float] = (0.0, 0.0),
    size: tuple[int, int] = SIZE,
    focal_px: float | None = None,
) -> Camera:
    """A camera whose axis meets the board near the card; angles in degrees, shift in mm."""
    focal_px = focal_px or 26.0 / DIAGONAL_MM * float(np.hypot(*size))
    axis = np.radians(tilt) * np.array([np.cos(np.radians(about)), np.sin(np.radians(about)), 0])
    rotation = cv2.Rodrigues(axis)[0] @ cv2.Rodrigues(np.array([0, 0, np.radians(spin)]))[0]
    centre = np.array([*shift, mm_per_px * focal_px])
    translation = centre - rotation[:, :2] @ np.array([74.0, 105.0])
    return Camera(rotation, translation, focal_px, (size[0] / 2, size[1] / 2), 0.05)


def photograph(
    view: Camera,
    seed: int = 0,
    *,
    size: tuple[int, int] = SIZE,
    blur: float = 0.7,
    noise: float = 2.0,
    hide: tuple[int, ...] = (),
    leaves: int = 0,
    face: np.ndarray | None = None,
    shake: tuple[float, float] = (0.0, 0.0),
    exposure: float = 1.0,
    bleed: int = 0,
) -> np.ndarray:
    """Draw the card on a mottled board: 3 x 3 samples a px, lens blur, sRGB curve, noise, JPEG."""
    rng = np.random.default_rng(seed)
    fine, (width, height) = 3, size
    face = card_face() if face is None else face
    mm_from_texture = np.array(
        [[1 / PER_MM, 0, 0.5 / PER_MM], [0, 1 / PER_MM, 0.5 / PER_MM], [0, 0, 1]]
    )
    fine_from_px = np.array([[fine, 0, -0.5], [0, fine, -0.5], [0, 0, 1.0]])
    homography = fine_from_px @ view.px_from_mm() @ mm_from_texture
    canvas = (width * fine, height * fine)
    board = cv2.resize(
        rng.uniform(0.1, 0.45, (height // 8, width // 8)).astype(np.float32),
        canvas,
        interpolation=cv2.INTER_CUBIC,
    )
    cover = cv2.warpPerspective(np.ones_like(face), homography, canvas)
    light = cv2.warpPerspective(face, homography, canvas) + (1 - cover) * board
    for marker in hide:
        x, y = MARKER_AT[marker]
        patch = np.array([[x - 4, y - 4], [x + 40, y - 4], [x + 40, y + 40], [x - 4, y + 40]])
        cv2.fillConvexPoly(light, np.round(view.project(patch) * fine).astype(np.int32), 0.15)
    for _ in range(leaves):
        ends = rng.uniform((-20, -20), (168, 230), (2, 2))
        at = np.round(view.project(ends) * fine).astype(int)
        per_mm = np.linalg.norm(at[1] - at[0]) / np.linalg.norm(ends[1] - ends[0])
        cv2.line(light, at[0].tolist(), at[1].tolist(), 0.12, max(1, round(12 * per_mm)))
    light = light.reshape(height, fine, width, fine).mean(axis=(1, 3)) * exposure
    if bleed:
        light = cv2.dilate(light, np.ones((bleed, bleed)))
    if any(shake):
        moves = [np.array([[1, 0, t * shake[0]], [0, 1, t * shake[1]]]) for t in SHAKEN]
        light = np.mean([cv2.warpAffine(light, m, size, borderMode=1) for m in moves], axis=0)
    light = np.clip(cv2.GaussianBlur(light, (0, 0), blur) if blur else light, 0, 1)
    curved = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    rgb = 255 * np.repeat(curved[..., None], 3, axis=2) + rng.normal(0, noise, (height, width, 3))
    rgb = np.clip(rgb + 0.5, 0, 255).astype(np.uint8)
    return cv2.imdecode(cv2.imencode(".jpg", rgb, [cv2.IMWRITE_JPEG_QUALITY, 92])[1], 1)


def board_mm(scale: Scale, px: np.ndarray) -> np.ndarray:
    mapped = np.column_stack([px, np.ones(len(px))]) @ scale.board_mm_from_px.T
    return mapped[:, :2] / mapped[:, 2:]


def scale_errors(scale: Scale, view: Camera) -> np.ndarray:
    """Relative errors of three upright 150 mm lengths: left of, on and right of the card."""
    ends = np.array([[x, y] for x in (-74, 74, 222) for y in (30.0, 180.0)])
    measured = board_mm(scale, view.project(ends)).reshape(3, 2, 2)
    return np.linalg.norm(measured[:, 1] - measured[:, 0], axis=1) / 150.0 - 1.0
