"""The face of the scale card as a picture, for scenes that show one."""

from __future__ import annotations

import cv2
import numpy as np

from .textures import linear

CARD_MM = (148.0, 210.0)
MARKER_MM = 36.0
MARKER_CORNERS_MM = ((8.0, 8.0), (104.0, 8.0), (104.0, 166.0), (8.0, 166.0))
"""Top-left corners of markers 0-3 from the card's top left, x right, y down (fixed contract)."""
PX_PER_MM = 4


def card_face(rng: np.random.Generator) -> np.ndarray:
    """(840, 592, 3) linear reflectance: markers, grey patches, check bar, some print."""
    height, width = int(CARD_MM[1] * PX_PER_MM), int(CARD_MM[0] * PX_PER_MM)
    face = np.full((height, width), 0.97, np.float32)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    side = int(MARKER_MM * PX_PER_MM)
    for marker, (x, y) in enumerate(MARKER_CORNERS_MM):
        picture = cv2.aruco.generateImageMarker(dictionary, marker, side).astype(np.float32) / 255
        left, top = int(x * PX_PER_MM), int(y * PX_PER_MM)
        face[top : top + side, left : left + side] = picture * 0.93 + 0.05
    columns = int(rng.integers(2, 6))
    rows = int(rng.integers(1, 3))
    patch = min(100.0 / columns, 30.0)
    patches_top = rng.uniform(56, 70)
    grey = np.linspace(rng.uniform(0.75, 0.95), rng.uniform(0.05, 0.2), rows * columns)
    for index, value in enumerate(grey):
        row, column = divmod(index, columns)
        x0, y0 = 22 + column * patch, patches_top + row * patch * 0.9
        cv2.rectangle(
            face,
            (int(x0 * PX_PER_MM), int(y0 * PX_PER_MM)),
            (int((x0 + patch * 0.86) * PX_PER_MM), int((y0 + patch * 0.76) * PX_PER_MM)),
            float(value),
            -1,
        )
    bar_y = int(rng.uniform(138, 158) * PX_PER_MM)
    left, right = int(24 * PX_PER_MM), int(124 * PX_PER_MM)
    cv2.line(face, (left, bar_y), (right, bar_y), 0.1, 2, cv2.LINE_AA)
    for tick in range(11):
        x = left + tick * (right - left) // 10
        cv2.line(face, (x, bar_y), (x, bar_y - 14), 0.1, 2, cv2.LINE_AA)
    for _ in range(int(rng.integers(0, 4))):
        y = int(rng.choice([rng.uniform(50, 56), rng.uniform(180, 200)]) * PX_PER_MM)
        text = "".join(rng.choice(list("ABCDEFHIKLMNOPRSTU 0123456789"), int(rng.integers(5, 16))))
        print_mask = np.zeros((height, width), np.uint8)
        cv2.putText(print_mask, text, (int(50 * PX_PER_MM), y), 0, rng.uniform(0.6, 1.3), 255, 2)
        print_mask[:, int(102 * PX_PER_MM) :] = 0
        face[print_mask > 127] = 0.15
    tint = 1 + rng.normal(0, 0.02, 3).astype(np.float32)
    return np.clip(linear(face)[..., None] * tint * 0.92, 0.01, 0.95)
