"""Card outline: where the four markers of a card must be whose outline alone is plain.

Small, blurred or bleached markers can't be read one by one, though the white card stands out from
its board and its pattern, once looked for where it must be, is still there. So the outline gives
starts, both ways up, and `collarvision.card` believes those that look like the card's pattern.
Photo px have their centres at integers + 0.5.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np

from collarvision.cardfit import MARKER_TOP_LEFT_MM, marker_corners_mm
from collarvision.cardmarks import Seen, card_corners_mm
from collarvision.looks import Box

_AROUND = 0.6
"""Share of the box's larger side that is looked at beside it: the network's cells are coarse."""

_PART_PX = 480
"""Long side that the surroundings are brought to."""

_LARGEST_PX = 400.0
"""Long side of the largest box looked in: a larger card's markers have 60 px and more, and are read
one by one unless they are covered, which no outline helps."""

_LEAST_AREA, _MOST_AREA = 0.012, 0.8
"""Shares of the surroundings that an outline may fill."""

_LEVELS = 3
"""Times that what is brighter than the rest is parted again."""

_UPRIGHT = 1.12
"""A card whose sides differ by this factor has its long side told from its short one."""


def outline_sets(rgb: np.ndarray, box: Box, least_overlap: float = 0.0) -> Iterator[list[Seen]]:
    """Sets of all four markers, for each white quadrilateral near a box and each way up.

    Parameters
    ----------
    rgb : ndarray, (H, W, 3) uint8
    box : (x0, y0, x1, y1)
        Where a card is thought to be, px of `rgb`.
    least_overlap : float
        Intersection over union with the box that a quadrilateral's own box needs.
    """
    x0, y0, x1, y1 = box
    if max(x1 - x0, y1 - y0) > _LARGEST_PX:
        return
    reach = _AROUND * max(x1 - x0, y1 - y0)
    height, width = rgb.shape[:2]
    left, top = int(max(0, x0 - reach)), int(max(0, y0 - reach))
    part = rgb[top : int(min(height, y1 + reach)), left : int(min(width, x1 + reach))]
    if min(part.shape[:2]) < 8:
        return
    factor = _PART_PX / max(part.shape[:2])
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    part = cv2.resize(part, None, fx=factor, fy=factor, interpolation=how)
    box_in = (np.array(box) - np.array([left, top, left, top])) * factor
    for quad in _quads(part, box_in, least_overlap):
        in_photo = quad / factor + np.array([left, top])
        for turned in _ways_up(in_photo):
            yield _markers_of(turned)


def _quads(part: np.ndarray, box: np.ndarray, least_overlap: float) -> list[np.ndarray]:
    """White quadrilaterals, px of `part`, those that fill the box best first."""
    found: list[tuple[float, np.ndarray]] = []
    for plane in (part.min(axis=2), cv2.cvtColor(part, cv2.COLOR_RGB2GRAY)):
        smooth = cv2.GaussianBlur(plane, (0, 0), 2.0)
        level = -1.0
        for _ in range(_LEVELS):
            # Where soil, shade and board differ more than board and card, the card is in the
            # upper part of the upper part.
            above = smooth[smooth > level]
            if above.size == 0:
                break
            level, _ = cv2.threshold(above[:, None], 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
            for hull in _hulls(smooth > level, box):
                quad = _quad(hull)
                overlap = _overlap(quad, box)
                if overlap >= least_overlap and all(
                    np.abs(quad - other).max() > 3.0 for _, other in found
                ):
                    found.append((overlap, quad))
    found.sort(key=lambda one: -one[0])
    return [quad for _, quad in found]


def _hulls(white: np.ndarray, box: np.ndarray) -> Iterator[np.ndarray]:
    """Hulls of white pieces of a card's size; of all near the box as one, if a leaf parts them."""
    kernel = np.ones((5, 5), np.uint8)
    closed = cv2.morphologyEx(white.astype(np.uint8), cv2.MORPH_CLOSE, kernel)
    contours, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    pieces = []
    for contour in contours:
        centre = contour[:, 0].mean(axis=0)
        inside = box[0] <= centre[0] <= box[2] and box[1] <= centre[1] <= box[3]
        hull = cv2.convexHull(contour)
        if _is_sized(hull, white.shape):
            yield hull
        if inside and cv2.contourArea(contour) > 0.1 * _LEAST_AREA * white.size:
            pieces.append(contour)
    if len(pieces) > 1:
        whole = cv2.convexHull(np.concatenate(pieces))
        if _is_sized(whole, white.shape):
            yield whole


def _is_sized(hull: np.ndarray, shape: tuple[int, ...]) -> bool:
    area = cv2.contourArea(hull) / (shape[0] * shape[1])
    return bool(_LEAST_AREA <= area <= _MOST_AREA)


def _quad(hull: np.ndarray) -> np.ndarray:
    """The quadrilateral nearest to a hull, (4, 2) clockwise: four of its points, or a rectangle."""
    around = cv2.arcLength(hull, True)
    for share in np.arange(0.01, 0.12, 0.01):
        few = cv2.approxPolyDP(hull, share * around, True)
        if len(few) == 4:
            return _clockwise(few[:, 0].astype(float))
        if len(few) < 4:
            break
    return _clockwise(cv2.boxPoints(cv2.minAreaRect(hull)).astype(float))


def _clockwise(quad: np.ndarray) -> np.ndarray:
    turned = cv2.contourArea(quad.astype(np.float32), oriented=True)
    return (quad if turned > 0 else quad[::-1]) + 0.5


def _overlap(quad: np.ndarray, box: np.ndarray) -> float:
    """Intersection over union of a quadrilateral's own box and the box looked in."""
    low = np.maximum(quad.min(axis=0), box[:2])
    high = np.minimum(quad.max(axis=0), box[2:])
    both = float(np.prod(np.maximum(high - low, 0.0)))
    own = float(np.prod(np.ptp(quad, axis=0)))
    return both / max(own + float(np.prod(box[2:] - box[:2])) - both, 1e-9)


def _ways_up(quad: np.ndarray) -> Iterator[np.ndarray]:
    """The ways a card can lie in an outline, corners TL TR BR BL; the top one's first.

    As its sides are 148 and 210 mm, there are two unless it is seen too slantingly to tell.
    """
    sides = np.linalg.norm(np.roll(quad, -1, axis=0) - quad, axis=1)
    ways = []
    for k in range(4):
        turned = np.roll(quad, -k, axis=0)
        across, down = sides[k] + sides[(k + 2) % 4], sides[(k + 1) % 4] + sides[(k + 3) % 4]
        if across <= _UPRIGHT * down:
            ways.append((float(turned[:2, 1].sum()), turned))
    yield from (turned for _, turned in sorted(ways, key=lambda one: one[0]))


def _markers_of(corners: np.ndarray) -> list[Seen]:
    """The four markers of a card with these corners."""
    homography = cv2.getPerspectiveTransform(
        card_corners_mm().astype(np.float32), corners.astype(np.float32)
    )
    every = [marker_corners_mm(marker) for marker in MARKER_TOP_LEFT_MM]
    at = cv2.perspectiveTransform(np.array(every, float), homography)
    return [Seen.at(marker, four) for marker, four in zip(MARKER_TOP_LEFT_MM, at, strict=True)]
