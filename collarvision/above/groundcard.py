"""Ground card: a scale card that lies on the ground, found in a photo taken from metres above.

The card is then some dozens of px in thousands, too small for a search of the whole photo at the
size that `collarvision.card` looks at. But it is white paper on soil: bright, colourless spots of a
card's shape are picked out first, and each is looked at in full.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from collarvision.card import ASSUMED_FOCAL_EQ_MM, find_card
from collarvision.photo import Photo

_LONG_SIDE_PX: Final = 1800
_MOST_SPOTS: Final = 6
_LEAST_SIDE_PX: Final = 9
"""Short side of a spot in the shrunken photo; a smaller card's markers can't be read anyway."""


@dataclass(frozen=True)
class GroundCard:
    """A card on the ground.

    Attributes
    ----------
    x, y : float
        Its middle, photo px.
    mm_per_px : float
        There, mean of both directions.
    relative_error : float
    tilt_deg : float
        Between the card and the picture's plane.
    """

    x: float
    y: float
    mm_per_px: float
    relative_error: float
    tilt_deg: float


def find_ground_card(photo: Photo, *, check_bar_mm: float = 100.0) -> GroundCard | None:
    """Find the card, or None.

    Parameters
    ----------
    photo : Photo
    check_bar_mm : float
        As for `collarvision.card.find_card`, which says what is wrong with it.
    """
    rgb, step = photo.pixels(max(photo.size) / _LONG_SIDE_PX)
    shrink = max(1.0, max(rgb.shape[:2]) / _LONG_SIDE_PX)
    size = (max(1, round(rgb.shape[1] / shrink)), max(1, round(rgb.shape[0] / shrink)))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    per_px = photo.size[0] / size[0]
    for left, top, wide, tall in _spots(small):
        margin = 0.6 * max(wide, tall)
        low = np.maximum(np.array([left - margin, top - margin]) * per_px, 0).astype(int)
        high = (np.array([left + wide + margin, top + tall + margin]) * per_px).astype(int)
        part = photo.rgb[low[1] : high[1], low[0] : high[0]]
        if min(part.shape[:2]) < 32:
            continue
        found = find_card(_cut_out(photo, part), check_bar_mm=check_bar_mm)
        if found is None or found.markers_found < 3:
            continue
        x, y = (float(v) for v in found.corners_px.mean(0))
        here = found.mm_per_px_at(x, y)
        if not np.isfinite(here):
            continue
        side_px = float(np.linalg.norm(found.corners_px[1] - found.corners_px[0]))
        # A few px of printed marker tell less than the fit believes.
        error = float(np.hypot(found.relative_error, 0.5 / side_px))
        return GroundCard(float(low[0] + x), float(low[1] + y), here, error, float(found.tilt_deg))
    return None


def _cut_out(photo: Photo, part: np.ndarray) -> Photo:
    """A part of a photo with the lens that it was seen through, without which no tilt is told."""
    whole, own = float(np.hypot(*photo.size)), float(np.hypot(*part.shape[:2]))
    return Photo(
        name=photo.name,
        decoded=np.ascontiguousarray(part),
        sha256=photo.sha256,
        focal_eq_mm=(photo.focal_eq_mm or ASSUMED_FOCAL_EQ_MM) * whole / own,
        resized=True,
    )


def _spots(small: np.ndarray) -> list[tuple[int, int, int, int]]:
    """Boxes of bright, colourless spots of a card's shape, the most likely first."""
    red, green, blue = cv2.split(small)
    brightest = cv2.max(cv2.max(red, green), blue)
    darkest = cv2.min(cv2.min(red, green), blue)
    ground = float(np.median(brightest[::4, ::4]))
    limit = np.maximum(np.arange(256) * 0.22, 18.0).astype(np.uint8)  # by brightness
    white = (brightest > min(1.35 * ground, 235.0)) & (
        cv2.subtract(brightest, darkest) < cv2.LUT(brightest, limit)
    )
    # Markers are black: closing them makes the card one spot.
    reach = cv2.getStructuringElement(cv2.MORPH_RECT, (5, 5))
    mask = cv2.morphologyEx(white.astype(np.uint8), cv2.MORPH_CLOSE, reach)
    mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    ranked = []
    for contour in contours:
        (_, (a, b), _) = cv2.minAreaRect(contour)
        short, long = min(a, b), max(a, b)
        if short < _LEAST_SIDE_PX or long > 3.0 * short:
            continue
        x, y, w, h = (int(v) for v in cv2.boundingRect(contour))
        box = (x, y, w, h)
        if not _has_markers(brightest, contour, box):
            continue
        full = cv2.contourArea(contour) / (short * long + 1e-6)
        ranked.append((full * min(short, 60.0), box))
    ranked.sort(key=lambda one: -one[0])
    return [box for _, box in ranked[:_MOST_SPOTS]]


def _has_markers(light: np.ndarray, contour: np.ndarray, box: tuple[int, int, int, int]) -> bool:
    """Whether a white spot has as much dark in it as markers make of a card: a sixth."""
    left, top, wide, tall = box
    own = np.zeros((tall, wide), np.uint8)
    cv2.drawContours(own, [contour], 0, 1, cv2.FILLED, offset=(-left, -top))
    levels = light[top : top + tall, left : left + wide][own > 0]
    dark = float((levels < 0.6 * np.percentile(levels, 90)).mean())
    return 0.04 <= dark <= 0.5
